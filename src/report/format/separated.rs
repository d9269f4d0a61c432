//! What a separation did, for a terminal.

use crate::quantity::Figure;
use crate::report::layout::TextLayout;
use crate::report::rows::Reading;
use crate::separation::{Match, Separation};
use crate::si;
use crate::wrap::{Lines, columns};
use std::io::{self, Write};

/// Bands that are told one by one.
const BANDS_TOLD: usize = 5;

/// Columns of label, value and unit.
const FIGURE: usize = 43;

/// Writes what was taken out of one channel, what may be left, and what was harmed, as text for a terminal.
/// For JSON there is [`results::write`](crate::results::write).
///
/// # Errors
/// Those of the output.
pub fn write_separation(
    out: &mut impl Write,
    separation: &Separation,
    layout: TextLayout,
) -> io::Result<()> {
    let mut lines = Lines::new(layout.columns);
    separated(&mut lines, separation);
    out.write_all(lines.into_text().as_bytes())
}

fn separated(lines: &mut Lines, separation: &Separation) {
    let Separation {
        file,
        channel,
        output,
        ..
    } = separation;
    let heading = format!("{file}, channel {channel}, written to {output}");
    lines.sentence("", &heading);
    figures(lines, separation);
    if let Some(matched) = &separation.matched {
        lines.sentence("", &fitted(matched));
    }
    lines.sentence("", &separation.note);
    if !separation.touched.is_empty() {
        let words = format!(
            "A steady wanted tone within one of these bands would have been taken out too: {}.",
            bands(separation)
        );
        lines.sentence("", &words);
    }
    for warning in &separation.warnings {
        lines.sentence("! ", &warning.to_string());
    }
    lines.line("");
}

/// How the other waveforms fitted.
fn fitted(matched: &Match) -> String {
    let reduction = match (matched.reached_db, matched.bound_db) {
        (Some(reached), Some(bound)) => {
            format!("; reduction {reached:.1} dB of at most {bound:.1} dB")
        }
        (Some(reached), None) => format!("; reduction {reached:.1} dB"),
        (None, _) => String::new(),
    };
    let fitted = |gain: f64, delay_s: f64| {
        format!(
            "gain {}, delay {}",
            si::short(gain, "", 4),
            si::short(delay_s, "s", 3)
        )
    };
    if matched.references.len() > 1 {
        let each: Vec<String> = matched
            .references
            .iter()
            .map(|one| match one.gain {
                0.0 => format!("{} left out", one.channel),
                gain => format!("{} with {}", one.channel, fitted(gain, one.delay_s)),
            })
            .collect();
        format!(
            "The references fitted together, multiple coherence {:.4}{reduction}: {}.",
            matched.coherence,
            each.join("; ")
        )
    } else {
        format!(
            "The other waveform fitted with {}, coherence {:.4}{reduction}.",
            fitted(matched.gain, matched.delay_s),
            matched.coherence,
        )
    }
}

/// The table: where one interval does not fit beside its value, all stand below, and the labels have fewer columns.
fn figures(lines: &mut Lines, separation: &Separation) {
    let removed = &separation.removed;
    let unit = separation.unit.as_str();
    let rows = [
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
    ]
    .map(|(label, figure, unit)| (label, Reading::new(figure, unit)));
    let widths = rows
        .iter()
        .map(|(_, reading)| columns(reading.interval.as_deref().unwrap_or_default()));
    let beside = lines.fits(FIGURE + widths.max().unwrap_or(0));
    for (
        label,
        Reading {
            value,
            interval,
            unit,
            ..
        },
    ) in rows
    {
        let interval = interval.unwrap_or_default();
        if beside {
            lines.line(&format!("{label:<23}{value:>12} {unit:<7}{interval}"));
            continue;
        }
        lines.line(&format!("{label:<21}{value:>11} {unit}"));
        if !interval.is_empty() {
            lines.line(&format!("    {interval}"));
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::estimate;
    use crate::separation::{HumTrack, Method, Removed};

    fn separation() -> Separation {
        Separation {
            file: "bench/weighing.csv".into(),
            channel: "Load cell".into(),
            output: "bench/clean.csv".into(),
            unit: "V".into(),
            mains_frequency_hz: Some(estimate(50.0213, 50.0201, 50.0225)),
            hum_rms: Some(estimate(3.1035e-3, 3.1022e-3, 3.1048e-3)),
            note:
                "What is left of the hum lies below what the noise lets tell, as the intervals say."
                    .into(),
            method: Method::Harmonic,
            removed: Removed::default(),
            residual_hum_rms: estimate(1.2e-6, 0.0, 2.4e-6),
            warnings: Vec::new(),
            touched: Vec::new(),
            clipped: Vec::new(),
            matched: None,
            track: HumTrack::default(),
        }
    }

    fn shown(columns: Option<usize>) -> String {
        let mut out = Vec::new();
        let layout = TextLayout {
            columns,
            ..TextLayout::default()
        };
        write_separation(&mut out, &separation(), layout).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_separation_follows_the_terminal() {
        assert_eq!(shown(None), shown(Some(80)));
        for width in [40, 53, 62, 80, 120] {
            let text = shown(Some(width));
            assert!(text.lines().all(|line| columns(line) <= width), "{text}");
            assert!(text.contains("3.1022 to 3.1048"), "{text}");
        }
        let narrow = shown(Some(40));
        assert!(narrow.contains("\n    3.1022 to 3.1048\n"), "{narrow}");
        assert!(
            shown(None).contains("hum before, RMS              3.1035 mV     3.1022 to 3.1048\n")
        );
    }
}
