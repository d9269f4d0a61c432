//! What a comparison found.

use super::remarks::{cautions, evidence, legend, tied};
use crate::Condition;
use crate::comparison::Comparison;
use crate::quantity::Quantity;
use crate::report::rows::{
    ComparedRow, Reading, comparison_remarks, comparison_rows, comparison_warnings, line_rows,
    short_interval, told,
};
use crate::si;
use crate::wrap::{Lines, columns};

/// Labels, a blank after them: three readings of 17 beside it leave 15 for the widest common change,
/// as in `-25.5..-24.1 dB`.
const LABEL: usize = 13;

pub fn comparison(lines: &mut Lines, comparison: &Comparison, show: usize) {
    let (first, later) = comparison_warnings(comparison);
    for warning in first {
        lines.sentence("! ", &warning.to_string());
    }
    lines.sentence("", &heading(comparison));
    lines.line("");
    let rows = comparison_rows(comparison, show);
    let tones = line_rows(comparison, show);
    let harmonic = |row: &&ComparedRow| matches!(row.compared.name, Quantity::Harmonic(_));
    let headline = rows.iter().filter(|row| !harmonic(row));
    let figures: Vec<&ComparedRow> = headline
        .clone()
        .chain(rows.iter().filter(harmonic))
        .collect();
    table(
        lines,
        comparison,
        &figures,
        &tones.iter().collect::<Vec<_>>(),
    );
    lines.line("");
    for row in headline.chain(tones.iter().filter(|row| told(row))) {
        lines.sentence("- ", &row.sentence);
    }
    for remark in comparison_remarks(comparison) {
        lines.sentence("- ", &remark);
    }
    for warning in later {
        lines.sentence("! ", &warning.to_string());
    }
    evidence(lines, &comparison.evidence);
    lines.line("");
    legend(lines, comparison.confidence);
    lines.sentence(
        "",
        "Changes are ratios of the readings in dB, at the same confidence; the lower end is what can \
         be claimed.",
    );
    if !comparison.evidence.is_empty() {
        cautions(lines);
    }
}

fn heading(comparison: &Comparison) -> String {
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

/// Figures, then lines that are no order; below each what is left out of it.
fn table(
    lines: &mut Lines,
    comparison: &Comparison,
    figures: &[&ComparedRow],
    tones: &[&ComparedRow],
) {
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
    let shown = figures.iter().chain(tones).filter(|row| row.prominent);
    let table_fits = shown
        .flat_map(|row| beside(row, &conditions))
        .all(|row| lines.fits(columns(&row)));
    if table_fits {
        let mut line = format!("{:<LABEL$} ", "");
        for condition in &conditions {
            line.push_str(&format!("{condition:<17}"));
        }
        line.push_str(change);
        lines.line(&line);
    }
    for (rows, left_out) in [
        (figures, "Smaller harmonics left out here"),
        (tones, "Weaker lines that are no order left out here"),
    ] {
        for row in rows.iter().filter(|row| row.prominent) {
            if table_fits {
                beside(row, &conditions)
                    .iter()
                    .for_each(|row| lines.line(row));
            } else {
                stack(lines, row, &conditions, change);
            }
        }
        let hidden = rows.iter().filter(|row| !row.prominent).count();
        if hidden > 0 {
            lines.sentence("", &format!("{left_out}: {hidden}; --show N shows more."));
        }
    }
}

/// The conditions beside each other: values and verdict, below them intervals and change.
fn beside(row: &ComparedRow, conditions: &[Condition]) -> [String; 2] {
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
    [first, second]
}

/// The conditions below each other.
fn stack(lines: &mut Lines, row: &ComparedRow, conditions: &[Condition], change: &str) {
    let compared = &row.compared;
    lines.sentence("", &format!("{}: {}", row.label, compared.verdict));
    for condition in conditions {
        let reading = Reading::new(compared.reading(*condition).copied().into(), &compared.unit);
        let interval = reading.interval.as_deref().unwrap_or_default();
        lines.row(&[
            format!("  {condition:<9}{:<12}", reading.value_with_unit()),
            interval.replace(" to ", ".."),
        ]);
    }
    let interval = short_interval(compared.improvement_db);
    if !interval.is_empty() {
        lines.line(&format!("  {change:<8} {interval}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::{ComparedLine, ComparedQuantity, DecibelRatio, Verdict};
    use crate::report::SHOWN;
    use crate::sample;

    fn shown(compared: &Comparison, columns: Option<usize>) -> String {
        let mut lines = Lines::new(columns);
        comparison(&mut lines, compared, SHOWN);
        lines.into_text()
    }

    #[test]
    fn a_comparison_reads_at_80_columns() {
        let text = shown(&sample::comparison(), None);
        assert!(text.lines().all(|line| columns(line) <= 80), "{text}");
        assert_eq!(text, shown(&sample::comparison(), Some(80)));
        insta::assert_snapshot!("text_comparison", text);
    }

    #[test]
    fn a_comparison_follows_the_terminal() {
        let compared = sample::comparison();
        for width in [40, 53, 79, 80, 120] {
            let text = shown(&compared, Some(width));
            assert!(text.lines().all(|line| columns(line) <= width), "{text}");
            for words in ["3.1022..3.1048", "at_floor", "48.1..50.0 dB", "≥ 61.2 dB"] {
                assert!(text.contains(words), "{words}: {text}");
            }
        }
        insta::assert_snapshot!("text_comparison_narrow", shown(&compared, Some(40)));
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
        let text = shown(&compared, Some(80));
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
}
