//! The rows of a report, built once from the results; the formats only dress them.

use super::reading::{Figure, Reading, short};
use crate::analysis::{Harmonic, Measurement};
use crate::comparison::{
    Bounded, ComparedQuantity, Comparison, DecibelRatio, Judgement, LeftOut, Limit, SignalOutlook,
    Verdict,
};
use crate::{Warning, WarningCode};

/// One figure of a measurement.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Row {
    /// Fixed name, as in acceptance limits and column headings.
    pub name: String,
    /// What a reader sees.
    pub label: String,
    /// The figure.
    pub figure: Figure,
    /// Its unit.
    pub unit: String,
    /// Whether a short listing shows it: harmonics that were not detected are left out there.
    pub prominent: bool,
    /// What else is to be said in a word or two.
    pub note: Option<String>,
}

impl Row {
    fn new(
        name: impl Into<String>,
        label: impl Into<String>,
        figure: impl Into<Figure>,
        unit: &str,
    ) -> Self {
        Self {
            name: name.into(),
            label: label.into(),
            figure: figure.into(),
            unit: unit.to_owned(),
            prominent: true,
            note: None,
        }
    }

    fn noted(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }

    fn prominent(mut self, prominent: bool) -> Self {
        self.prominent = prominent;
        self
    }
}

/// Rows of one measurement, in the order in which they are read: offset, mains, noise, tones,
/// waveform, quality.
#[must_use]
pub fn measurement_rows(measurement: &Measurement) -> Vec<Row> {
    let unit = measurement.unit.as_str();
    let mains = &measurement.mains;
    let noise = &measurement.noise;
    let waveform = &measurement.waveform;
    let quality = &measurement.quality;

    let mut rows = vec![Row::new(
        "dc_offset",
        "DC offset",
        measurement.dc_offset,
        unit,
    )];

    let nominal = format!("nominal {}", short(mains.nominal_hz, "Hz", 6));
    let frequency = Row::new(
        "mains_frequency_hz",
        "mains frequency",
        mains.frequency_hz,
        "Hz",
    );
    rows.push(match (mains.detected, mains.frequency_hz) {
        (true, Some(_)) => frequency.noted(nominal),
        (true, None) => frequency.noted(format!("held at {nominal}")),
        (false, _) => frequency.noted(format!("no mains detected, {nominal}")),
    });
    rows.push(Row::new("hum_rms", "hum, RMS", mains.hum_rms, unit));
    rows.push(Row::new(
        "thd_percent",
        "distortion, THD",
        mains.thd_percent.map_or(Figure::Unknown, Figure::Plain),
        "%",
    ));
    rows.extend(mains.harmonics.iter().map(|line| harmonic_row(line, unit)));

    let (low, high) = noise.band_hz;
    let band = format!("{} to {}", short(low, "Hz", 4), short(high, "Hz", 4));
    rows.push(Row::new("noise_rms", "noise in band, RMS", noise.rms, unit).noted(band));
    rows.push(Row::new(
        "noise_density_v_per_rthz",
        "noise density",
        noise.density_v_per_rthz,
        &format!("{unit}/√Hz"),
    ));
    if let Some(corner) = noise.corner_hz {
        rows.push(Row::new(
            "noise_corner_hz",
            "1/f corner",
            Figure::Plain(corner),
            "Hz",
        ));
    }
    for (index, band) in noise.third_octaves.iter().enumerate() {
        let (low, high) = band.band_hz;
        rows.push(
            Row::new(
                format!("third_octave_{}_rms", index + 1),
                format!("noise {} to {}", short(low, "Hz", 3), short(high, "Hz", 3)),
                band.rms,
                unit,
            )
            .prominent(false),
        );
    }
    if let Some(groups) = &measurement.harmonic_groups {
        for group in &groups.orders {
            let order = group.order;
            for (name, label, value) in [
                ("group", "group", group.group_rms),
                ("subgroup", "subgroup", group.subgroup_rms),
                (
                    "interharmonic_group",
                    "interharmonic group",
                    group.interharmonic_group_rms,
                ),
            ] {
                rows.push(
                    Row::new(
                        format!("{name}_{order}_rms"),
                        format!("{label} {order}, RMS"),
                        Figure::Plain(value),
                        unit,
                    )
                    .prominent(false),
                );
            }
        }
    }
    for (index, tone) in measurement.tones.iter().enumerate() {
        let number = index + 1;
        let frequency = Row::new(
            format!("tone_{number}_frequency_hz"),
            format!("tone {number}, frequency"),
            tone.frequency_hz,
            "Hz",
        );
        rows.push(match &tone.relation {
            Some(relation) => frequency.noted(relation.clone()),
            None => frequency,
        });
        rows.push(Row::new(
            format!("tone_{number}_rms"),
            format!("tone {number}, RMS"),
            tone.rms,
            unit,
        ));
    }
    for (name, label, value) in [
        ("rms", "whole record, RMS", waveform.rms),
        ("ac_rms", "AC, RMS", waveform.ac_rms),
        ("peak_to_peak", "peak to peak", waveform.peak_to_peak),
        ("min", "smallest sample", waveform.min),
        ("max", "largest sample", waveform.max),
    ] {
        rows.push(Row::new(name, label, Figure::Plain(value), unit));
    }
    rows.push(Row::new(
        "crest_factor",
        "crest factor",
        Figure::Plain(waveform.crest_factor),
        "",
    ));
    rows.push(Row::new(
        "lsb",
        "converter step",
        quality.lsb.map_or(Figure::Unknown, Figure::Plain),
        unit,
    ));
    rows.push(
        Row::new(
            "clipped_samples",
            "samples at the limit",
            Figure::Count(quality.clipped_samples),
            "",
        )
        .prominent(quality.clipped_samples > 0),
    );
    rows.push(
        Row::new(
            "missing_samples",
            "samples missing",
            Figure::Count(quality.missing_samples),
            "",
        )
        .prominent(quality.missing_samples > 0),
    );
    rows
}

