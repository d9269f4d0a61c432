//! What all captures of a comparison have in common: band, harmonics, nominal mains.

use crate::analysis::{MainsChoice, MeasureOptions, Measurement};

/// Band, harmonics and nominal mains frequency that every capture supports.
///
/// Captures are measured once on their own; where they do not agree, they are measured again with
/// [`CommonGround::apply`] before they are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct CommonGround {
    /// Band that every noise figure can have, lower and upper edge, Hz; `None` where the bands do not overlap.
    pub band_hz: Option<(f64, f64)>,
    /// Highest harmonic order that every capture with harmonics has; 0 where none has any.
    pub harmonics: usize,
    /// Nominal mains frequency, Hz: that of the capture with the strongest detected series, without one that of most.
    pub mains_nominal_hz: f64,
}

impl CommonGround {
    /// What these first measurements have in common; `None` of none.
    #[must_use]
    pub fn of<'a>(measurements: impl IntoIterator<Item = &'a Measurement>) -> Option<Self> {
        let all: Vec<&Measurement> = measurements.into_iter().collect();
        let usual = usual_nominal(&all)?;
        let low = all.iter().map(|m| m.noise.band_hz.0).fold(0.0, f64::max);
        let high = all
            .iter()
            .map(|m| m.noise.band_hz.1)
            .fold(f64::INFINITY, f64::min);
        let harmonics = all
            .iter()
            .map(|m| m.mains.harmonics.len())
            .filter(|&orders| orders > 0)
            .min();
        let strongest = all.iter().filter(|m| m.mains.detected).max_by(|a, b| {
            let hum = |m: &Measurement| m.mains.hum_rms.map_or(0.0, |rms| rms.value);
            let nominal = |m: &Measurement| m.mains.nominal_hz;
            hum(a)
                .total_cmp(&hum(b))
                .then(nominal(b).total_cmp(&nominal(a)))
        });
        Some(Self {
            band_hz: (low < high).then_some((low, high)),
            harmonics: harmonics.unwrap_or(0),
            mains_nominal_hz: strongest.map_or(usual, |m| m.mains.nominal_hz),
        })
    }

    /// Whether a measurement was already made on this ground.
    #[must_use]
    pub fn holds(&self, measurement: &Measurement) -> bool {
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-6 * a.abs().max(b.abs());
        let (low, high) = measurement.noise.band_hz;
        let band = self
            .band_hz
            .is_none_or(|(l, h)| same(l, low) && same(h, high));
        let orders = measurement.mains.harmonics.len();
        band && (orders == 0 || orders == self.harmonics)
            && same(measurement.mains.nominal_hz, self.mains_nominal_hz)
    }

    /// These settings with the band, orders and mains with which to measure again.
    #[must_use]
    pub fn apply(&self, options: &MeasureOptions) -> MeasureOptions {
        MeasureOptions {
            mains: MainsChoice::Nominal(self.mains_nominal_hz),
            band_hz: self.band_hz.or(options.band_hz),
            harmonics: self.harmonics.max(1),
            ..options.clone()
        }
    }
}

/// The nominal frequency of most, of the lowest where several are as frequent.
fn usual_nominal(all: &[&Measurement]) -> Option<f64> {
    let mut nominals: Vec<f64> = all.iter().map(|m| m.mains.nominal_hz).collect();
    nominals.sort_by(f64::total_cmp);
    let runs: Vec<&[f64]> = nominals.chunk_by(|a, b| a == b).collect();
    let longest = runs.iter().map(|run| run.len()).max()?;
    let run = runs.into_iter().find(|run| run.len() == longest)?;
    run.first().copied()
}
