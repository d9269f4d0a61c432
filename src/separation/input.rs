//! What the methods take: samples, rates and scales that can be worked with.

use crate::analysis::{MOST_HARMONICS, NOMINAL_HZ};
use crate::capture::SAMPLE_RATE_LIMITS_HZ;
use crate::{Error, ErrorKind};

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
