//! Stretches of one channel, one after the other.

use super::remarks::heading;
use crate::comparison::Change;
use crate::quantity::Figure;
use crate::report::measured::MeasuredChannel;
use crate::report::rows::{Reading, limit_remark, short_interval};
use crate::si;
use crate::wrap::{Lines, columns};

pub fn log(lines: &mut Lines, stretches: &[MeasuredChannel]) {
    let Some(first) = stretches.first() else {
        return;
    };
    let against = first.change.as_ref();
    let first = &first.measurement;
    let record = format!(
        "{} stretches of {} at {}",
        stretches.len(),
        si::short(first.duration_s, "s", 4),
        si::short(first.sample_rate_hz, "Hz", 7)
    );
    heading(lines, first, &record);
    let tables: Vec<Vec<String>> = stretches.iter().map(table).collect();
    let table_fits = tables.iter().flatten().all(|row| lines.fits(columns(row)));
    if table_fits {
        lines.line(&row(
            "start",
            ["hum, RMS", "noise in band, RMS", "DC offset"],
        ));
    }
    for (channel, table) in stretches.iter().zip(&tables) {
        if table_fits {
            table.iter().for_each(|row| lines.line(row));
        } else {
            stack(lines, channel);
        }
        let unit = &channel.measurement.unit;
        for judgement in channel.limits.iter().filter(|limit| !limit.passed()) {
            let lead = if table_fits { "            " } else { "  " };
            lines.sentence(lead, &limit_remark(judgement, unit));
        }
    }
    if let Some(change) = against {
        let words = format!(
            "change: against {}, channel {}; above 0 dB is more than there",
            change.file, change.channel
        );
        lines.sentence("- ", &words);
    }
    let mut told = Vec::new();
    let warnings = stretches
        .iter()
        .flat_map(|c| &c.measurement.quality.warnings);
    for warning in warnings {
        if !told.contains(&warning) {
            lines.sentence("! ", &warning.to_string());
            told.push(warning);
        }
    }
    lines.line("");
}

fn row(start: &str, [hum, noise, offset]: [&str; 3]) -> String {
    format!("{start:>10}  {hum:<23}{noise:<23}{offset}")
}

/// Hum, noise and offset.
fn readings(channel: &MeasuredChannel) -> [Reading; 3] {
    let measurement = &channel.measurement;
    let figures = [
        Figure::from(measurement.mains.hum_rms),
        measurement.noise.rms.into(),
        measurement.dc_offset.into(),
    ];
    figures.map(|figure| Reading::new(figure, &measurement.unit))
}

/// Their changes, where there is something to compare with.
fn changes(channel: &MeasuredChannel) -> Option<[String; 3]> {
    channel.change.as_ref().map(|change| {
        let [offset, hum, noise] = Change::QUANTITIES.map(|q| short_interval(change.ratio(q)));
        [hum, noise, offset]
    })
}

fn start(channel: &MeasuredChannel) -> String {
    si::short(channel.measurement.start_s.unwrap_or(0.0), "s", 6)
}

/// Rows of one stretch: values, intervals, and changes where there are any.
fn table(channel: &MeasuredChannel) -> Vec<String> {
    let readings = readings(channel);
    let values = readings.each_ref().map(Reading::value_with_unit);
    let intervals = readings.map(|reading| reading.interval.unwrap_or_default());
    let mut rows = vec![
        row(&start(channel), values.each_ref().map(String::as_str)),
        row("", intervals.each_ref().map(String::as_str)),
    ];
    if let Some(changes) = changes(channel) {
        rows.push(row("change", changes.each_ref().map(String::as_str)));
    }
    rows
}

/// The same, a figure to a row.
fn stack(lines: &mut Lines, channel: &MeasuredChannel) {
    lines.line(&format!("from {}", start(channel)));
    let changes = changes(channel).unwrap_or_default();
    let labels = ["hum, RMS", "noise, RMS", "DC offset"];
    for ((label, reading), change) in labels.into_iter().zip(readings(channel)).zip(changes) {
        let interval = reading.interval.as_deref().unwrap_or_default();
        let mut cells = vec![
            format!("  {label:<11}{:<10} ", reading.value_with_unit()),
            format!("{:<17}", interval.replace(" to ", "..")),
        ];
        if !change.is_empty() {
            cells.push(format!("change {change}"));
        }
        lines.row(&cells);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::Judgement;
    use crate::limit::Limit;
    use crate::sample;

    fn shown(columns: Option<usize>) -> String {
        let limit: Limit = "hum_rms=1m".parse().unwrap();
        let stretches = [0.0, 60.0, 120.0].map(|start| {
            let mut stretch = sample::measurement();
            stretch.start_s = Some(start);
            stretch.duration_s = 60.0;
            stretch.into()
        });
        let judged = |mut channel: MeasuredChannel| -> MeasuredChannel {
            let found: Judgement = limit.judge_measurement(&channel.measurement);
            channel.limits = vec![found];
            channel
        };
        let stretches = match columns {
            None => stretches,
            Some(_) => stretches.map(judged),
        };
        let mut lines = Lines::new(columns);
        log(&mut lines, &stretches);
        lines.into_text()
    }

    #[test]
    fn a_log_has_one_table() {
        let text = shown(None);
        assert!(text.lines().all(|line| columns(line) <= 80), "{text}");
        assert_eq!(text.matches("start").count(), 1);
        insta::assert_snapshot!("text_log", text);
        assert_eq!(shown(Some(80)).matches("start").count(), 1);
    }

    #[test]
    fn a_log_follows_the_terminal() {
        for width in [40, 53, 70, 80, 120] {
            let text = shown(Some(width));
            assert!(text.lines().all(|line| columns(line) <= width), "{text}");
            assert_eq!(text.matches("3.1035 mV").count(), 3, "{text}");
        }
        insta::assert_snapshot!("text_log_narrow", shown(Some(40)));
    }
}
