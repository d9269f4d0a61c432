//! Tables and sentences for a terminal of 80 columns; nothing depends on colour.

use crate::Condition;
use crate::analysis::{Evidence, Measurement};
use crate::comparison::{Change, Comparison};
use crate::quantity::Figure;
use crate::quantity::Quantity;
use crate::report::caution::CAUTIONS;
use crate::report::legend::{FLOOR_LEGEND, interval_legend};
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::rows::Reading;
use crate::report::rows::ShortList;
use crate::report::rows::{
    ComparedRow, change_remark, comparison_remarks, comparison_rows, comparison_warnings,
    evidence_remark, limit_remark, line_rows, short_interval, told,
};
use crate::si::{self, percent};
use crate::wrap::{WIDTH, wrapped};
use std::io::{self, Write};

/// Labels in a comparison, a blank after them: three readings of 17 beside it leave 15 for the widest common change,
/// as in `-25.5..-24.1 dB`.
const LABEL: usize = 13;

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    show: usize,
) -> io::Result<()> {
    let Ok(channels) = &capture.outcome else {
        return Ok(());
    };
    // Stretches of one channel stand together; they share one table.
    for stretches in channels.chunk_by(|a, b| {
        let (a, b) = (&a.measurement, &b.measurement);
        a.channel == b.channel && a.start_s.is_some() && b.start_s.is_some()
    }) {
        if let [channel] = stretches
            && channel.measurement.start_s.is_none()
        {
            measured_channel(out, channel, show)?;
        } else {
            log(out, stretches)?;
        }
    }
    Ok(())
}

fn heading(out: &mut impl Write, measurement: &Measurement, record: &str) -> io::Result<()> {
    let Measurement { file, channel, .. } = measurement;
    wrapped(out, "", &format!("{file}, channel {channel}: {record}"))
}

fn measured_channel(
    out: &mut impl Write,
    channel: &MeasuredChannel,
    show: usize,
) -> io::Result<()> {
    let measurement = &channel.measurement;
    let record = format!(
        "{} at {}, {}",
        tied(&format!("{} samples", measurement.samples)),
        tied(&si::short(measurement.sample_rate_hz, "Hz", 7)),
        tied(&si::short(measurement.duration_s, "s", 4))
    );
    heading(out, measurement, &record)?;
    writeln!(
        out,
        "{:<20}{:>10} {:<7}{} interval",
        "",
        "value",
        "",
        percent(measurement.confidence)
    )?;
    let list = ShortList::of(measurement, show);
    for row in &list.rows {
        let reading = Reading::new(row.figure, &row.unit);
        let mut line = format!(
            "{:<20}{:>10} {:<7}{:<24}",
            row.label,
            reading.value,
            reading.unit,
            reading.interval.unwrap_or_default()
        );
        if !line.ends_with(' ') {
            line.push(' ');
        }
        match &row.note {
            Some(note) if line.chars().count() + note.chars().count() <= WIDTH => {
                writeln!(out, "{line}{note}")?;
            }
            Some(note) => {
                writeln!(out, "{}", line.trim_end())?;
                wrapped(out, "    ", note)?;
            }
            None => writeln!(out, "{}", line.trim_end())?,
        }
    }
    let harmonics = &measurement.mains.harmonics;
    let hidden = harmonics.iter().filter(|line| !line.detected);
    let count = hidden.clone().count();
    if count > 0 {
        let largest = hidden.map(|line| line.rms.high).fold(0.0, f64::max);
        let remark = format!(
            "Of {} modelled harmonics, {count} do not stand above the noise; each is below {}.",
            harmonics.len(),
            si::short(largest, &measurement.unit, 2)
        );
        wrapped(out, "", &remark)?;
    }
    if let Some(remark) = list.remark() {
        writeln!(out, "{remark}")?;
    }
    for warning in &measurement.quality.warnings {
        wrapped(out, "! ", &warning.to_string())?;
    }
    if let Some(change) = &channel.change {
        wrapped(out, "- ", &change_remark(change, &measurement.unit))?;
    }
    for judgement in &channel.limits {
        wrapped(out, "- ", &limit_remark(judgement, &measurement.unit))?;
    }
    evidence(out, &measurement.evidence)?;
    writeln!(out)
}

fn evidence(out: &mut impl Write, evidence: &[Evidence]) -> io::Result<()> {
    if evidence.is_empty() {
        return Ok(());
    }
    writeln!(out, "What points to a cause, and what to try next:")?;
    for item in evidence {
        wrapped(out, "- ", &evidence_remark(item))?;
        wrapped(out, "  next: ", &item.next_step)?;
    }
    Ok(())
}

pub(super) fn cautions(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "\nBefore any change of earthing or isolation:")?;
    CAUTIONS
        .iter()
        .try_for_each(|caution| wrapped(out, "- ", caution))
}

