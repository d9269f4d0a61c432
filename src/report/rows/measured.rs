//! The rows of a measurement, built once; the formats only dress them.

use crate::analysis::Measurement;
use crate::quantity::{Figure, Quantity};
use crate::si;

/// One figure of a measurement.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Row {
    /// What it is, by the fixed name of limits and column headings.
    pub quantity: Quantity,
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

/// Rows of one measurement, in the order in which they are read: offset, mains, noise, tones,
/// waveform, quality.
#[must_use]
pub fn measurement_rows(measurement: &Measurement) -> Vec<Row> {
    let row = |quantity: Quantity| Row {
        quantity,
        label: label(quantity, measurement),
        figure: quantity.of(measurement),
        unit: quantity.unit(&measurement.unit),
        prominent: prominent(quantity, measurement),
        note: note(quantity, measurement),
    };
    Quantity::measured(measurement)
        .into_iter()
        .map(row)
        .collect()
}

/// Harmonics are set in below the hum; a band of the noise is told by its edges.
fn label(quantity: Quantity, measurement: &Measurement) -> String {
    let bands = &measurement.noise.third_octaves;
    match quantity {
        Quantity::Harmonic(_) => format!("  {}", quantity.label()),
        Quantity::ThirdOctave(number) => match bands.get(number.wrapping_sub(1)) {
            Some(band) => format!("noise {}", span(band.band_hz, 3)),
            None => quantity.label().into_owned(),
        },
        _ => quantity.label().into_owned(),
    }
}

fn prominent(quantity: Quantity, measurement: &Measurement) -> bool {
    match quantity {
        Quantity::Harmonic(order) => {
            let mut harmonics = measurement.mains.harmonics.iter();
            harmonics.any(|line| line.order == order && line.detected)
        }
        Quantity::ThirdOctave(_)
        | Quantity::Group(_)
        | Quantity::Subgroup(_)
        | Quantity::InterharmonicGroup(_) => false,
        Quantity::ClippedSamples => measurement.quality.clipped_samples > 0,
        Quantity::MissingSamples => measurement.quality.missing_samples > 0,
        _ => true,
    }
}

fn note(quantity: Quantity, measurement: &Measurement) -> Option<String> {
    let mains = &measurement.mains;
    match quantity {
        Quantity::MainsFrequency => {
            let nominal = format!("nominal {}", si::short(mains.nominal_hz, "Hz", 6));
            Some(match (mains.detected, mains.frequency_hz) {
                (true, Some(_)) => nominal,
                (true, None) => format!("held at {nominal}"),
                (false, _) => format!("no mains detected, {nominal}"),
            })
        }
        Quantity::Harmonic(order) => {
            let mut harmonics = mains.harmonics.iter();
            let phase = harmonics.find(|line| line.order == order)?.phase_deg?;
            Some(format!("{:.1}°", phase.value))
        }
        Quantity::NoiseRms => Some(span(measurement.noise.band_hz, 4)),
        Quantity::ToneFrequency(number) => {
            let tone = measurement.tones.get(number.wrapping_sub(1))?;
            tone.relation.clone()
        }
        _ => None,
    }
}

fn span((low, high): (f64, f64), digits: usize) -> String {
    format!(
        "{} to {}",
        si::short(low, "Hz", digits),
        si::short(high, "Hz", digits)
    )
}
