//! What a single capture says of a quantity.

use crate::analysis::{LinePower, Measurement};
use crate::quantity::Quantity;
use crate::stats::{ConfidenceDistribution, Estimate};
use std::cmp::Ordering;

/// What one capture says of a quantity.
#[derive(Debug, Clone, Copy)]
pub(in crate::comparison) enum Observation {
    /// A signed value, Student distributed.
    Offset(Estimate),
    /// An amplitude that may lie near the floor.
    Line { power: LinePower, rms: Estimate },
    /// The RMS of noise: chi-square with effective degrees of freedom.
    Noise { rms: f64, dof: f64 },
    /// A positive value whose logarithm is normal.
    Level { value: f64, log_uncertainty: f64 },
    /// A value of which only bounds are known.
    Bounded(Estimate),
}

impl Observation {
    /// What a capture says of a quantity that is compared, where it is usable.
    pub(in crate::comparison) fn of(quantity: Quantity, measurement: &Measurement) -> Option<Self> {
        match quantity {
            Quantity::DcOffset => Some(Self::Offset(measurement.dc_offset)),
            Quantity::HumRms => measurement
                .mains
                .hum_rms
                .map(|rms| Self::line(measurement.mains.power, rms)),
            Quantity::Harmonic(order) => {
                let mut harmonics = measurement.mains.harmonics.iter();
                harmonics
                    .find(|h| h.order == order)
                    .map(|h| Self::line(h.power, h.rms))
            }
            Quantity::NoiseRms => Some(noise(&measurement.noise.rms)),
            Quantity::AcRms => Some(alternating(measurement)),
            Quantity::PeakToPeak => Some(peak_to_peak(measurement)),
            _ => None,
        }
        .filter(Self::is_usable)
    }

    /// A line by its power; by its estimate where the power is not known or where the estimate holds
    /// more than noise (wander of the amplitude within the record).
    pub(in crate::comparison) fn line(power: LinePower, rms: Estimate) -> Self {
        let known = power.components > 0.0 && power.noise_v2 > 0.0;
        let scatter = (power.noise_v2 / power.components).sqrt();
        let wanders = rms.value > 5.0 * scatter && rms.standard_uncertainty > 1.2 * scatter;
        if rms.value > 0.0 && (!known || wanders) {
            return Self::Level {
                value: rms.value,
                log_uncertainty: rms.standard_uncertainty / rms.value,
            };
        }
        Self::Line { power, rms }
    }

    pub(in crate::comparison) fn is_usable(&self) -> bool {
        match *self {
            Self::Offset(e) => e.value.is_finite() && e.standard_uncertainty.is_finite(),
            Self::Line { power, .. } => power.observed_v2.is_finite() && power.noise_v2.is_finite(),
            Self::Noise { rms, dof } => rms.is_finite() && rms > 0.0 && dof > 0.0,
            Self::Level {
                value,
                log_uncertainty,
            } => value.is_finite() && value > 0.0 && log_uncertainty.is_finite(),
            Self::Bounded(e) => e.low.is_finite() && e.high.is_finite(),
        }
    }

    /// A fixed order of several observations.
    pub(in crate::comparison) fn compare(&self, other: &Self) -> Ordering {
        let key = |o: &Self| match *o {
            Self::Offset(e) => [0.0, e.value, e.standard_uncertainty],
            Self::Line { power, .. } => [1.0, power.observed_v2, power.noise_v2],
            Self::Noise { rms, dof } => [2.0, rms, dof],
            Self::Level {
                value,
                log_uncertainty,
            } => [3.0, value, log_uncertainty],
            Self::Bounded(e) => [4.0, e.value, e.high],
        };
        let pairs = key(self).into_iter().zip(key(other));
        pairs.fold(Ordering::Equal, |order, (a, b)| order.then(a.total_cmp(&b)))
    }

    /// Value and standard uncertainty on the logarithmic scale, where the figure is resolved.
    pub(in crate::comparison) fn logarithm(&self) -> Option<(f64, f64)> {
        match *self {
            Self::Offset(_) | Self::Bounded(_) => None,
            Self::Line { rms, .. } => (rms.low > 0.0 && rms.value > 0.0)
                .then(|| (rms.value.ln(), rms.standard_uncertainty / rms.value)),
            Self::Noise { rms, dof } => Some((rms.ln(), 1.0 / (2.0 * dof).sqrt())),
            Self::Level {
                value,
                log_uncertainty,
            } => Some((value.ln(), log_uncertainty)),
        }
    }

    /// The distribution of the figure's square.
    pub(in crate::comparison) fn square(&self, confidence: f64) -> ConfidenceDistribution {
        match *self {
            Self::Offset(e) => ConfidenceDistribution::squared(&Estimate { confidence, ..e }),
            Self::Line { power, .. } => ConfidenceDistribution::line_power(&power, confidence),
            Self::Noise { rms, dof } => ConfidenceDistribution::noise_power(rms * rms, dof),
            Self::Level {
                value,
                log_uncertainty,
            } => ConfidenceDistribution::log_student(
                value * value,
                2.0 * log_uncertainty,
                f64::INFINITY,
            ),
            Self::Bounded(e) => {
                ConfidenceDistribution::bounded(e.low.powi(2), e.high.powi(2), confidence)
            }
        }
    }
}

