//! From a source of blocks to one [`Measurement`] a channel.

use super::assemble::{ChannelFacts, assemble};
use super::channel::{Stream, fit_stream};
use super::gaps::{Gap, GapKind};
use super::measurement::Measurement;
use super::options::{MainsChoice, MeasureOptions};
use super::quantisation::infer_step;
use super::rails::Rails;
use super::waveform::WaveformSums;
use crate::capture::{Capture, CaptureHeader, FrameSource, MemorySource};
use crate::spectrum::{Decimator, Density, Multitaper};
use crate::{Error, ErrorKind};
use ndarray::Array2;

/// Frames of one block.
const BLOCK_FRAMES: usize = 1 << 14;
/// Frames up to which a record is analysed at its own rate.
const WHOLE_FRAMES: usize = 1 << 18;
/// Samples from which the converter's step is inferred.
const STEP_SAMPLES: usize = 1 << 14;
/// Samples of one record of the density above the decimated stream.
const HIGH_RECORD: usize = 1 << 15;
/// Share of missing and clipped samples up to which a record is analysed around them.
const MOST_GAPS: f64 = 0.10;

/// Measures every wanted channel of a capture.
///
/// DC offset, mains harmonics, in-band noise, tones, waveform and quality, each estimate with an
/// interval. With [`MeasureOptions::every_s`] each channel gives one measurement for every stretch.
///
/// # Errors
/// `BadOption` for settings out of range, `NoSuchChannel`, `TooShort` below 16 samples,
/// `BadValue` where more than a tenth of the samples are missing or clipped, and those of the source.
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
    options.check()?;
    let name = source.header().name.clone();
    let wanted =
        wanted_channels(source.header(), &options.channels).map_err(|e| e.in_file(&name))?;
    let result = match options.every_s {
        None => measure_whole(source, options, &wanted),
        Some(every_s) => measure_stretches(source, options, &wanted, every_s),
    };
    result.map_err(|e| e.in_file(&name))
}

/// 0-based indices of the channels named (by name, else by 1-based number); all where none is.
fn wanted_channels(header: &CaptureHeader, names: &[String]) -> Result<Vec<usize>, Error> {
    if names.is_empty() {
        return Ok((0..header.channels.len()).collect());
    }
    names
        .iter()
        .map(|name| {
            header
                .channels
                .iter()
                .position(|c| c.name == *name)
                .or_else(|| {
                    name.parse::<usize>()
                        .ok()
                        .filter(|n| (1..=header.channels.len()).contains(n))
                        .map(|n| n - 1)
                })
                .ok_or_else(|| {
                    let known: Vec<&str> =
                        header.channels.iter().map(|c| c.name.as_str()).collect();
                    Error::new(
                        ErrorKind::NoSuchChannel,
                        format!(
                            "there is no channel '{name}'; the channels are {}",
                            known.join(", ")
                        ),
                    )
                })
        })
        .collect()
}

/// What reading the record leaves of one channel.
struct Channel {
    index: usize,
    sums: WaveformSums,
    rails: Rails,
    first: Vec<f64>,
    /// Samples at the record's own rate, until it is known to be long.
    whole: Vec<f64>,
    low: Option<LowRate>,
}

/// The decimated stream and the density above it.
struct LowRate {
    decimator: Decimator,
    factor: usize,
    samples: Vec<f64>,
    pending: Vec<f64>,
    estimator: Multitaper,
    density: Density,
}

impl LowRate {
    fn new(factor: usize, rate_hz: f64) -> Self {
        let estimator = Multitaper::new(HIGH_RECORD, 4);
        let density = estimator.start(rate_hz);
        Self {
            decimator: Decimator::new(factor),
            factor,
            samples: Vec::new(),
            pending: Vec::new(),
            estimator,
            density,
        }
    }

    fn push(&mut self, samples: &[f64]) {
        self.decimator.push(samples, &mut self.samples);
        self.pending.extend_from_slice(samples);
        let length = self.estimator.length();
        let mut used = 0;
        while self.pending.len() - used >= length {
            let record = &mut self.pending[used..used + length];
            hold_over_gaps(record);
            super::channel::take_off_line(record);
            self.estimator.accumulate(record, &mut self.density);
            used += length;
        }
        self.pending.drain(..used);
    }
}

/// Fills what is not finite with the last finite value.
fn hold_over_gaps(samples: &mut [f64]) {
    let mut last = samples
        .iter()
        .copied()
        .find(|x| x.is_finite())
        .unwrap_or(0.0);
    for x in samples {
        if x.is_finite() { last = *x } else { *x = last }
    }
}

