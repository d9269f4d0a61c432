//! One figure of one channel: what [`measure_samples`] finds, the rest not told.
//!
//! Offset, hum, noise and tones are estimated together, each beside the others: none can be told rightly of a record
//! without knowing of the rest. These functions are that measurement with the details that were not asked for left out;
//! who wants several figures measures once. What can be found alone stands beside them: the converter's step
//! ([`infer_step`](super::infer_step)), sine fits ([`sine_fit_known`](super::sine_fit_known),
//! [`sine_fit_free`](super::sine_fit_free)) and [`harmonic_groups`](super::harmonic_groups).
//!
//! Each takes a slice, a vector, an array or a view of volts (or of another unit, which is then the figure's), the rate
//! in Hz and the options of a measurement, and fails as that does.
//!
//! ```
//! use humsieve::MeasureOptions;
//! use humsieve::analysis::estimators::{harmonics, mains_frequency, noise, offset};
//! let hum: Vec<f64> = (0..5000)
//!     .map(|n| 0.1 + 0.02 * (std::f64::consts::TAU * 50.02 * f64::from(n) / 5000.0).cos()
//!         + 1e-4 * (f64::from((n * 7919) % 1000) / 1000.0 - 0.5))
//!     .collect();
//! let options = MeasureOptions::default();
//! assert!((offset(&hum, 5000.0, &options)?.value - 0.1).abs() < 1e-4);
//! let frequency = mains_frequency(&hum, 5000.0, &options)?.expect("fifty cycles tell it");
//! assert!((frequency.value - 50.02).abs() < 1e-3);
//! assert!(harmonics(&hum, 5000.0, &options)?.thd_percent.is_some_and(|thd| thd < 0.1));
//! assert!(noise(&hum, 5000.0, &options)?.rms.value < 1e-4);
//! # Ok::<(), humsieve::Error>(())
//! ```

use super::measure::measure_samples;
use super::measurement::{Folded, Mains, Noise, Tone};
use super::options::{Detail, MeasureOptions};
use crate::Error;
use crate::stats::Estimate;
use ndarray::ArrayView1;

/// The DC offset in the samples' unit: the mean that the hum's incomplete cycles do not pull.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn offset<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Estimate, Error> {
    Ok(measure_samples(samples, sample_rate_hz, options)?.dc_offset)
}

/// The record's mean mains frequency, Hz; `None` where no mains series was found.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn mains_frequency<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Option<Estimate>, Error> {
    let mains = harmonics(samples, sample_rate_hz, options)?;
    Ok(mains.frequency_hz.filter(|_| mains.detected))
}

/// The mains series: RMS and phase of each order, their root sum of squares, the distortion (THD, percent). It comes with
/// [`detected`](Mains::detected) false where none was found, and without figures below one cycle.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn harmonics<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Mains, Error> {
    Ok(measure_samples(samples, sample_rate_hz, options)?.mains)
}

/// The noise in the band of the options: RMS and one-sided density, what is neither offset, hum nor tone.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn noise<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Noise, Error> {
    Ok(measure_samples(samples, sample_rate_hz, options)?.noise)
}

/// Lines that are no modelled order of the mains, by falling RMS; empty where there is none.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn tones<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Vec<Tone>, Error> {
    Ok(measure_samples(samples, sample_rate_hz, options)?.tones)
}

/// The waveform folded on the mains cycle: mean and spread by phase; `None` where no mains series was found.
///
/// # Errors
/// Those of [`measure_samples`].
pub fn folded_cycle<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Option<Folded>, Error> {
    let options = MeasureOptions {
        detail: Detail {
            folded: true,
            ..options.detail
        },
        ..options.clone()
    };
    Ok(measure_samples(samples, sample_rate_hz, &options)?.folded)
}
