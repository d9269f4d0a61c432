//! Harmonic groups of IEC 61000-4-7.

use crate::analysis::harmonic_groups::{HarmonicGroup, HarmonicGroups};
use crate::spectrum::Nudft;
use crate::{Error, ErrorKind, setting};
use ndarray::ArrayView1;
use std::f64::consts::PI;

/// Fundamentals that windows of 10 or 12 cycles are defined for, Hz, and where 12 take over.
const LOWEST_HZ: f64 = 42.5;
const HIGHEST_HZ: f64 = 69.0;
const TWELVE_FROM_HZ: f64 = 55.0;
/// Highest frequency that is resampled well, as a share of the rate.
const CARRIED: f64 = 0.4;

/// Harmonic groups, subgroups and interharmonic groups over windows of 10 (50 Hz) or 12 (60 Hz) cycles
/// of a known fundamental, up to `highest_order` or as far as the sample rate carries them.
///
/// Windows are rectangular and exactly N cycles long: where that is no whole number of samples, the
/// record is resampled to one. Each window gives bins of 1/N of the fundamental (5 Hz); powers are averaged over as many
/// whole windows as the record holds. The figures are RMS in the samples' unit and hold everything within their bins, noise
/// included, and so carry no interval. The highest order given is the last whose groups lie below 0.4 of the rate.
///
/// Source: IEC 61000-4-7:2002 + A1:2008, clauses 3 and 5.6 (definitions as recalled from it); the mean
/// of squares over windows as in IEC 61000-4-30.
///
/// # Errors
/// `BadOption` for a rate that is not positive and finite, a fundamental outside 42.5 to 69 Hz or above
/// what the rate carries, or a highest order of 0; `TooShort` below one window; `BadValue` where a sample is not finite.
///
/// ```
/// use humsieve::analysis::harmonic_groups;
/// use ndarray::Array1;
/// // 10 V RMS at 250 Hz with a line of 2 V RMS beside it at 255 Hz, 10.24 kS/s
/// let line = |hz: f64, n: usize| (std::f64::consts::TAU * hz * n as f64 / 10_240.0).cos();
/// let x = Array1::from_iter((0..2048).map(|n| 200f64.sqrt() * line(250.0, n) + 8f64.sqrt() * line(255.0, n)));
/// let groups = harmonic_groups(&x.view(), 10_240.0, 50.0, 40)?;
/// assert_eq!(groups.windows, 1);
/// assert!((groups.orders[4].subgroup_rms - 104f64.sqrt()).abs() < 1e-9);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn harmonic_groups(
    samples: &ArrayView1<'_, f64>,
    sample_rate_hz: f64,
    fundamental_hz: f64,
    highest_order: usize,
) -> Result<HarmonicGroups, Error> {
    let refuse = |message: String| Err(ErrorKind::BadOption.error(message));
    setting::positive("the sample rate", sample_rate_hz, " Hz")?;
    if !(LOWEST_HZ..=HIGHEST_HZ).contains(&fundamental_hz) {
        return refuse(format!(
            "the fundamental is {fundamental_hz} Hz; groups are defined for {LOWEST_HZ} to {HIGHEST_HZ} Hz"
        ));
    }
    // The interharmonic group of the highest order ends below the next order.
    let carried = (CARRIED * sample_rate_hz / fundamental_hz).floor() as usize;
    let highest = highest_order.min(carried.saturating_sub(1));
    if highest == 0 {
        return refuse(format!(
            "at {sample_rate_hz} Hz no group of {fundamental_hz} Hz lies below {CARRIED} of the rate; capture at a higher rate"
        ));
    }
    if let Some(at) = samples.iter().position(|x| !x.is_finite()) {
        return Err(ErrorKind::BadValue.error(format!(
            "sample {at} is not finite; fill or leave out what is missing first"
        )));
    }
    let cycles: usize = if fundamental_hz < TWELVE_FROM_HZ {
        10
    } else {
        12
    };
    let length = cycles as f64 * sample_rate_hz / fundamental_hz;
    // A millionth of a window of slack, so that rounding does not cost the last one.
    let windows = (samples.len() as f64 / length + 1e-6).floor() as usize;
    if windows == 0 {
        return Err(ErrorKind::TooShort.error(format!(
            "{} samples; one window of {cycles} cycles holds {length:.1}: capture a longer record",
            samples.len()
        )));
    }
    let samples = samples.to_vec();
    let points = length.round() as usize;
    let half = cycles / 2;
    let bins = (highest + 1) * cycles;
    let mut powers = vec![0.0; bins];
    // Centred, so that both ends of the record stand alike.
    let spare = (samples.len() as f64 - windows as f64 * length).max(0.0);
    let start = (0.5 * spare).floor();
    for window in 0..windows {
        let cut = resampled(&samples, start + window as f64 * length, length, points);
        let transform = Nudft::new(&cut);
        for (bin, power) in powers.iter_mut().enumerate() {
            let amplitude = transform.at(bin as f64 / points as f64).norm() / points as f64;
            *power += 2.0 * amplitude * amplitude / windows as f64;
        }
    }
    let sum = |from: usize, to: usize| powers[from..=to].iter().sum::<f64>();
    let orders = (1..=highest)
        .map(|order| {
            let centre = order * cycles;
            let edges = powers[centre - half] + powers[centre + half];
            HarmonicGroup {
                order,
                bin_rms: powers[centre].sqrt(),
                subgroup_rms: sum(centre - 1, centre + 1).sqrt(),
                group_rms: (0.5 * edges + sum(centre + 1 - half, centre + half - 1)).sqrt(),
                interharmonic_subgroup_rms: sum(centre + 2, centre + cycles - 2).sqrt(),
                interharmonic_group_rms: sum(centre + 1, centre + cycles - 1).sqrt(),
            }
        })
        .collect();
    Ok(HarmonicGroups {
        window_cycles: cycles,
        window_s: cycles as f64 / fundamental_hz,
        windows,
        orders,
    })
}