/// Decimation that leaves the highest harmonic in the clean quarter of the low rate.
fn decimation(rate_hz: f64, options: &MeasureOptions) -> usize {
    let nominal = match options.mains {
        MainsChoice::Auto => 60.0,
        MainsChoice::Nominal(hz) => hz,
    };
    let top = options.harmonics as f64 * nominal * 1.02;
    ((rate_hz / (4.0 * top)).floor() as usize).max(1)
}

fn measure_whole(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
) -> Result<Vec<Measurement>, Error> {
    source.rewind()?;
    let mut channels: Vec<Channel> = wanted
        .iter()
        .map(|&index| Channel {
            index,
            sums: WaveformSums::default(),
            rails: Rails::new(
                source.header().acquisition.full_scale_v,
                source.header().acquisition.lsb_v,
            ),
            first: Vec::new(),
            whole: Vec::new(),
            low: None,
        })
        .collect();
    let provisional_hz = source.header().time_base.sample_rate_hz;
    let factor = decimation(provisional_hz, options);
    let mut block = Array2::zeros((source.header().channels.len(), BLOCK_FRAMES));
    let mut frames = 0;
    loop {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        frames += count;
        for channel in &mut channels {
            let Some(row) = block.row(channel.index).to_slice().map(|r| &r[..count]) else {
                continue;
            };
            channel.take(row, factor, provisional_hz);
        }
    }
    let header = source.header().clone();
    let warnings = source.warnings();
    channels
        .into_iter()
        .map(|channel| channel.finish(&header, frames, &warnings, options, None))
        .collect()
}

impl Channel {
    fn take(&mut self, samples: &[f64], factor: usize, rate_hz: f64) {
        self.sums.push(samples);
        if self.first.len() < STEP_SAMPLES {
            let room = STEP_SAMPLES - self.first.len();
            self.first.extend(samples.iter().take(room));
        }
        match &mut self.low {
            Some(low) => {
                let mut marked = samples.to_vec();
                self.rails.mark(&mut marked);
                low.push(&marked);
            }
            None => {
                self.whole.extend_from_slice(samples);
                if factor > 1 && self.whole.len() > WHOLE_FRAMES {
                    let mut whole = std::mem::take(&mut self.whole);
                    self.rails.learn(&whole);
                    self.rails.mark(&mut whole);
                    let mut low = LowRate::new(factor, rate_hz);
                    low.push(&whole);
                    self.low = Some(low);
                }
            }
        }
    }

    fn finish(
        mut self,
        header: &CaptureHeader,
        frames: usize,
        warnings: &[crate::Warning],
        options: &MeasureOptions,
        start_s: Option<f64>,
    ) -> Result<Measurement, Error> {
        let rate_hz = header.time_base.sample_rate_hz;
        if frames < 16 {
            return Err(Error::new(
                ErrorKind::TooShort,
                format!("{frames} samples; at least 16 are needed: capture a longer record"),
            ));
        }
        let (mut samples, factor, first_at, high, decimator) = match self.low {
            Some(low) => {
                let first_at = low.decimator.first_centre();
                let mut density = low.density;
                density.rescale(rate_hz);
                (
                    low.samples,
                    low.factor,
                    first_at,
                    Some((low.estimator, density)),
                    Some(low.decimator),
                )
            }
            None => {
                let mut whole = std::mem::take(&mut self.whole);
                self.rails.learn(&whole);
                self.rails.mark(&mut whole);
                (whole, 1, 0.0, None, None)
            }
        };
        let step = header.acquisition.lsb_v.or_else(|| infer_step(&self.first));
        let (below, above) = if factor == 1 {
            self.rails.limits(&samples, step)
        } else {
            (f64::NEG_INFINITY, f64::INFINITY)
        };
        let lost = self.sums.missing + self.rails.clipped();
        if lost as f64 > MOST_GAPS * frames as f64
            || samples.iter().filter(|x| !x.is_finite()).count() as f64
                > 3.0 * MOST_GAPS * samples.len() as f64
        {
            return Err(Error::new(
                ErrorKind::BadValue,
                format!(
                    "channel '{}': {} of {frames} samples are clipped and {} missing; at most {:.0} % can be worked \
                     around: choose a wider range and capture again",
                    header.channels[self.index].name,
                    self.rails.clipped(),
                    self.sums.missing,
                    100.0 * MOST_GAPS
                ),
            ));
        }
        let finite = samples.iter().filter(|x| x.is_finite());
        let mean = finite.clone().sum::<f64>() / finite.count().max(1) as f64;
        // Where the rate was lowered, what was clipped is spread over several samples: these count as missing.
        let gaps: Vec<Gap> = (0..samples.len())
            .filter(|&i| !samples[i].is_finite())
            .map(|at| Gap {
                at,
                kind: if samples[at] == f64::INFINITY && above.is_finite() {
                    GapKind::Above(above - mean)
                } else if samples[at] == f64::NEG_INFINITY && below.is_finite() {
                    GapKind::Below(below - mean)
                } else {
                    GapKind::Missing
                },
            })
            .collect();
        bridge(&mut samples);
        for x in &mut samples {
            *x -= mean;
        }
        let low_rate_hz = rate_hz / factor as f64;
        let stream = Stream {
            samples,
            rate_hz: low_rate_hz,
            gaps,
            clean_to_hz: if factor > 1 {
                0.25 * low_rate_hz
            } else {
                0.5 * low_rate_hz
            },
        };
        let fit = fit_stream(&stream, options);
        let facts = ChannelFacts {
            header,
            index: self.index,
            frames,
            mean,
            first_at_s: first_at / rate_hz,
            waveform: self.sums.figures(),
            missing: self.sums.missing,
            clipped: self.rails.clipped(),
            step,
            decimator,
            high,
            source_warnings: warnings,
            start_s,
        };
        Ok(assemble(&facts, &stream, &fit, options))
    }
}

