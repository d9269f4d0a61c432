//! What the methods take: samples, rates and scales that can be worked with.

use crate::capture::SAMPLE_RATE_LIMITS_HZ;
use crate::numeric::sum;
use crate::{Error, ErrorKind};

/// Sizes whose squares, and their sums, are far from either end of what a number holds.
const SMALLEST: f64 = 1e-100;
const LARGEST: f64 = 1e100;

/// Checks samples and their rate.
pub(crate) fn check_samples(samples: &[f64], rate_hz: f64) -> Result<(), Error> {
    if samples.is_empty() {
        return Err(ErrorKind::NoSamples.error("there are no samples; give those of a record"));
    }
    check_rate(rate_hz)
}

pub(crate) fn check_rate(rate_hz: f64) -> Result<(), Error> {
    let (lowest, highest) = SAMPLE_RATE_LIMITS_HZ;
    if (lowest..=highest).contains(&rate_hz) {
        return Ok(());
    }
    Err(ErrorKind::BadOption.error(format!(
        "the sample rate is {rate_hz} Hz; it must be from {lowest:e} to {highest:e} Hz"
    )))
}

/// Checks that two channels are of one record.
pub(crate) fn check_pair(samples: &[f64], other: &[f64]) -> Result<(), Error> {
    if samples.len() == other.len() {
        return Ok(());
    }
    Err(ErrorKind::BadValue.error(format!(
        "one channel holds {} samples, the other {}; give two of the same record, sample by sample",
        samples.len(),
        other.len()
    )))
}

/// Largest size of the finite samples.
pub(crate) fn peak(samples: &[f64]) -> f64 {
    const LANES: usize = 16;
    let mut lanes = [0.0f64; LANES];
    let take = |most: &mut f64, value: f64| {
        let size = value.abs();
        // No number is larger than nothing, nor smaller than the infinite.
        *most = if size > *most && size < f64::INFINITY {
            size
        } else {
            *most
        };
    };
    let (chunks, rest) = samples.as_chunks::<LANES>();
    for chunk in chunks {
        for (lane, value) in lanes.iter_mut().zip(chunk) {
            take(lane, *value);
        }
    }
    for value in rest {
        take(&mut lanes[0], *value);
    }
    lanes.into_iter().fold(0.0, f64::max)
}

/// Power of two that brings samples of this size near 1, where their squares would go astray; else 1.
pub(crate) fn unit(peak: f64) -> f64 {
    if peak == 0.0 || (SMALLEST..=LARGEST).contains(&peak) {
        1.0
    } else {
        // The logarithm of the largest number rounds up to 1024.
        peak.log2().floor().min(1023.0).exp2()
    }
}

/// Samples in units of their own, and that unit.
pub(crate) fn in_units(samples: &[f64]) -> (Vec<f64>, f64) {
    let unit = unit(peak(samples));
    let scaled = if unit == 1.0 {
        samples.to_vec()
    } else {
        samples.iter().map(|v| v / unit).collect()
    };
    (scaled, unit)
}

/// Samples about their mean, with missing ones at 0 and marked.
pub(crate) struct Centred {
    pub(crate) values: Vec<f64>,
    pub(crate) mean: f64,
    pub(crate) missing: Option<Vec<f32>>,
}

impl Centred {
    /// Takes the samples themselves where none is missing, else a copy.
    pub(crate) fn in_place(samples: &mut Vec<f64>) -> Self {
        let mean = sum(samples) / samples.len().max(1) as f64;
        if !mean.is_finite() {
            return Self::new(samples);
        }
        let mut values = std::mem::take(samples);
        values.iter_mut().for_each(|v| *v -= mean);
        Self {
            values,
            mean,
            missing: None,
        }
    }

    /// Mean of the samples that are there, of which `rest` is left.
    pub(crate) fn offset(&self, rest: &[f64]) -> f64 {
        let (mut sum, mut count) = (0.0, 0usize);
        for (_, r) in rest.iter().enumerate().filter(|(i, _)| self.has(*i)) {
            sum += r;
            count += 1;
        }
        self.mean + sum / count.max(1) as f64
    }

    /// The samples, with straight lines across those that are missing.
    pub(crate) fn bridged(&self) -> Vec<f64> {
        let mut values = self.values.clone();
        let Some(missing) = &self.missing else {
            return values;
        };
        let mut last: Option<usize> = None;
        for i in (0..values.len()).filter(|i| missing[*i] > 0.0) {
            let to = values[i];
            match last {
                None => values[..i].fill(to),
                Some(from) => {
                    let step = (to - values[from]) / (i - from) as f64;
                    for j in from + 1..i {
                        values[j] = values[j - 1] + step;
                    }
                }
            }
            last = Some(i);
        }
        if let Some(from) = last {
            let held = values[from];
            values[from + 1..].fill(held);
        }
        values
    }

    /// Whether a sample is there.
    pub(crate) fn has(&self, i: usize) -> bool {
        self.missing.as_ref().is_none_or(|w| w[i] > 0.0)
    }

    /// Gives the samples back to where they were taken from.
    pub(crate) fn put_back(self, samples: &mut Vec<f64>) {
        if samples.is_empty() {
            *samples = self.values;
            samples.iter_mut().for_each(|v| *v += self.mean);
        }
    }

    pub(crate) fn new(samples: &[f64]) -> Self {
        let (mut sum, mut count) = (0.0, 0usize);
        for v in samples.iter().filter(|v| v.is_finite()) {
            sum += v;
            count += 1;
        }
        let mean = sum / count.max(1) as f64;
        Self {
            values: samples
                .iter()
                .map(|v| if v.is_finite() { v - mean } else { 0.0 })
                .collect(),
            mean,
            missing: (count < samples.len()).then(|| {
                samples
                    .iter()
                    .map(|v| if v.is_finite() { 1.0 } else { 0.0 })
                    .collect()
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_bring_every_size_near_one() {
        for size in [5e-324, 1e-310, 1e-200, 1.0, 1e200, f64::MAX] {
            let (scaled, unit) = in_units(&[size, f64::NAN, -0.5 * size]);
            assert!((1e-100..=1e100).contains(&scaled[0]), "{size}");
            assert_eq!(scaled[0] * unit, size);
        }
        assert_eq!(in_units(&[0.0]).1, 1.0);
    }
}
