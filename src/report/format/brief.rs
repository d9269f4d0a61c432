//! One line a channel: figures first, so that they stand below each other whatever the names.

use crate::comparison::{Acceptance, Change, Judgement};
use crate::printable::printable;
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

/// What stands beside the figures.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Columns {
    /// Changes against an earlier capture.
    pub against: bool,
    /// What became of the limits.
    pub limits: bool,
    /// Lines take the colour of their limits.
    pub coloured: bool,
}

pub(super) fn heading(out: &mut impl Write, columns: Columns) -> io::Result<()> {
    for figure in ["DC offset", "hum, RMS", "noise, RMS"] {
        write!(out, "{figure:>12}")?;
        if columns.against {
            write!(out, "{:>CHANGE$}", "change")?;
        }
    }
    if columns.limits {
        write!(out, "  {:<9}", "limits")?;
    }
    writeln!(out, "  {:<22}capture", "worst warning")
}

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    columns: Columns,
) -> io::Result<()> {
    let Ok(channels) = &capture.outcome else {
        return Ok(());
    };
    let several = channels
        .windows(2)
        .any(|pair| pair[0].measurement.channel != pair[1].measurement.channel);
    channels.iter().try_for_each(|channel| {
        let line = line(channel, several, columns);
        let line = printable(&line);
        match judged(&channel.limits).filter(|_| columns.coloured) {
            Some(outcome) => writeln!(out, "\u{1b}[{}m{line}\u{1b}[0m", colour(outcome)),
            None => writeln!(out, "{line}"),
        }
    })
}

/// The worst that became of the limits.
fn judged(limits: &[Judgement]) -> Option<Acceptance> {
    let rank = |outcome: &Acceptance| match outcome {
        Acceptance::Fail => 2,
        Acceptance::Undecided => 1,
        Acceptance::Pass => 0,
    };
    limits.iter().map(|limit| limit.outcome).max_by_key(rank)
}

/// The number by which terminals know a colour (ECMA-48, SGR): green, red, yellow.
fn colour(outcome: Acceptance) -> u8 {
    match outcome {
        Acceptance::Pass => 32,
        Acceptance::Fail => 31,
        Acceptance::Undecided => 33,
    }
}

fn line(channel: &MeasuredChannel, several: bool, columns: Columns) -> String {
    let measurement = &channel.measurement;
    let figures = [
        Figure::from(measurement.dc_offset),
        measurement.mains.hum_rms.into(),
        measurement.noise.rms.into(),
    ];
    let mut line = String::new();
    for (figure, quantity) in figures.into_iter().zip(Change::QUANTITIES) {
        let reading = Reading::new(figure, &measurement.unit);
        // At least a blank between two figures, however many digits they have.
        line.push_str(&format!(" {:>11}", reading.value_with_unit()));
        if columns.against {
            let ratio = channel.change.as_ref().and_then(|c| c.ratio(quantity));
            let interval = short_interval(ratio);
            let told = if interval.is_empty() { "-" } else { &interval };
            line.push_str(&format!(" {told:>width$}", width = CHANGE - 1));
        }
    }
    if columns.limits {
        let outcome = judged(&channel.limits).map_or_else(|| "-".to_owned(), |o| o.to_string());
        line.push_str(&format!("  {outcome:<9}"));
    }
    let worst = worst(&measurement.quality.warnings);
    let warning = worst.map_or_else(|| "-".to_owned(), |code| code.to_string());
    line.push_str(&format!("  {warning:<21} {}", one_line(&measurement.file)));
    if several {
        line.push_str(&format!(", {}", one_line(&measurement.channel)));
    }
    if let Some(start) = measurement.start_s {
        line.push_str(&format!(", from {}", si::short(start, "s", 6)));
    }
    line
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
        let columns = Columns::default();
        heading(&mut out, columns).unwrap();
        measured_capture(&mut out, &capture, columns).unwrap();
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
