//! What a separation did, for a terminal.

use crate::printable::shown;
use crate::quantity::Figure;
use crate::report::rows::Reading;
use crate::separation::Separation;
use crate::si;
use crate::wrap::wrapped;
use std::io::{self, Write};

/// Bands that are told one by one.
const BANDS_TOLD: usize = 5;

/// Writes what was taken out of one channel, what may be left, and what was harmed, as text for a terminal of 80 columns.
/// For JSON there is [`results::write`](crate::results::write).
///
/// # Errors
/// Those of the output.
pub fn write_separation(out: &mut impl Write, separation: &Separation) -> io::Result<()> {
    shown(out, |out| separated(out, separation))
}

fn separated(out: &mut impl Write, separation: &Separation) -> io::Result<()> {
    let Separation {
        file,
        channel,
        output,
        ..
    } = separation;
    wrapped(
        out,
        "",
        &format!("{file}, channel {channel}, written to {output}"),
    )?;
    let removed = &separation.removed;
    let unit = separation.unit.as_str();
    for (label, figure, unit) in [
        ("removed DC offset", Figure::Plain(removed.dc_offset), unit),
        ("removed mains, RMS", Figure::Plain(removed.mains_rms), unit),
        (
            "removed coherent, RMS",
            Figure::Plain(removed.coherent_rms),
            unit,
        ),
        (
            "mains frequency",
            separation.mains_frequency_hz.into(),
            "Hz",
        ),
        ("hum before, RMS", separation.hum_rms.into(), unit),
        ("hum left, RMS", separation.residual_hum_rms.into(), unit),
    ] {
        let reading = Reading::new(figure, unit);
        let line = format!(
            "{label:<23}{:>12} {:<7}{}",
            reading.value,
            reading.unit,
            reading.interval.unwrap_or_default()
        );
        writeln!(out, "{}", line.trim_end())?;
    }
    if let Some(matched) = &separation.matched {
        let reduction = match (matched.reached_db, matched.bound_db) {
            (Some(reached), Some(bound)) => {
                format!("; reduction {reached:.1} dB of at most {bound:.1} dB")
            }
            (Some(reached), None) => format!("; reduction {reached:.1} dB"),
            (None, _) => String::new(),
        };
        let words = format!(
            "The other waveform fitted with gain {}, delay {}, coherence {:.4}{reduction}.",
            si::short(matched.gain, "", 4),
            si::short(matched.delay_s, "s", 3),
            matched.coherence,
        );
        wrapped(out, "", &words)?;
    }
    wrapped(out, "", &separation.note)?;
    if !separation.touched.is_empty() {
        wrapped(
            out,
            "",
            &format!(
                "A steady wanted tone within one of these bands would have been taken out too: {}.",
                bands(separation)
            ),
        )?;
    }
    for warning in &separation.warnings {
        wrapped(out, "! ", &warning.to_string())?;
    }
    writeln!(out)
}

/// The bands touched, the strongest first.
fn bands(separation: &Separation) -> String {
    let mut touched: Vec<_> = separation.touched.iter().collect();
    touched.sort_by(|a, b| b.removed_rms.total_cmp(&a.removed_rms));
    let told: Vec<String> = touched
        .iter()
        .take(BANDS_TOLD)
        .map(|band| {
            let (centre, half) = (
                0.5 * (band.low_hz + band.high_hz),
                0.5 * (band.high_hz - band.low_hz),
            );
            format!("{centre:.2} ± {half:.2} Hz")
        })
        .collect();
    match touched.len() - told.len() {
        0 => told.join(", "),
        more => format!("{} and {more} more, which jsonl lists", told.join(", ")),
    }
}