fn harmonic_row(harmonic: &Harmonic, unit: &str) -> Row {
    let row = Row::new(
        format!("harmonic_{}_rms", harmonic.order),
        match harmonic.order {
            1 => "  fundamental, RMS".to_owned(),
            order => format!("  order {order}, RMS"),
        },
        harmonic.rms,
        unit,
    )
    .prominent(harmonic.detected);
    match harmonic.phase_deg {
        Some(phase) => row.noted(format!("{:.1}°", phase.value)),
        None => row,
    }
}

/// One figure of a comparison under its conditions.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ComparedRow {
    /// Fixed name.
    pub name: String,
    /// What a reader sees.
    pub label: String,
    /// Unit of the readings and excesses.
    pub unit: String,
    /// Reading with the probe shorted.
    pub baseline: Figure,
    /// Reading with the loop closed.
    pub looped: Figure,
    /// Reading with the loop broken.
    pub isolated: Figure,
    /// What the loop adds.
    pub loop_excess: Figure,
    /// What is left of it.
    pub residual_excess: Figure,
    /// Looped to isolated, dB.
    pub improvement_db: Option<DecibelRatio>,
    /// Loop excess to residual excess, dB.
    pub excess_reduction_db: Option<DecibelRatio>,
    /// What can be said.
    pub verdict: Verdict,
    /// Whether a short listing shows it.
    pub prominent: bool,
    /// The sentence for a test report.
    pub sentence: String,
}

