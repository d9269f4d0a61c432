//! The rows of a report, built once from the results; the formats only dress them.

use super::reading::{Figure, short};
use crate::analysis::{Harmonic, Measurement};
use crate::comparison::{ComparedQuantity, Comparison, DecibelRatio, Verdict};

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
        ("ac_rms", "about its mean, RMS", waveform.ac_rms),
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

/// Rows of a comparison, in the order of its quantities.
#[must_use]
pub fn comparison_rows(comparison: &Comparison) -> Vec<ComparedRow> {
    comparison
        .quantities
        .iter()
        .map(|quantity| compared_row(quantity, comparison.captures.isolated > 0))
        .collect()
}

fn compared_row(quantity: &ComparedQuantity, with_isolated: bool) -> ComparedRow {
    let label = quantity_label(&quantity.name);
    let harmonic = quantity.name.starts_with("harmonic_");
    let resolved = [quantity.looped, quantity.isolated]
        .into_iter()
        .flatten()
        .any(|reading| reading.low > 0.0);
    ComparedRow {
        name: quantity.name.clone(),
        unit: quantity.unit.clone(),
        baseline: quantity.baseline.into(),
        looped: quantity.looped.into(),
        isolated: quantity.isolated.into(),
        loop_excess: quantity.loop_excess.into(),
        residual_excess: quantity.residual_excess.into(),
        improvement_db: quantity.improvement_db,
        excess_reduction_db: quantity.excess_reduction_db,
        verdict: quantity.verdict,
        prominent: !harmonic || (resolved && quantity.verdict != Verdict::Unresolved),
        sentence: sentence(&label, quantity, with_isolated),
        label,
    }
}

/// The words for a fixed quantity name.
#[must_use]
pub fn quantity_label(name: &str) -> String {
    match name {
        "dc_offset" => "DC offset".into(),
        "hum_rms" => "hum, RMS".into(),
        "noise_rms" => "noise in band, RMS".into(),
        "ac_rms" => "about its mean, RMS".into(),
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

fn sentence(label: &str, quantity: &ComparedQuantity, with_isolated: bool) -> String {
    let step = if with_isolated {
        "from looped to isolated"
    } else {
        "from looped to baseline"
    };
    let Some(ratio) = quantity.improvement_db else {
        return format!("{label}: nothing can be said of its change.");
    };
    let range = match ratio.high {
        Some(high) => format!("{:.1} dB ({:.1} to {high:.1} dB)", ratio.value, ratio.low),
        None => format!("at least {:.1} dB", ratio.low),
    };
    match quantity.verdict {
        Verdict::Improved => {
            let interference = match quantity.excess_reduction_db {
                Some(DecibelRatio {
                    value,
                    low,
                    high: Some(high),
                }) => {
                    format!("; the interference itself by {value:.1} dB ({low:.1} to {high:.1} dB)")
                }
                Some(DecibelRatio { low, .. }) => {
                    format!("; the interference itself by at least {low:.1} dB")
                }
                None => String::new(),
            };
            format!("{label}: lower by {range} {step}{interference}.")
        }
        Verdict::AtFloor => {
            let claim = quantity
                .excess_reduction_db
                .map_or(ratio.low, |reduction| reduction.low);
            format!(
                "{label}: lower by {range} {step}; what is left cannot be told from the \
                 instrument's floor, so at least {claim:.1} dB less interference is the claim."
            )
        }
        Verdict::Worse => format!(
            "{label}: higher {step}, by {:.1} dB ({} to {:.1} dB).",
            -ratio.value,
            ratio
                .high
                .map_or_else(|| "unknown".into(), |high| format!("{:.1}", -high)),
            -ratio.low
        ),
        Verdict::Unresolved => {
            format!("{label}: no change shown {step}; the interval of the ratio holds 0 dB.")
        }
    }
}