fn log(out: &mut impl Write, stretches: &[MeasuredChannel]) -> io::Result<()> {
    let Some(first) = stretches.first() else {
        return Ok(());
    };
    let against = first.change.as_ref();
    let first = &first.measurement;
    let record = format!(
        "{} stretches of {} at {}",
        stretches.len(),
        si::short(first.duration_s, "s", 4),
        si::short(first.sample_rate_hz, "Hz", 7)
    );
    heading(out, first, &record)?;
    writeln!(
        out,
        "{:>10}  {:<23}{:<23}DC offset",
        "start", "hum, RMS", "noise in band, RMS"
    )?;
    for channel in stretches {
        let measurement = &channel.measurement;
        let figures = [
            Figure::from(measurement.mains.hum_rms),
            measurement.noise.rms.into(),
            measurement.dc_offset.into(),
        ];
        let values = figures.map(|figure| Reading::new(figure, &measurement.unit));
        let start = si::short(measurement.start_s.unwrap_or(0.0), "s", 6);
        let shown = values.each_ref().map(Reading::value_with_unit);
        let intervals = values.map(|reading| reading.interval.unwrap_or_default());
        for (start, [hum, noise, offset]) in [(start, shown), (String::new(), intervals)] {
            let line = format!("{start:>10}  {hum:<23}{noise:<23}{offset:<22}");
            writeln!(out, "{}", line.trim_end())?;
        }
        if let Some(change) = &channel.change {
            let [offset, hum, noise] = Change::QUANTITIES.map(|q| short_interval(change.ratio(q)));
            let line = format!("{:>10}  {hum:<23}{noise:<23}{offset}", "change");
            writeln!(out, "{}", line.trim_end())?;
        }
        for judgement in channel
            .limits
            .iter()
            .filter(|judgement| !judgement.passed())
        {
            let remark = limit_remark(judgement, &measurement.unit);
            wrapped(out, "            ", &remark)?;
        }
    }
    if let Some(change) = against {
        wrapped(
            out,
            "- ",
            &format!(
                "change: against {}, channel {}; above 0 dB is more than there",
                change.file, change.channel
            ),
        )?;
    }
    let mut told = Vec::new();
    let warnings = stretches
        .iter()
        .flat_map(|c| &c.measurement.quality.warnings);
    for warning in warnings {
        if !told.contains(&warning) {
            wrapped(out, "! ", &warning.to_string())?;
            told.push(warning);
        }
    }
    writeln!(out)
}

pub(super) fn legend(out: &mut impl Write, confidence: f64) -> io::Result<()> {
    let intervals = interval_legend(confidence);
    wrapped(out, "", &format!("{intervals} {FLOOR_LEGEND}"))
}

pub(super) fn comparison(
    out: &mut impl Write,
    comparison: &Comparison,
    show: usize,
) -> io::Result<()> {
    let (first, later) = comparison_warnings(comparison);
    for warning in first {
        wrapped(out, "! ", &warning.to_string())?;
    }
    wrapped(out, "", &comparison_heading(comparison))?;
    writeln!(out)?;
    let rows = comparison_rows(comparison, show);
    let counts = comparison.captures;
    let conditions: Vec<Condition> = Condition::ALL
        .into_iter()
        .filter(|condition| counts.of(*condition) > 0)
        .collect();
    let change = if counts.isolated > 0 {
        "change"
    } else {
        "loop to floor"
    };
    let mut line = format!("{:<LABEL$} ", "");
    for condition in &conditions {
        line.push_str(&format!("{condition:<17}"));
    }
    writeln!(out, "{line}{change}")?;
    let harmonic = |row: &&ComparedRow| matches!(row.compared.name, Quantity::Harmonic(_));
    let headline = rows.iter().filter(|row| !harmonic(row));
    for row in headline.clone().chain(rows.iter().filter(harmonic)) {
        if row.prominent {
            compared_row(out, row, &conditions)?;
        }
    }
    let hidden = rows.iter().filter(|row| !row.prominent).count();
    if hidden > 0 {
        writeln!(
            out,
            "Smaller harmonics left out here: {hidden}; --show N shows more."
        )?;
    }
    let lines = line_rows(comparison, show);
    for row in lines.iter().filter(|row| row.prominent) {
        compared_row(out, row, &conditions)?;
    }
    let hidden = lines.iter().filter(|row| !row.prominent).count();
    if hidden > 0 {
        writeln!(
            out,
            "Weaker lines that are no order left out here: {hidden}; --show N shows more."
        )?;
    }
    writeln!(out)?;
    for row in headline {
        wrapped(out, "- ", &row.sentence)?;
    }
    for row in lines.iter().filter(|row| told(row)) {
        wrapped(out, "- ", &row.sentence)?;
    }
    for remark in comparison_remarks(comparison) {
        wrapped(out, "- ", &remark)?;
    }
    for warning in later {
        wrapped(out, "! ", &warning.to_string())?;
    }
    evidence(out, &comparison.evidence)?;
    writeln!(out)?;
    legend(out, comparison.confidence)?;
    wrapped(
        out,
        "",
        "Changes are ratios of the readings in dB, at the same confidence; the lower end is what can \
         be claimed.",
    )?;
    if comparison.evidence.is_empty() {
        return Ok(());
    }
    cautions(out)
}