/// Rows of a comparison, in the order of its quantities; of the harmonics the `show` that are largest with
/// the loop closed are prominent.
#[must_use]
pub fn comparison_rows(comparison: &Comparison, show: usize) -> Vec<ComparedRow> {
    let harmonic = |quantity: &&ComparedQuantity| quantity.name.starts_with("harmonic_");
    let mut harmonics: Vec<&ComparedQuantity> =
        comparison.quantities.iter().filter(harmonic).collect();
    // The sort keeps the order of equal ones: the lower order comes first.
    harmonics.sort_by(|a, b| harmonic_looped(b).total_cmp(&harmonic_looped(a)));
    harmonics.truncate(show);
    comparison
        .quantities
        .iter()
        .map(|quantity| {
            let shown = harmonics.iter().any(|other| other.name == quantity.name);
            compared_row(quantity, shown || !harmonic(&quantity))
        })
        .collect()
}

/// Warnings to be said before anything else, and the others.
pub(super) fn comparison_warnings(comparison: &Comparison) -> (Vec<&Warning>, Vec<&Warning>) {
    comparison
        .warnings
        .iter()
        .partition(|warning| warning.code == WarningCode::ConditionsSwapped)
}

/// Whether a line's sentence is worth a reader's time: something became of it.
pub(super) fn told(row: &ComparedRow) -> bool {
    row.prominent && row.verdict != Verdict::Unresolved
}

/// Rows of the lines that are no order, the strongest first; a short listing shows so many.
#[must_use]
pub fn line_rows(comparison: &Comparison, show: usize) -> Vec<ComparedRow> {
    comparison
        .lines
        .iter()
        .enumerate()
        .map(|(index, line)| {
            let place = short(line.frequency_hz.value, "Hz", 5);
            let mut row = compared_row(&line.quantity, index < show);
            row.name = format!("line_{}_rms", index + 1);
            row.label = format!("{place}, line RMS");
            let label = format!("line at {place}");
            row.sentence = if line.is_new() {
                let reading = Reading::new(row.isolated, &row.unit);
                format!(
                    "{label} is new with the remedy: {}.",
                    reading.value_with_unit()
                )
            } else {
                named(&line.quantity.sentence(), &line.quantity.name, &label)
            };
            row
        })
        .collect()
}

/// What a harmonic reads with the loop closed (without such captures: with the loop broken).
fn harmonic_looped(quantity: &ComparedQuantity) -> f64 {
    let reading = quantity.looped.or(quantity.isolated);
    reading.map_or(f64::NEG_INFINITY, |reading| reading.value)
}

fn compared_row(quantity: &ComparedQuantity, prominent: bool) -> ComparedRow {
    let label = quantity_label(&quantity.name);
    ComparedRow {
        name: quantity.name.clone(),
        unit: quantity.unit.clone(),
        baseline: quantity.baseline.into(),
        looped: quantity.looped.into(),
        isolated: quantity.isolated.into(),
        loop_excess: quantity.loop_excess.into(),
        residual_excess: quantity.residual_excess.into(),
        improvement_db: quantity.claimed(quantity.improvement_db),
        excess_reduction_db: quantity.claimed(quantity.excess_reduction_db),
        verdict: quantity.verdict,
        prominent,
        sentence: named(&quantity.sentence(), &quantity.name, &label),
        label,
    }
}

/// The sentence with the figure's label in place of its fixed name.
fn named(sentence: &str, name: &str, label: &str) -> String {
    match sentence.strip_prefix(name) {
        Some(rest) => format!("{}{rest}", label.replace(", RMS", " RMS")),
        None => sentence.to_owned(),
    }
}

/// What is to be said beside the table of a comparison: limits, the wanted signal, what was left out,
/// what the intervals cover.
#[must_use]
pub fn comparison_remarks(comparison: &Comparison) -> Vec<String> {
    let unit = |name: &str| {
        comparison
            .quantity(name)
            .map_or("", |quantity| quantity.unit.as_str())
    };
    let mut remarks: Vec<String> = comparison
        .limits
        .iter()
        .map(|judgement| limit_remark(judgement, unit(&judgement.quantity)))
        .collect();
    if let Some(signal) = &comparison.signal {
        remarks.extend(signal_remarks(signal, unit("hum_rms")));
    }
    remarks.extend(left_out_remarks(&comparison.left_out));
    remarks.extend(comparison.notes.iter().cloned());
    remarks
}

