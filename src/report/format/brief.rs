//! One line a channel: figures first, so that they stand below each other whatever the names.

use crate::comparison::Change;
use crate::quantity::Figure;
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::rows::{Reading, short_interval};
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

/// Columns of a change: as in `-25.5..-24.1 dB`.
const CHANGE: usize = 16;

pub(super) fn heading(out: &mut impl Write, against: bool) -> io::Result<()> {
    for figure in ["DC offset", "hum, RMS", "noise, RMS"] {
        write!(out, "{figure:>12}")?;
        if against {
            write!(out, "{:>CHANGE$}", "change")?;
        }
    }
    writeln!(out, "  {:<22}capture", "worst warning")
}

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    against: bool,
) -> io::Result<()> {
    let Ok(channels) = &capture.outcome else {
        return Ok(());
    };
    let several = channels
        .windows(2)
        .any(|pair| pair[0].measurement.channel != pair[1].measurement.channel);
    channels
        .iter()
        .try_for_each(|channel| line(out, channel, several, against))
}

fn line(
    out: &mut impl Write,
    channel: &MeasuredChannel,
    several: bool,
    against: bool,
) -> io::Result<()> {
    let measurement = &channel.measurement;
    let figures = [
        Figure::from(measurement.dc_offset),
        measurement.mains.hum_rms.into(),
        measurement.noise.rms.into(),
    ];
    for (figure, quantity) in figures.into_iter().zip(Change::QUANTITIES) {
        let reading = Reading::new(figure, &measurement.unit);
        // At least a blank between two figures, however many digits they have.
        write!(out, " {:>11}", reading.value_with_unit())?;
        if against {
            let ratio = channel.change.as_ref().and_then(|c| c.ratio(quantity));
            let interval = short_interval(ratio);
            let told = if interval.is_empty() { "-" } else { &interval };
            write!(out, " {told:>width$}", width = CHANGE - 1)?;
        }
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
        let capture = MeasuredCapture::new("a", Ok(vec![first.into(), second.into()]));
        let mut out = Vec::new();
        heading(&mut out, false).unwrap();
        measured_capture(&mut out, &capture, false).unwrap();
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
