//! Tables for a document.

use crate::analysis::{Evidence, Measurement};
use crate::comparison::{Comparison, DecibelRatio};
use crate::report::caution::CAUTIONS;
use crate::report::legend::{FLOOR_LEGEND, interval_legend};
use crate::report::measured::MeasuredCapture;
use crate::report::rows::Reading;
use crate::report::rows::ShortList;
use crate::report::rows::{
    change_remark, comparison_remarks, comparison_rows, comparison_warnings, evidence_remark,
    limit_remark, line_rows, told,
};
use crate::si::{self, percent};
use std::io::{self, Write};

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    show: usize,
) -> io::Result<()> {
    match &capture.outcome {
        Ok(channels) => channels.iter().try_for_each(|channel| {
            let unit = &channel.measurement.unit;
            measured_channel(out, &channel.measurement, show)?;
            if let Some(change) = &channel.change {
                item(out, &change_remark(change, unit))?;
            }
            for judgement in &channel.limits {
                item(out, &limit_remark(judgement, unit))?;
            }
            writeln!(out)
        }),
        Err(error) => {
            let (file, kind) = (escape(&capture.file), error.kind());
            let why = escape(&error.message_with_position());
            writeln!(out, "### {file}\n\nNot analysed ({kind}): {why}\n")
        }
    }
}

fn measured_channel(
    out: &mut impl Write,
    measurement: &Measurement,
    show: usize,
) -> io::Result<()> {
    let (file, channel) = (escape(&measurement.file), escape(&measurement.channel));
    write!(out, "### {file}, channel {channel}")?;
    if let Some(start) = measurement.start_s {
        write!(out, ", from {}", si::short(start, "s", 6))?;
    }
    let samples = measurement.samples;
    let rate = si::short(measurement.sample_rate_hz, "Hz", 7);
    let duration = si::short(measurement.duration_s, "s", 4);
    writeln!(out, "\n\n{samples} samples at {rate}, {duration}.\n")?;
    let level = percent(measurement.confidence);
    writeln!(out, "| figure | value | {level} interval | unit | note |")?;
    writeln!(out, "| --- | ---: | :---: | --- | --- |")?;
    let list = ShortList::of(measurement, show);
    for row in &list.rows {
        let reading = Reading::new(row.figure, &row.unit);
        let (label, unit) = (escape(row.label.trim()), escape(&reading.unit));
        let (value, interval) = (reading.value, reading.interval.unwrap_or_default());
        let note = escape(row.note.as_deref().unwrap_or_default());
        writeln!(out, "| {label} | {value} | {interval} | {unit} | {note} |")?;
    }
    writeln!(out)?;
    if let Some(remark) = list.remark() {
        writeln!(out, "- {remark}")?;
    }
    for warning in &measurement.quality.warnings {
        item(out, &warning.to_string())?;
    }
    evidence(out, &measurement.evidence)
}

fn evidence(out: &mut impl Write, evidence: &[Evidence]) -> io::Result<()> {
    evidence.iter().try_for_each(|found| {
        item(
            out,
            &format!("{}; next: {}", evidence_remark(found), found.next_step),
        )
    })
}

fn item(out: &mut impl Write, text: &str) -> io::Result<()> {
    writeln!(out, "- {}", escape(text))
}

pub(super) fn legend(out: &mut impl Write, confidence: f64) -> io::Result<()> {
    writeln!(out, "{} {FLOOR_LEGEND}", interval_legend(confidence))
}

pub(super) fn comparison(
    out: &mut impl Write,
    comparison: &Comparison,
    show: usize,
) -> io::Result<()> {
    let (first, later) = comparison_warnings(comparison);
    for warning in first {
        writeln!(out, "**{}**\n", escape(&warning.to_string()))?;
    }
    writeln!(
        out,
        "| figure | baseline | looped | isolated | loop adds | left of it | improvement, dB | \
         reduction of the interference, dB | verdict |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    )?;
    let rows = comparison_rows(comparison, show);
    let lines = line_rows(comparison, show);
    for row in rows.iter().chain(&lines).filter(|row| row.prominent) {
        write!(out, "| {} |", escape(&row.label))?;
        for figure in row.figures() {
            let reading = Reading::new(figure, &row.compared.unit);
            let value = escape(&reading.value_with_unit());
            match &reading.interval {
                Some(interval) => write!(out, " {value} ({interval}) |")?,
                None => write!(out, " {value} |")?,
            }
        }
        for ratio in [
            row.compared.improvement_db,
            row.compared.excess_reduction_db,
        ] {
            write!(out, " {} |", ratio_cell(ratio))?;
        }
        writeln!(out, " {} |", row.compared.verdict)?;
    }
    let hidden = rows.iter().filter(|row| !row.prominent).count();
    if hidden > 0 {
        writeln!(
            out,
            "\nSmaller harmonics left out here: {hidden}; --show N shows more."
        )?;
    }
    writeln!(out)?;
    let shown = rows.iter().filter(|row| row.prominent);
    for row in shown.chain(lines.iter().filter(|row| told(row))) {
        item(out, &row.sentence)?;
    }
    for remark in comparison_remarks(comparison) {
        item(out, &remark)?;
    }
    for warning in later {
        item(out, &warning.to_string())?;
    }
    evidence(out, &comparison.evidence)?;
    writeln!(out)?;
    legend(out, comparison.confidence)?;
    if comparison.evidence.is_empty() {
        return Ok(());
    }
    cautions(out)
}

pub(super) fn cautions(out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "\nBefore any change of earthing or isolation:\n")?;
    CAUTIONS
        .iter()
        .try_for_each(|caution| writeln!(out, "- {caution}"))
}

fn ratio_cell(ratio: Option<DecibelRatio>) -> String {
    let words = ratio.and_then(|ratio| ratio.words()).unwrap_or_default();
    words.replace(" dB", "")
}

/// Keeps names from files from being taken for markup.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' | '\r' => escaped.push(' '),
            '<' => escaped.push_str("&lt;"),
            '|' | '*' | '_' | '`' | '[' | ']' | '\\' | '#' => {
                escaped.push('\\');
                escaped.push(c);
            }
            other => escaped.push(other),
        }
    }
    escaped
}