/// One sentence a capture and reason, with every quantity that it is left out of.
fn left_out_remarks(left_out: &[LeftOut]) -> impl Iterator<Item = String> {
    left_out
        .chunk_by(|a, b| (&a.file, &a.channel, &a.why) == (&b.file, &b.channel, &b.why))
        .filter_map(|entries| {
            let first = entries.first()?;
            let quantities: Vec<&str> = entries.iter().map(|e| e.quantity.as_str()).collect();
            Some(format!(
                "Left out of {}: {}, channel {} ({}): {}.",
                quantities.join(", "),
                first.file,
                first.channel,
                first.condition,
                first.why
            ))
        })
}

/// Holds a limit on a reading against the row of its name.
#[must_use]
pub fn judge(limit: &Limit, rows: &[Row]) -> Judgement {
    let figure = rows
        .iter()
        .find(|row| row.name == limit.quantity)
        .map(|row| row.figure);
    limit.judge_interval(figure.and_then(|figure| match figure.interval() {
        Some((low, high)) => Some((low?, high?)),
        None => figure.value().map(|value| (value, value)),
    }))
}

/// A limit and what became of it in one sentence.
#[must_use]
pub fn limit_remark(judgement: &Judgement, unit: &str) -> String {
    let (what, unit) = match judgement.bounded {
        Bounded::Reading => ("upper bound", unit),
        Bounded::Improvement => ("lower bound of the improvement", "dB"),
        Bounded::ExcessReduction => ("lower bound of the excess reduction", "dB"),
    };
    let condition = judgement
        .condition
        .map_or_else(String::new, |condition| format!(", {condition}"));
    let bound = judgement
        .bound
        .map_or_else(|| "not known".to_owned(), |bound| short(bound, unit, 4));
    format!(
        "Limit {} of {}{condition}: {}; {what} {bound}.",
        short(judgement.limit, unit, 6),
        judgement.quantity,
        judgement.outcome
    )
}

fn signal_remarks(signal: &SignalOutlook, unit: &str) -> Vec<String> {
    let percent = |x: Option<f64>| {
        x.map_or_else(
            || "not known".to_owned(),
            |x| format!("{} %", short(x, "", 3)),
        )
    };
    [("looped", signal.looped), ("isolated", signal.isolated)]
        .into_iter()
        .filter_map(|(condition, errors)| {
            let errors = errors?;
            let ratio = errors
                .signal_to_noise_db
                .map_or_else(|| "not known".to_owned(), |db| format!("{db:.1} dB"));
            let smallest = errors.smallest_readable_v.map_or_else(String::new, |volts| {
                format!(
                    "; to {} % nothing below {} can be read",
                    short(signal.accuracy_percent, "", 3),
                    short(volts, unit, 3)
                )
            });
            Some(format!(
                "A signal of {} amplitude, {condition}: offset {}, hum {}, noise {} of it; signal to \
                 noise {ratio}{smallest}.",
                short(signal.amplitude_v, unit, 4),
                percent(errors.offset_percent),
                percent(errors.hum_percent),
                percent(errors.noise_percent)
            ))
        })
        .collect()
}

/// The words for a fixed quantity name.
#[must_use]
pub fn quantity_label(name: &str) -> String {
    match name {
        "dc_offset" => "DC offset".into(),
        "hum_rms" => "hum, RMS".into(),
        "noise_rms" => "noise in band, RMS".into(),
        "ac_rms" => "AC, RMS".into(),
        "peak_to_peak" => "peak to peak".into(),
        "harmonic_1_rms" => "fundamental, RMS".into(),
        other => match other
            .strip_prefix("harmonic_")
            .and_then(|rest| rest.strip_suffix("_rms"))
        {
            Some(order) => format!("order {order}, RMS"),
            None => other.replace('_', " "),
        },
    }
}
