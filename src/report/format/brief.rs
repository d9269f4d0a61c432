//! One line a channel: figures first, so that they stand below each other whatever the names.

use crate::analysis::Measurement;
use crate::quantity::Figure;
use crate::report::measured::MeasuredCapture;
use crate::report::rows::Reading;
use crate::si;
use crate::{Warning, WarningCode};
use std::io::{self, Write};

/// What spoils the figures most comes first; what is not named here comes after.
const WORST_FIRST: [WarningCode; 9] = [
    WarningCode::Clipped,
    WarningCode::FoldedMains,
    WarningCode::MissingSamples,
    WarningCode::UnevenSampling,
    WarningCode::NotInterferenceAlone,
    WarningCode::ShortRecord,
    WarningCode::LineNearHarmonic,
    WarningCode::MainsDrifts,
    WarningCode::CoarseQuantization,
];

pub(super) fn heading(out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "{:>12}{:>12}{:>12}  {:<22}capture",
        "DC offset", "hum, RMS", "noise, RMS", "worst warning"
    )
}

pub(super) fn measured_capture(out: &mut impl Write, capture: &MeasuredCapture) -> io::Result<()> {
    let Ok(measurements) = &capture.outcome else {
        return Ok(());
    };
    let several = measurements
        .iter()
        .any(|(measurement, _)| measurement.channel != measurements[0].0.channel);
    measurements
        .iter()
        .try_for_each(|(measurement, _)| line(out, measurement, several))
}

fn line(out: &mut impl Write, measurement: &Measurement, several: bool) -> io::Result<()> {
    for figure in [
        Figure::from(measurement.dc_offset),
        measurement.mains.hum_rms.into(),
        measurement.noise.rms.into(),
    ] {
        let reading = Reading::new(figure, &measurement.unit);
        // At least a blank between two figures, however many digits they have.
        write!(out, " {:>11}", reading.value_with_unit())?;
    }
    let worst = worst(&measurement.quality.warnings);
    let warning = worst.map_or_else(|| "-".to_owned(), |code| code.to_string());
    write!(out, "  {warning:<21} {}", one_line(&measurement.file))?;
    if several {
        write!(out, ", {}", one_line(&measurement.channel))?;
    }
    if let Some(start) = measurement.start_s {
        write!(out, ", from {}", si::short(start, "s", 6))?;
    }
    writeln!(out)
}

fn worst(warnings: &[Warning]) -> Option<WarningCode> {
    let rank = |code: &WarningCode| {
        let place = WORST_FIRST.iter().position(|known| known == code);
        place.unwrap_or(WORST_FIRST.len())
    };
    warnings.iter().map(|w| w.code).min_by_key(rank)
}

fn one_line(name: &str) -> String {
    name.replace(['\n', '\r', '\t'], " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn each_channel_is_one_line_with_its_worst_warning() {
        let mut first = sample::measurement();
        first.file = "a\nb.csv".into();
        first.quality.warnings = [WarningCode::BandReduced, WarningCode::Clipped]
            .map(|code| code.warning("x"))
            .to_vec();
        let mut second = first.clone();
        second.channel = "other".into();
        second.quality.warnings.clear();
        let capture =
            MeasuredCapture::new("a", Ok(vec![(first, Vec::new()), (second, Vec::new())]));
        let mut out = Vec::new();
        heading(&mut out).unwrap();
        measured_capture(&mut out, &capture).unwrap();
        let text = String::from_utf8(out).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        for words in ["11.6", "mV", " clipped ", "a b.csv"] {
            assert!(lines[1].contains(words), "{text}");
        }
        assert!(
            lines[2].contains(" - ") && lines[2].ends_with("a b.csv, other"),
            "{text}"
        );
        let column = |line: &str, words: &str| {
            let (before, _) = line.split_once(words).unwrap();
            before.chars().count()
        };
        let capture_at = column(lines[0], "capture");
        assert_eq!(column(lines[1], "a b.csv"), capture_at, "{text}");
    }
}
