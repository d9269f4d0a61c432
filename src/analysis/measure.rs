//! From a source of blocks to one [`Measurement`] a channel.

use super::every::measure_every;
use super::measurement::Measurement;
use super::options::MeasureOptions;
use super::whole::measure_whole;
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, ErrorKind};

/// Measures every wanted channel of a capture.
///
/// DC offset, mains harmonics, in-band noise, tones, waveform and quality, each estimate with an
/// interval. With [`MeasureOptions::every_s`] each channel gives one measurement for every stretch.
///
/// # Errors
/// `BadOption` for settings out of range, `NoSuchChannel`, `TooShort` below 16 samples,
/// `BadValue` where more than a tenth of the samples are missing, where the source's rate (1e-6 to 1e12 Hz), full scale,
/// step or coupling corner is out of range or a value beyond 1e302, `TooClipped` where more than half of the samples
/// (a tenth, of records too long to be fitted to their rails) are at a limit of the range, and those of the source.
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
    let wanted =
        wanted_channels(source.header(), &options.channels).map_err(|e| e.in_file(&name))?;
    measure_channels(source, options, &wanted)
}

/// Measures the channels of these indices.
pub(crate) fn measure_channels(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
) -> Result<Vec<Measurement>, Error> {
    options.check()?;
    let name = source.header().name.clone();
    check_header(source.header()).map_err(|e| e.in_file(&name))?;
    let result = match options.every_s {
        None => measure_whole(source, options, wanted),
        Some(every_s) => measure_every(source, options, wanted, every_s),
    };
    result.map_err(|e| e.in_file(&name))
}

/// Sample rates that are measured, Hz.
const RATES_HZ: (f64, f64) = (1e-6, 1e12);

/// Checks what a source says of rate and instrument.
fn check_header(header: &CaptureHeader) -> Result<(), Error> {
    let refuse = |message: String| Err(ErrorKind::BadValue.error(message));
    let time = &header.time_base;
    let rate = time.sample_rate_hz;
    if !(RATES_HZ.0..=RATES_HZ.1).contains(&rate) {
        return refuse(format!(
            "the sample rate is {rate} Hz; it must lie between {:e} and {:e} Hz: state the right one",
            RATES_HZ.0, RATES_HZ.1
        ));
    }
    if !(0.0..rate).contains(&time.sample_rate_uncertainty_hz) {
        return refuse(format!(
            "the sample rate's uncertainty is {} Hz; it must not be negative, and below the rate of {rate} Hz",
            time.sample_rate_uncertainty_hz
        ));
    }
    let acquisition = &header.acquisition;
    for (what, value) in [
        ("full scale", acquisition.full_scale_v),
        ("converter's step", acquisition.lsb_v),
        ("corner of the AC coupling", acquisition.ac_corner_hz),
    ] {
        if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return refuse(format!(
                "the {what} is {value}; it must be positive and finite"
            ));
        }
    }
    Ok(())
}

/// 0-based indices of the channels named (by name, else by 1-based number); all where none is.
fn wanted_channels(header: &CaptureHeader, names: &[String]) -> Result<Vec<usize>, Error> {
    if names.is_empty() {
        return Ok((0..header.channels.len()).collect());
    }
    names.iter().map(|name| header.find_channel(name)).collect()
}