/// Noise below the converter's step is stated as bounds that reach 0.
fn noise(rms: &Estimate) -> Observation {
    if rms.low > 0.0 {
        Observation::Noise {
            rms: rms.value,
            dof: rms.degrees_of_freedom,
        }
    } else {
        Observation::Bounded(*rms)
    }
}

/// The mean square of the alternating part of the process, not of this record, which holds a fraction more
/// than whole cycles: the sum of hum, tones and noise, each less the noise within it. Their variances add;
/// a chi-square distribution of the same mean and variance stands for the sum (Satterthwaite 1946). Where
/// the noise figure holds only part of the band, or the record more than these parts explain (a wanted
/// signal, a step), the record's own mean square tells the rest: of c cycles it is off by up to
/// hum² (1/(2πc) + 2/(πc)²).
fn alternating(m: &Measurement) -> Observation {
    let hum = m.mains.hum_rms.map(|rms| (m.mains.power, rms));
    let tones = m.tones.iter().map(|tone| (tone.power, tone.rms));
    let (lines, lines_variance) = hum
        .into_iter()
        .chain(tones)
        .map(|(power, rms)| line_square(power, &rms))
        .fold((0.0, 0.0), |(p, v), (power, variance)| {
            (p + power, v + variance)
        });
    let (noise, noise_variance) = noise_square(&m.noise.rms);
    let cycles = std::f64::consts::PI * m.duration_s * m.mains.nominal_hz;
    let hum = m.mains.hum_rms.map_or(0.0, |rms| rms.value.powi(2));
    let partial = hum * (0.5 / cycles + 2.0 / (cycles * cycles)).min(1.0);
    let record = m.waveform.ac_rms.powi(2);
    let (low, high) = m.noise.band_hz;
    let whole_band = low * m.duration_s < 4.0 && high > 0.499 * m.sample_rate_hz;
    let mut total = (lines + noise).max(0.0);
    let mut variance = lines_variance + noise_variance;
    let unexplained = record - total;
    let expected = partial + 5.0 * variance.sqrt();
    if unexplained > if whole_band { expected } else { 0.0 } || total <= 0.0 {
        let rest = (record - lines).max(noise);
        variance = lines_variance
            + 2.0 * rest * rest / m.noise.rms.degrees_of_freedom.max(1.0)
            + partial * partial / 3.0;
        total = record.max(total);
    }
    Observation::Noise {
        rms: total.sqrt(),
        dof: (2.0 * total * total / variance).max(LEAST_DOF),
    }
}

/// Fewest degrees of freedom of a power: below one its upper bound grows past all that was measured (of one it is 32 times
/// the value at 95 %).
const LEAST_DOF: f64 = 1.0;

/// The power of one or several lines without the noise in it, and its variance: s⁴ (2c + 4λ) of a
/// noncentral chi-square with c components of s² and noncentrality λ; more where the amplitude wanders.
fn line_square(power: LinePower, rms: &Estimate) -> (f64, f64) {
    let wander = 4.0 * (rms.value * rms.standard_uncertainty).powi(2);
    if !(power.components > 0.0 && power.noise_v2.is_finite()) {
        return (rms.value * rms.value, wander);
    }
    let square = power.observed_v2 - power.noise_v2;
    let each = power.noise_v2 / power.components;
    let scatter = 2.0 * power.noise_v2 * each + 4.0 * each * square.max(0.0);
    (square, scatter.max(wander))
}

/// The noise's power and its variance: 2 N⁴/ν, or that of any value between bounds.
fn noise_square(rms: &Estimate) -> (f64, f64) {
    let square = rms.value * rms.value;
    if rms.low > 0.0 {
        return (square, 2.0 * square * square / rms.degrees_of_freedom);
    }
    (square, rms.high.powi(4) / 12.0)
}

/// The peak-to-peak value of another record of this length scatters with its two extremes. Each has the
/// deviation π/√6 σ/√(2 ln n) of a largest value of n independent normal ones (Gumbel 1958; Leadbetter,
/// Lindgren & Rootzén 1983), n being the noise's degrees of freedom; steps and the hum's own uncertainty
/// come on top. Rare pulses scatter more than this: several captures show it.
fn peak_to_peak(measurement: &Measurement) -> Observation {
    let value = measurement.waveform.peak_to_peak;
    let independent = measurement.noise.rms.degrees_of_freedom;
    let independent = independent.min(measurement.samples as f64).max(8.0);
    let extreme = 1.2825 * measurement.noise.rms.value / (2.0 * independent.ln()).sqrt();
    let step = measurement.quality.lsb.unwrap_or(0.0) / 6.0_f64.sqrt();
    let hum = measurement
        .mains
        .hum_rms
        .map_or(0.0, |rms| 2.0 * 2.0_f64.sqrt() * rms.standard_uncertainty);
    let square = 2.0 * extreme * extreme + step * step + hum * hum;
    Observation::Level {
        value,
        log_uncertainty: square.sqrt() / value,
    }
}
