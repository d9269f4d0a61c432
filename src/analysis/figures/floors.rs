//! The noise floor over the whole band.

use super::facts::ChannelFacts;
use crate::analysis::measurement::Spectrum;
use crate::analysis::noise::{NoiseFloor, RemovedLine, below_level};
use crate::analysis::record::Stream;
use crate::analysis::stream::RecordFit;
use crate::analysis::tones::{PeakBin, find_peaks};

/// What else is no noise, for what stands out of most of a residual: the bulk is told by a third of it, which does not show
/// what the other two hold alike.
const HIDDEN: f64 = 3.0;

/// The low-rate floor up to where it is clean, the record's own above.
pub(super) struct Floors {
    pub(super) low: NoiseFloor,
    low_total: Vec<f64>,
    pub(super) high: Option<HighFloor>,
    split_hz: f64,
    records: usize,
    nyquist_hz: f64,
    /// Whether something was taken out, or followed, that may have left more than noise.
    disturbed: bool,
}

/// Noise, whole density and lines of the record at its own rate.
pub(super) struct HighFloor {
    pub(super) floor: NoiseFloor,
    pub(super) total: Vec<f64>,
    pub(super) peaks: Vec<PeakBin>,
}

impl Floors {
    pub(super) fn new(facts: &ChannelFacts<'_>, stream: &Stream, fit: &RecordFit) -> Self {
        let mut low = fit.floor.clone();
        // Within the tapers' width of 0 Hz a steep rise leaks into the bins: the fitted law instead.
        let leaky = low.tapers() as usize + 3;
        for (b, value) in low.density.iter_mut().enumerate().take(leaky).skip(1) {
            if let Some(level) = fit.slow.rising(b as f64 * low.bin_hz) {
                *value = level;
            }
        }
        let mut low_total = fit.total.mean();
        if facts.decimator.is_some() {
            let bin_hz = low.bin_hz;
            for (b, (noise, total)) in low.density.iter_mut().zip(&mut low_total).enumerate() {
                let gain = facts.gain(b as f64 * bin_hz).max(1e-3).powi(2);
                *noise /= gain;
                *total /= gain;
            }
        }
        let split_hz = if facts.high.is_some() {
            stream.clean_to_hz
        } else {
            0.5 * stream.rate_hz
        };
        let high = facts.high.as_ref().map(|high| {
            let (estimator, density) = (high.tapers(), &high.density);
            let free = NoiseFloor::new(estimator, density, &[]);
            let peaks: Vec<_> = find_peaks(density, &free, split_hz)
                .into_iter()
                .filter(|p| p.frequency_hz > split_hz)
                .collect();
            let scar = (0.5 * estimator.count() as f64 + 2.0) * density.bin_hz;
            let lines: Vec<RemovedLine> = peaks
                .iter()
                .map(|p| RemovedLine {
                    frequency_hz: p.frequency_hz,
                    fitted_over_s: 1.0 / density.bin_hz,
                    covers_hz: scar,
                })
                .collect();
            HighFloor {
                floor: NoiseFloor::new(estimator, density, &lines),
                total: density.mean(),
                peaks,
            }
        });
        Self {
            low,
            low_total,
            high,
            split_hz,
            records: fit.total.records,
            nyquist_hz: 0.5 * facts.rate_hz(),
            disturbed: fit.other.is_some()
                || fit.combined.tracked
                || fit.combined.harmonics.iter().any(|h| h.unsteady),
        }
    }

    /// Noise power in a band and its degrees of freedom.
    pub(super) fn power_between(&self, low_hz: f64, high_hz: f64) -> (f64, f64) {
        match &self.high {
            Some(high) if high_hz > self.split_hz => {
                let (above, above_dof) =
                    high.floor.power_between(low_hz.max(self.split_hz), high_hz);
                if low_hz >= self.split_hz {
                    return (above, above_dof);
                }
                let (below, below_dof) = self.low.power_between(low_hz, self.split_hz);
                let power = above + below;
                // Welch-Satterthwaite: the two bands are independent.
                let dof = power * power / (above * above / above_dof + below * below / below_dof);
                (power, if dof.is_finite() { dof } else { below_dof })
            }
            _ => self.low.power_between(low_hz, high_hz),
        }
    }

    /// Least share of the power in a band that is noise, as far as it shows what it is.
    pub(super) fn least_share(&self, low_hz: f64, high_hz: f64) -> f64 {
        let to = match &self.high {
            Some(_) => high_hz.min(self.split_hz),
            None => high_hz,
        };
        if low_hz >= to {
            return 1.0;
        }
        let mut doubt = (HIDDEN * (1.0 - self.low.bulk)).min(1.0);
        if self.disturbed {
            doubt = doubt.max(1.0 - below_level(&self.low, low_hz, to));
        }
        let all = self.power_between(low_hz, high_hz).0;
        if doubt > 0.0 && all > 0.0 {
            1.0 - doubt * self.low.power_between(low_hz, to).0 / all
        } else {
            1.0
        }
    }

    pub(super) fn spectrum(&self) -> Spectrum {
        let (mut frequency, mut total, mut noise) = (Vec::new(), Vec::new(), Vec::new());
        let mut add = |floor: &NoiseFloor, raw: &[f64], (from, to): (f64, f64)| {
            for (b, (n, t)) in floor.density.iter().zip(raw).enumerate().skip(1) {
                let f = b as f64 * floor.bin_hz;
                if f > from && f <= to {
                    frequency.push(f);
                    total.push(t.sqrt());
                    noise.push(n.sqrt());
                }
            }
        };
        add(&self.low, &self.low_total, (0.0, self.split_hz));
        if let Some(high) = &self.high {
            add(&high.floor, &high.total, (self.split_hz, self.nyquist_hz));
        }
        Spectrum::new(
            frequency,
            total,
            noise,
            self.low.bin_dof * self.records.max(1) as f64,
        )
    }
}