/// `points` values evenly over `length` sample intervals from `start`; the samples themselves where the
/// places are theirs.
fn resampled(samples: &[f64], start: f64, length: f64, points: usize) -> Vec<f64> {
    (0..points)
        .map(|i| interpolated(samples, start + i as f64 * length / points as f64))
        .collect()
}

/// The value between samples: a sinc under a Gaussian of 5 deviations, Σ x[n] sinc(t−n) exp(−½(5(t−n)/R)²), R
/// neighbours either side. Good to 1e-7 of a line up to 0.3 of the rate and to 1e-3 up to 0.4.
fn interpolated(samples: &[f64], place: f64) -> f64 {
    const REACH: i64 = 24;
    let nearest = place.round();
    if (place - nearest).abs() < 1e-6 {
        return continued(samples, nearest as i64);
    }
    let below = place.floor() as i64;
    let fraction = place - place.floor();
    // sin π(t−n) only changes sign from one sample to the next.
    let sine = (PI * fraction).sin() / PI;
    (1 - REACH..=REACH)
        .map(|k| {
            let distance = fraction - k as f64;
            let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
            let bell = (-0.5 * (5.0 * distance / REACH as f64).powi(2)).exp();
            sign * sine / distance * bell * continued(samples, below + k)
        })
        .sum()
}

/// A sample, beyond the ends mirrored through the last one: value and slope go on.
fn continued(samples: &[f64], index: i64) -> f64 {
    let last = samples.len() as i64 - 1;
    let at = |i: i64| samples[i.clamp(0, last) as usize];
    if index < 0 {
        2.0 * at(0) - at(-index)
    } else if index > last {
        2.0 * at(last) - at(2 * last - index)
    } else {
        at(index)
    }
}
