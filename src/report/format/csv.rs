//! One row a channel (or a quantity), for a spreadsheet: full precision, an unknown is empty.

use crate::Warning;
use crate::comparison::{Change, Comparison, DecibelRatio, Judgement};
use crate::printable::text_cell;
use crate::quantity::{Figure, Quantity};
use crate::report::measured::{MeasuredCapture, MeasuredChannel};
use crate::report::rows::{comparison_rows, line_rows};
use std::io::{self, Write};

const TONES: usize = 5;

/// Quantities that have columns, and whether these are three: with the interval.
const COLUMNS: [(Quantity, bool); 16] = [
    (Quantity::DcOffset, true),
    (Quantity::MainsFrequency, true),
    (Quantity::HumRms, true),
    (Quantity::Thd, false),
    (Quantity::NoiseRms, true),
    (Quantity::NoiseDensity, true),
    (Quantity::NoiseCorner, false),
    (Quantity::Rms, false),
    (Quantity::AcRms, false),
    (Quantity::PeakToPeak, false),
    (Quantity::Min, false),
    (Quantity::Max, false),
    (Quantity::CrestFactor, false),
    (Quantity::Lsb, false),
    (Quantity::ClippedSamples, false),
    (Quantity::MissingSamples, false),
];

fn figure_columns(harmonics: usize) -> impl Iterator<Item = (Quantity, bool)> {
    let tones =
        (1..=TONES).flat_map(|tone| [Quantity::ToneFrequency(tone), Quantity::ToneRms(tone)]);
    let numbered = tones.chain((1..=harmonics).map(Quantity::Harmonic));
    COLUMNS
        .into_iter()
        .chain(numbered.map(|quantity| (quantity, true)))
}

const LEADING: [&str; 13] = [
    "file",
    "channel",
    "unit",
    "sample_rate_hz",
    "samples",
    "duration_s",
    "start_s",
    "confidence",
    "mains_nominal_hz",
    "mains_detected",
    "noise_band_low_hz",
    "noise_band_high_hz",
    "tones",
];
const TRAILING: [&str; 4] = ["warnings", "limits", "error_kind", "error_message"];

pub(super) fn measurement_header(
    out: &mut impl Write,
    harmonics: usize,
    against: bool,
) -> io::Result<()> {
    let mut cells: Vec<String> = LEADING.map(String::from).to_vec();
    for (quantity, interval) in figure_columns(harmonics) {
        let name = quantity.name();
        if interval {
            cells.extend(["", "_low", "_high"].map(|end| format!("{name}{end}")));
        } else {
            cells.push(name.into_owned());
        }
    }
    cells.extend(TRAILING.map(String::from));
    if against {
        cells.extend(["against_file", "against_channel"].map(String::from));
        for quantity in Change::QUANTITIES {
            let name = quantity.name();
            cells.extend(["", "_low", "_high"].map(|end| format!("{name}_change_db{end}")));
        }
    }
    record(out, &cells)
}

pub(super) fn measured_capture(
    out: &mut impl Write,
    capture: &MeasuredCapture,
    harmonics: usize,
    against: bool,
) -> io::Result<()> {
    match &capture.outcome {
        Ok(channels) => channels.iter().try_for_each(|channel| {
            let mut cells = measurement_cells(channel, harmonics);
            if against {
                cells.extend(change_cells(channel.change.as_ref()));
            }
            record(out, &cells)
        }),
        Err(error) => {
            let columns = figure_columns(harmonics);
            let figures: usize = columns
                .map(|(_, interval)| if interval { 3 } else { 1 })
                .sum();
            let mut cells = vec![String::new(); LEADING.len() + figures + TRAILING.len()];
            cells[0] = text_cell(&capture.file).into_owned();
            let last = cells.len() - 1;
            cells[last - 1] = error.kind().to_string();
            cells[last] = text_cell(&error.message_with_position()).into_owned();
            if against {
                cells.extend(change_cells(None));
            }
            record(out, &cells)
        }
    }
}

/// File, channel and the ratios of the figures.
fn change_cells(change: Option<&Change>) -> Vec<String> {
    let name = |text: fn(&Change) -> &String| {
        change.map_or_else(String::new, |c| text_cell(text(c)).into_owned())
    };
    let mut cells = vec![name(|c| &c.file), name(|c| &c.channel)];
    for quantity in Change::QUANTITIES {
        cells.extend(ratio_cells(change.and_then(|c| c.ratio(quantity))));
    }
    cells
}

