//! What changed against an earlier capture, in words.

use super::reading::Reading;
use crate::comparison::{Change, DecibelRatio};

/// The changes in one sentence.
pub(in crate::report) fn change_remark(change: &Change, unit: &str) -> String {
    let figures: Vec<String> = Change::QUANTITIES
        .into_iter()
        .map(|quantity| {
            let label = quantity.label();
            let words = change.ratio(quantity).and_then(|ratio| ratio.words());
            let why = change.not_compared.iter().find(|n| n.quantity == quantity);
            match (words, why) {
                (Some(words), _) => format!("{label} {words}"),
                (None, Some(not)) => format!("{label} not told ({})", not.why),
                (None, None) => format!("{label} not told"),
            }
        })
        .collect();
    let difference = change
        .dc_offset_difference
        .map_or_else(String::new, |estimate| {
            let reading = Reading::new(estimate.into(), unit);
            let interval = reading.interval.unwrap_or_default();
            format!(
                "; offset less that one {} {} ({interval})",
                reading.value, reading.unit
            )
        });
    format!(
        "against {}, channel {} (above 0 dB is more than there): {}{difference}",
        change.file,
        change.channel,
        figures.join("; ")
    )
}

/// The interval alone, as in `-25.5..-24.1 dB`, `≥ 29.3 dB`; nothing where none is known.
pub(in crate::report) fn short_interval(ratio: Option<DecibelRatio>) -> String {
    let words = ratio.and_then(|ratio| ratio.interval()).unwrap_or_default();
    words
        .replace("at least", "≥")
        .replace("at most", "≤")
        .replace(" to ", "..")
}