fn comparison_heading(comparison: &Comparison) -> String {
    let counts = comparison.captures;
    let (low, high) = comparison.band_hz;
    format!(
        "Captures: {} baseline, {} looped, {} isolated. Mains {}. Noise band {} to {}.",
        counts.baseline,
        counts.looped,
        counts.isolated,
        tied(&si::short(comparison.mains_nominal_hz, "Hz", 6)),
        tied(&si::short(low, "Hz", 4)),
        tied(&si::short(high, "Hz", 4))
    )
}

fn compared_row(
    out: &mut impl Write,
    row: &ComparedRow,
    conditions: &[Condition],
) -> io::Result<()> {
    let compared = &row.compared;
    let (label, rest) = row.label.split_once(", ").unwrap_or((&row.label, ""));
    let mut first = format!("{label:<LABEL$} ");
    let mut second = format!("{rest:<LABEL$} ");
    for condition in conditions {
        let reading = Reading::new(compared.reading(*condition).copied().into(), &compared.unit);
        let interval = reading.interval.as_deref().unwrap_or_default();
        first.push_str(&format!("{:<16} ", reading.value_with_unit()));
        second.push_str(&format!("{:<16} ", interval.replace(" to ", "..")));
    }
    first.push_str(&compared.verdict.to_string());
    second.push_str(&short_interval(compared.improvement_db));
    writeln!(out, "{}", first.trim_end())?;
    writeln!(out, "{}", second.trim_end())
}

/// Keeps a value and its unit on one line.
fn tied(value_with_unit: &str) -> String {
    value_with_unit.replace(' ', "\u{a0}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::{ComparedLine, ComparedQuantity, DecibelRatio, Verdict};
    use crate::report::SHOWN;
    use crate::sample;

    fn shown(write: impl FnOnce(&mut Vec<u8>) -> io::Result<()>) -> String {
        let mut out = Vec::new();
        write(&mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        let fits = |line: &str| line.chars().count() <= WIDTH;
        assert!(text.lines().all(fits), "{text}");
        text
    }

    #[test]
    fn a_channel_reads_at_80_columns() {
        let capture =
            MeasuredCapture::new("bench/looped_1.csv", Ok(vec![sample::measurement().into()]));
        let text = shown(|out| {
            measured_capture(out, &capture, SHOWN)?;
            legend(out, 0.95)?;
            cautions(out)
        });
        insta::assert_snapshot!("text_channel", text);
    }

    #[test]
    fn a_comparison_reads_at_80_columns() {
        let comparison_result = sample::comparison();
        let text = shown(|out| comparison(out, &comparison_result, SHOWN));
        insta::assert_snapshot!("text_comparison", text);
    }

    #[test]
    fn every_cell_of_a_comparison_stands_apart() {
        let mut compared = sample::comparison();
        let worse = ComparedQuantity {
            looped: Some(sample::estimate(0.1e-3, 0.098e-3, 0.102e-3)),
            improvement_db: Some(DecibelRatio {
                value: -24.8,
                low: -25.5,
                high: Some(-24.1),
            }),
            verdict: Verdict::Worse,
            ..compared.quantities[0].clone()
        };
        compared.lines.push(ComparedLine {
            frequency_hz: sample::estimate(3370.1, 3370.0, 3370.2),
            quantity: worse,
        });
        let text = shown(|out| comparison(out, &compared, SHOWN));
        let row = text.lines().find(|line| line.contains("kHz  ")).unwrap();
        let cells: Vec<&str> = row
            .split("  ")
            .map(str::trim)
            .filter(|cell| !cell.is_empty())
            .collect();
        let expected = ["3.3701 kHz", "1.5 µV", "100.0 µV", "11.0 µV", "worse"];
        assert_eq!(cells, expected, "{text}");
        assert!(text.contains("-25.5..-24.1 dB"), "{text}");
    }

    #[test]
    fn a_log_has_one_table() {
        let stretches = [0.0, 60.0, 120.0]
            .map(|start| {
                let mut stretch = sample::measurement();
                stretch.start_s = Some(start);
                stretch.duration_s = 60.0;
                stretch.into()
            })
            .to_vec();
        let text = shown(|out| {
            measured_capture(out, &MeasuredCapture::new("a.wav", Ok(stretches)), SHOWN)
        });
        assert_eq!(text.matches("start").count(), 1);
        insta::assert_snapshot!("text_log", text);
    }
}
