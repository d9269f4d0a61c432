//! From a source of blocks to one [`Measurement`] a channel.

use super::every::measure_every;
use super::measurement::Measurement;
use super::options::MeasureOptions;
use super::whole::measure_whole;
use crate::capture::{CaptureHeader, FrameSource, SampleSource};
use crate::{Error, ErrorKind};
use ndarray::ArrayView1;

/// Measures every wanted channel of a capture.
///
/// DC offset, mains harmonics, in-band noise, tones, waveform and quality, each estimate with an
/// interval. The measurements come in the order of the channels asked for; with [`MeasureOptions::every_s`] each channel
/// gives one for every stretch, all of the first channel before those of the second.
///
/// # Errors
/// `BadOption` for settings out of range, `NoSuchChannel`, `NoSamples` without a channel, `TooShort` below 16 samples,
/// `BadValue` where more than a tenth of the samples are missing, where the source's rate (1e-6 to 1e12 Hz), full scale,
/// step or coupling corner is out of range or a value beyond 1e302, `TooClipped` where more than half of the samples
/// (a tenth, of records of more than 65536 samples or 1.05 s) are at a limit of the range, and those of the source.
///
/// ```
/// use humsieve::{Capture, MeasureOptions, analysis, capture::MemorySource};
/// let hum: Vec<f64> = (0..5000)
///     .map(|n| 0.1 + 0.02 * (std::f64::consts::TAU * 50.02 * f64::from(n) / 5000.0).cos()
///         + 1e-4 * (f64::from((n * 7919) % 1000) / 1000.0 - 0.5))
///     .collect();
/// let capture = Capture::from_samples("bench", 5000.0, &hum)?;
/// let measured = analysis::measure(&mut MemorySource::new(&capture), &MeasureOptions::default())?;
/// assert!(measured[0].mains.detected);
/// assert!((measured[0].dc_offset.value - 0.1).abs() < 1e-4);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn measure(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
) -> Result<Vec<Measurement>, Error> {
    let name = source.header().name.clone();
    let wanted = source
        .header()
        .find_channels(&options.channels)
        .map_err(|e| e.in_file(&name))?;
    measure_channels(source, options, &wanted)
}

/// Measures one channel of volts at an exact rate, Hz: a slice, a vector, an array or a view, read where it is. A missing
/// sample is NaN, one beyond the range infinite.
///
/// The measurement is that of [`measure`] for a capture named `samples` with a channel named `1`.
///
/// # Errors
/// As [`measure`], and `BadOption` with [`MeasureOptions::every_s`], which gives many measurements.
///
/// ```
/// use humsieve::{MeasureOptions, measure_samples};
/// let hum: Vec<f64> = (0..5000)
///     .map(|n| 0.02 * (std::f64::consts::TAU * 50.02 * f64::from(n) / 5000.0).cos()
///         + 1e-4 * (f64::from((n * 7919) % 1000) / 1000.0 - 0.5))
///     .collect();
/// let measured = measure_samples(&hum, 5000.0, &MeasureOptions::default())?;
/// let frequency = measured.mains.frequency_hz.expect("a second shows it");
/// assert!((frequency.value - 50.02).abs() < 1e-3);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn measure_samples<'a>(
    samples: impl Into<ArrayView1<'a, f64>>,
    sample_rate_hz: f64,
    options: &MeasureOptions,
) -> Result<Measurement, Error> {
    if options.every_s.is_some() {
        return Err(ErrorKind::BadOption
            .error("a log by stretches is many measurements; give `measure` a source"));
    }
    let header = CaptureHeader::of_volts("samples", ["1"], sample_rate_hz);
    let samples = samples.into();
    let mut source = SampleSource::new(header, samples.iter().copied())?;
    let measured = measure(&mut source, options)?;
    let none = || ErrorKind::NoSuchChannel.error("no channel was measured");
    measured.into_iter().next().ok_or_else(none)
}

/// Measures the channels of these indices.
pub(crate) fn measure_channels(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
) -> Result<Vec<Measurement>, Error> {
    options.check()?;
    let name = source.header().name.clone();
    source.header().check().map_err(|e| e.in_file(&name))?;
    let result = match options.every_s {
        None => measure_whole(source, options, wanted),
        Some(every_s) => measure_every(source, options, wanted, every_s),
    };
    result.map_err(|e| e.in_file(&name))
}
