//! The sentences that say what the figures mean.

/// What the intervals cover, at a confidence.
#[must_use]
pub fn interval_legend(confidence: f64) -> String {
    format!(
        "Intervals are at {} confidence and cover random scatter within and between the captures \
         given. They do not cover calibration errors of instrument and probe.",
        percent(confidence)
    )
}

/// What an interval from zero means.
pub const FLOOR_LEGEND: &str =
    "An amplitude whose interval begins at 0 is not resolved above the noise.";

/// A level as a percentage without trailing zeros.
///
/// ```
/// assert_eq!(humsieve::report::percent(0.95), "95 %");
/// assert_eq!(humsieve::report::percent(0.999), "99.9 %");
/// ```
#[must_use]
pub fn percent(level: f64) -> String {
    let shown = format!("{:.6}", level * 100.0);
    format!("{} %", shown.trim_end_matches('0').trim_end_matches('.'))
}
