//! What the methods take: samples, rates and scales that can be worked with.

use crate::analysis::{MOST_HARMONICS, NOMINAL_HZ};
use crate::capture::SAMPLE_RATE_LIMITS_HZ;
use crate::{Error, ErrorKind};

/// Sizes whose squares, and their sums, are far from either end of what a number holds.
const SMALLEST: f64 = 1e-100;
const LARGEST: f64 = 1e100;

/// Checks samples and their rate.
pub(super) fn check_samples(samples: &[f64], rate_hz: f64) -> Result<(), Error> {
    if samples.is_empty() {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "there are no samples; give those of a record",
        ));
    }
    check_rate(rate_hz)
}

pub(super) fn check_rate(rate_hz: f64) -> Result<(), Error> {
    let (lowest, highest) = SAMPLE_RATE_LIMITS_HZ;
    if (lowest..=highest).contains(&rate_hz) {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::BadOption,
        format!("the sample rate is {rate_hz} Hz; it must be from {lowest:e} to {highest:e} Hz"),
    ))
}

/// Checks that two channels are of one record.
pub(super) fn check_pair(samples: &[f64], other: &[f64]) -> Result<(), Error> {
    if samples.len() == other.len() {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::BadValue,
        format!(
            "one channel holds {} samples, the other {}; give two of the same record, sample by sample",
            samples.len(),
            other.len()
        ),
    ))
}

/// Checks a highest harmonic order.
pub(super) fn check_harmonics(harmonics: Option<usize>) -> Result<(), Error> {
    match harmonics {
        Some(order) if !(1..=MOST_HARMONICS).contains(&order) => Err(Error::new(
            ErrorKind::BadOption,
            format!("the highest harmonic order is {order}; it must be from 1 to {MOST_HARMONICS}"),
        )),
        _ => Ok(()),
    }
}

/// Checks a nominal mains frequency.
pub(super) fn check_nominal(hz: f64) -> Result<(), Error> {
    let (lowest, highest) = NOMINAL_HZ;
    if (lowest..=highest).contains(&hz) {
        return Ok(());
    }
    Err(Error::new(
        ErrorKind::BadOption,
        format!(
            "the nominal mains frequency is {hz} Hz; it must be positive and finite, from {lowest} to {highest:e} Hz"
        ),
    ))
}

/// Largest size of the finite samples.
pub(super) fn peak(samples: &[f64]) -> f64 {
    let sizes = samples.iter().map(|v| v.abs()).filter(|v| v.is_finite());
    sizes.fold(0.0, f64::max)
}

/// Power of two that brings samples of this size near 1, where their squares would go astray; else 1.
pub(super) fn unit(peak: f64) -> f64 {
    if peak == 0.0 || (SMALLEST..=LARGEST).contains(&peak) {
        1.0
    } else {
        // The logarithm of the largest number rounds up to 1024.
        peak.log2().floor().min(1023.0).exp2()
    }
}

/// Samples in units of their own, and that unit.
pub(super) fn in_units(samples: &[f64]) -> (Vec<f64>, f64) {
    let unit = unit(peak(samples));
    let scaled = if unit == 1.0 {
        samples.to_vec()
    } else {
        samples.iter().map(|v| v / unit).collect()
    };
    (scaled, unit)
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