fn measurement_cells(channel: &MeasuredChannel, harmonics: usize) -> Vec<String> {
    let measurement = &channel.measurement;
    let mut cells = vec![
        text_cell(&measurement.file).into_owned(),
        text_cell(&measurement.channel).into_owned(),
        text_cell(&measurement.unit).into_owned(),
        number(measurement.sample_rate_hz),
        measurement.samples.to_string(),
        number(measurement.duration_s),
        measurement.start_s.map(number).unwrap_or_default(),
        number(measurement.confidence),
        number(measurement.mains.nominal_hz),
        measurement.mains.detected.to_string(),
        number(measurement.noise.band_hz.0),
        number(measurement.noise.band_hz.1),
        measurement.tones.len().to_string(),
    ];
    for (quantity, interval) in figure_columns(harmonics) {
        let figure = quantity.of(measurement);
        if interval {
            cells.extend(figure_cells(figure));
        } else {
            cells.push(match figure {
                Figure::Count(count) => count.to_string(),
                other => other.value().map(number).unwrap_or_default(),
            });
        }
    }
    cells.push(codes(&measurement.quality.warnings));
    cells.push(judgements(&channel.limits));
    cells.extend([String::new(), String::new()]);
    cells
}

pub(super) fn comparison(out: &mut impl Write, comparison: &Comparison) -> io::Result<()> {
    const FIGURES: [&str; 5] = [
        "baseline",
        "looped",
        "isolated",
        "loop_excess",
        "residual_excess",
    ];
    const RATIOS: [&str; 2] = ["improvement_db", "excess_reduction_db"];
    let mut header = vec!["name".to_owned(), "unit".to_owned()];
    for name in FIGURES.iter().chain(&RATIOS) {
        header.extend(["", "_low", "_high"].map(|end| format!("{name}{end}")));
    }
    header.extend(["verdict", "limits"].map(String::from));
    record(out, &header)?;

    let rows = comparison_rows(comparison, 0).into_iter();
    rows.chain(line_rows(comparison, 0)).try_for_each(|row| {
        let limits: Vec<String> = comparison
            .limits
            .iter()
            .filter(|judgement| judgement.quantity == row.compared.name)
            .map(|judgement| judgement.outcome.to_string())
            .collect();
        let figures = row.figures();
        let mut cells = vec![row.name, text_cell(&row.compared.unit).into_owned()];
        for figure in figures {
            cells.extend(figure_cells(figure));
        }
        cells.extend(ratio_cells(row.compared.improvement_db));
        cells.extend(ratio_cells(row.compared.excess_reduction_db));
        cells.push(row.compared.verdict.to_string());
        cells.push(limits.join("; "));
        record(out, &cells)
    })
}

fn figure_cells(figure: Figure) -> [String; 3] {
    let (low, high) = figure.interval().unwrap_or_default();
    [figure.value(), low, high].map(|x| x.map(number).unwrap_or_default())
}

fn ratio_cells(ratio: Option<DecibelRatio>) -> [String; 3] {
    let [value, low, high] = match ratio {
        Some(ratio) => [Some(ratio.value), Some(ratio.low), ratio.high],
        None => [None; 3],
    };
    [value, low, high].map(|x| x.map(number).unwrap_or_default())
}

fn codes(warnings: &[Warning]) -> String {
    let codes: Vec<String> = warnings.iter().map(|w| w.code.to_string()).collect();
    codes.join(" ")
}

fn judgements(limits: &[Judgement]) -> String {
    let words: Vec<String> = limits
        .iter()
        .map(|judgement| format!("{} {}", judgement.quantity, judgement.outcome))
        .collect();
    words.join("; ")
}

fn number(x: f64) -> String {
    if x.is_finite() {
        format!("{x:?}")
    } else {
        String::new()
    }
}

fn record(out: &mut impl Write, cells: &[String]) -> io::Result<()> {
    let mut writer = csv::WriterBuilder::new()
        .has_headers(false)
        .from_writer(Vec::new());
    writer.write_record(cells).map_err(io::Error::from)?;
    // Not through the writer of the table: its errors do not tell a closed pipe.
    let row = writer
        .into_inner()
        .map_err(|e| io::Error::other(e.to_string()))?;
    out.write_all(&row)
}
