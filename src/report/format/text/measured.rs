//! What was measured of a capture.

use super::log::log;
use super::remarks::{evidence, heading, tied};
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::rows::{Reading, ShortList, change_remark, limit_remark};
use crate::si::{self, percent};
use crate::wrap::{Lines, columns};

/// Columns of label, value and unit.
const FIGURE: usize = 38;
/// Columns of an interval below its value, a blank after them.
const INTERVAL_BELOW: usize = 22;

pub fn measured_capture(lines: &mut Lines, capture: &MeasuredCapture, show: usize) {
    let Ok(channels) = &capture.outcome else {
        return;
    };
    // Stretches of one channel stand together; they share one table.
    for stretches in channels.chunk_by(|a, b| {
        let (a, b) = (&a.measurement, &b.measurement);
        a.channel == b.channel && a.start_s.is_some() && b.start_s.is_some()
    }) {
        if let [channel] = stretches
            && channel.measurement.start_s.is_none()
        {
            measured_channel(lines, channel, show);
        } else {
            log(lines, stretches);
        }
    }
}

fn measured_channel(lines: &mut Lines, channel: &MeasuredChannel, show: usize) {
    let measurement = &channel.measurement;
    let record = format!(
        "{} at {}, {}",
        tied(&format!("{} samples", measurement.samples)),
        tied(&si::short(measurement.sample_rate_hz, "Hz", 7)),
        tied(&si::short(measurement.duration_s, "s", 4))
    );
    heading(lines, measurement, &record);
    let list = ShortList::of(measurement, show);
    figures(lines, &list, measurement.confidence);
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
        lines.sentence("", &remark);
    }
    if let Some(remark) = list.remark() {
        lines.sentence("", &remark);
    }
    for warning in &measurement.quality.warnings {
        lines.sentence("! ", &warning.to_string());
    }
    if let Some(change) = &channel.change {
        lines.sentence("- ", &change_remark(change, &measurement.unit));
    }
    for judgement in &channel.limits {
        lines.sentence("- ", &limit_remark(judgement, &measurement.unit));
    }
    evidence(lines, &measurement.evidence);
    lines.line("");
}

/// The table: where one interval does not fit beside its value, all stand below.
fn figures(lines: &mut Lines, list: &ShortList, confidence: f64) {
    let heading = Reading {
        value: "value".into(),
        interval: Some(format!("{} interval", percent(confidence))),
        unit: String::new(),
    };
    let mut rows = vec![(String::new(), heading, None)];
    rows.extend(list.rows.iter().map(|row| {
        let reading = Reading::new(row.figure, &row.unit);
        (row.label.clone(), reading, row.note.clone())
    }));
    let widths = rows
        .iter()
        .map(|(_, reading, _)| columns(reading.interval.as_deref().unwrap_or_default()));
    let beside = lines.fits(FIGURE + widths.max().unwrap_or(0));
    for (label, reading, note) in rows {
        let figure = format!("{label:<20}{:>10} {:<7}", reading.value, reading.unit);
        let interval = reading.interval.unwrap_or_default();
        let mut line = if beside {
            format!("{figure}{interval:<24}")
        } else {
            lines.line(&figure);
            match interval.as_str() {
                "" => String::new(),
                interval => format!("    {interval:<INTERVAL_BELOW$}"),
            }
        };
        if !line.is_empty() && !line.ends_with(' ') {
            line.push(' ');
        }
        match &note {
            Some(note)
                if !line.is_empty() && columns(&format!("{line}{note}")) <= lines.width() =>
            {
                lines.line(&format!("{line}{note}"));
            }
            Some(note) => {
                if !line.is_empty() {
                    lines.line(&line);
                }
                lines.sentence("    ", note);
            }
            None if line.is_empty() => {}
            None => lines.line(&line),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::remarks::{cautions, legend};
    use super::*;
    use crate::report::SHOWN;
    use crate::sample;

    fn shown(columns: Option<usize>) -> String {
        let capture =
            MeasuredCapture::new("bench/looped_1.csv", Ok(vec![sample::measurement().into()]));
        let mut lines = Lines::new(columns);
        measured_capture(&mut lines, &capture, SHOWN);
        legend(&mut lines, 0.95);
        cautions(&mut lines);
        lines.into_text()
    }

    #[test]
    fn a_channel_reads_at_80_columns() {
        let text = shown(None);
        assert!(text.lines().all(|line| columns(line) <= 80), "{text}");
        assert_eq!(text, shown(Some(80)));
        insta::assert_snapshot!("text_channel", text);
    }

    #[test]
    fn a_channel_follows_the_terminal() {
        for width in [40, 53, 62, 120] {
            let text = shown(Some(width));
            assert!(text.lines().all(|line| columns(line) <= width), "{text}");
            // Nothing is lost on the way.
            let words = |text: &str| -> Vec<String> {
                text.split_whitespace().map(str::to_owned).collect()
            };
            assert_eq!(words(&text), words(&shown(None)), "{text}");
        }
        insta::assert_snapshot!("text_channel_narrow", shown(Some(40)));
    }
}