/// Straight lines across what is not finite.
fn bridge(samples: &mut [f64]) {
    let mut last: Option<(usize, f64)> = None;
    for i in 0..samples.len() {
        let x = samples[i];
        if !x.is_finite() {
            continue;
        }
        match last {
            None => samples[..i].fill(x),
            Some((from, value)) => {
                for (j, slot) in samples[from + 1..i].iter_mut().enumerate() {
                    *slot = value + (x - value) * (j + 1) as f64 / (i - from) as f64;
                }
            }
        }
        last = Some((i, x));
    }
    match last {
        Some((from, value)) => samples[from + 1..].fill(value),
        None => samples.fill(0.0),
    }
}

/// One measurement for each stretch of `every_s`, each read into memory by itself.
fn measure_stretches(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    every_s: f64,
) -> Result<Vec<Measurement>, Error> {
    source.rewind()?;
    let rate_hz = source.header().time_base.sample_rate_hz;
    let frames = (every_s * rate_hz).round();
    if frames < 16.0 {
        return Err(Error::new(
            ErrorKind::BadOption,
            format!(
                "a stretch of {every_s} s holds {frames} samples at {rate_hz} Hz; at least 16 are needed"
            ),
        ));
    }
    let length = frames.min(1e12) as usize;
    let names = source.header().channels.len();
    let mut block = Array2::zeros((names, BLOCK_FRAMES.min(length)));
    let inner = MeasureOptions {
        every_s: None,
        ..options.clone()
    };
    let mut rows: Vec<Vec<f64>> = vec![Vec::new(); names];
    let mut results: Vec<Vec<Measurement>> = vec![Vec::new(); wanted.len()];
    let mut index = 0usize;
    loop {
        let count = source.read_block(&mut block)?;
        for (row, values) in rows.iter_mut().zip(block.rows()) {
            row.extend(values.iter().take(count));
        }
        while rows[0].len() >= length || (count == 0 && rows[0].len() >= length.div_ceil(2).max(16))
        {
            let take = rows[0].len().min(length);
            let parts: Vec<Vec<f64>> = rows.iter_mut().map(|r| r.drain(..take).collect()).collect();
            let samples = Array2::from_shape_vec((names, take), parts.concat())
                .map_err(|e| Error::new(ErrorKind::BadValue, e.to_string()))?;
            let capture = Capture::new(source.header().clone(), samples)?;
            let measured = measure_whole(&mut MemorySource::new(&capture), &inner, wanted)?;
            for (result, mut one) in results.iter_mut().zip(measured) {
                one.start_s = Some(index as f64 * length as f64 / rate_hz);
                result.push(one);
            }
            index += 1;
        }
        if count == 0 {
            break;
        }
    }
    if index == 0 {
        return Err(Error::new(
            ErrorKind::TooShort,
            format!(
                "the record is shorter than half a stretch of {every_s} s; ask for shorter stretches"
            ),
        ));
    }
    Ok(results.concat())
}
