//! One line a channel: figures first, so that they stand below each other whatever the names.

use crate::comparison::{Acceptance, Change, Judgement};
use crate::printable::printable;
use crate::quantity::Figure;
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::rows::{Reading, short_interval};
use crate::si;
use crate::wrap::{NARROWEST, folded};
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

/// The names of the columns, folded as the lines below them are.
pub(super) fn heading(
    out: &mut impl Write,
    columns: Columns,
    width: Option<usize>,
) -> io::Result<()> {
    let figure = |figure| {
        let change = if columns.against {
            format!("{:>CHANGE$}", "change")
        } else {
            String::new()
        };
        format!("{figure:>12}{change}")
    };
    let mut cells = ["DC offset", "hum, RMS", "noise, RMS"].map(figure).to_vec();
    if columns.limits {
        cells.push(format!("  {:<9}", "limits"));
    }
    cells.push(format!("  {:<22}", "worst warning"));
    cells.push("capture".to_owned());
    within(&cells, width)
        .iter()
        .try_for_each(|line| writeln!(out, "{line}"))
}

/// Cells in one line, or on a terminal in as many as they need.
fn within(cells: &[String], width: Option<usize>) -> Vec<String> {
    folded(
        cells,
        width.map_or(usize::MAX, |width| width.max(NARROWEST)),
    )
}

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    columns: Columns,
    width: Option<usize>,
) -> io::Result<()> {
    let Ok(channels) = &capture.outcome else {
        return Ok(());
    };
    let several = channels
        .windows(2)
        .any(|pair| pair[0].measurement.channel != pair[1].measurement.channel);
    for channel in channels {
        let cells = cells(channel, several, columns);
        let judged = judged(&channel.limits).filter(|_| columns.coloured);
        for line in within(&cells, width) {
            let line = printable(&line);
            match judged {
                Some(outcome) => writeln!(out, "\u{1b}[{}m{line}\u{1b}[0m", colour(outcome))?,
                None => writeln!(out, "{line}")?,
            }
        }
    }
    Ok(())
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

fn cells(channel: &MeasuredChannel, several: bool, columns: Columns) -> Vec<String> {
    let measurement = &channel.measurement;
    let figures = [
        Figure::from(measurement.dc_offset),
        measurement.mains.hum_rms.into(),
        measurement.noise.rms.into(),
    ];
    let mut cells = Vec::new();
    for (figure, quantity) in figures.into_iter().zip(Change::QUANTITIES) {
        let reading = Reading::new(figure, &measurement.unit);
        // At least a blank between two figures, however many digits they have.
        let mut cell = format!(" {:>11}", reading.value_with_unit());
        if columns.against {
            let ratio = channel.change.as_ref().and_then(|c| c.ratio(quantity));
            let interval = short_interval(ratio);
            let told = if interval.is_empty() { "-" } else { &interval };
            cell.push_str(&format!(" {told:>width$}", width = CHANGE - 1));
        }
        cells.push(cell);
    }
    if columns.limits {
        let outcome = judged(&channel.limits).map_or_else(|| "-".to_owned(), |o| o.to_string());
        cells.push(format!("  {outcome:<9}"));
    }
    let worst = worst(&measurement.quality.warnings);
    let warning = worst.map_or_else(|| "-".to_owned(), |code| code.to_string());
    cells.push(format!("  {warning:<21} "));
    let mut name = one_line(&measurement.file);
    if several {
        name.push_str(&format!(", {}", one_line(&measurement.channel)));
    }
    if let Some(start) = measurement.start_s {
        name.push_str(&format!(", from {}", si::short(start, "s", 6)));
    }
    cells.push(name);
    cells
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
        heading(&mut out, columns, None).unwrap();
        measured_capture(&mut out, &capture, columns, None).unwrap();
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

    fn shown(columns: Columns, width: Option<usize>) -> String {
        let mut measurement = sample::measurement();
        measurement.start_s = Some(60.0);
        let capture = MeasuredCapture::new("a", Ok(vec![measurement.into()]));
        let mut out = Vec::new();
        heading(&mut out, columns, width).unwrap();
        measured_capture(&mut out, &capture, columns, width).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn lines_fold_on_a_terminal_alone() {
        let all = Columns {
            against: true,
            limits: true,
            coloured: false,
        };
        for columns in [Columns::default(), all] {
            assert_eq!(shown(columns, None).lines().count(), 2);
            for width in [40, 53, 80, 120] {
                let text = shown(columns, Some(width));
                let fits = |line: &str| line.chars().count() <= width;
                assert!(text.lines().all(fits), "{text}");
                let words = |text: &str| -> Vec<String> {
                    text.split_whitespace().map(str::to_owned).collect()
                };
                assert_eq!(words(&text), words(&shown(columns, None)), "{text}");
            }
        }
        assert_eq!(
            shown(Columns::default(), Some(40)),
            "   DC offset    hum, RMS  noise, RMS\n    worst warning  capture\n  11.6000 mV   3.1035 mV    \
             39.64 µV\n    band_reduced\n    bench/looped_1.csv, from 60 s\n"
        );
    }
}
