//! From a source of blocks to one [`Measurement`] a channel.

use super::figures::constant;
use super::figures::{ChannelFacts, assemble};
use super::interval::fits_clipped;
use super::measurement::Measurement;
use super::record::Intake;
use super::stream::Known;

use super::options::MeasureOptions;
use super::record::OwnScale;
use super::record::Rails;
use super::record::WaveformSums;
use super::record::infer_step;
use super::stretches::{Finished, Stretches};
use crate::capture::{Acquisition, Capture, CaptureHeader, FrameSource, MemorySource};
use crate::spectrum::Decimator;
use crate::{Error, ErrorKind};
use ndarray::Array2;

/// Frames of one block.
const BLOCK_FRAMES: usize = 1 << 14;
/// Frames up to which a record is analysed at its own rate.
const WHOLE_FRAMES: usize = 1 << 18;
/// Largest decimation: its taps are to be short against such a record.
const MOST_DECIMATED: usize = 1 << 10;
/// Samples from which the converter's step is inferred.
const STEP_SAMPLES: usize = 1 << 14;
/// Share of missing samples up to which a record is analysed around them.
const MOST_MISSING: f64 = 0.10;
/// Share of clipped samples up to which the rest still tells hum, offset and frequency.
const MOST_CLIPPED: f64 = 0.50;
/// The same of records too long to be fitted to their rails, and of a low-rate copy's samples, over each of which
/// many are spread.
const MOST_OF_LONG: f64 = 0.10;
const MOST_SPOILT: f64 = 0.30;

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
    options.check()?;
    let name = source.header().name.clone();
    check_header(source.header()).map_err(|e| e.in_file(&name))?;
    let wanted =
        wanted_channels(source.header(), &options.channels).map_err(|e| e.in_file(&name))?;
    let result = match options.every_s {
        None => measure_whole(source, options, &wanted),
        Some(every_s) => measure_stretches(source, options, &wanted, every_s),
    };
    result.map_err(|e| e.in_file(&name))
}

/// Sample rates that are measured, Hz.
const RATES_HZ: (f64, f64) = (1e-6, 1e12);

/// Checks what a source says of rate and instrument.
fn check_header(header: &CaptureHeader) -> Result<(), Error> {
    let refuse = |message: String| Err(Error::new(ErrorKind::BadValue, message));
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

/// What reading the record leaves of one channel.
struct Channel {
    index: usize,
    sums: WaveformSums,
    rails: Rails,
    first: Vec<f64>,
    /// The converter's step, stated or, once there are samples enough, inferred.
    step: Option<f64>,
    /// Samples at the record's own rate, until it is known to be long.
    whole: Vec<f64>,
    long: Option<Long>,
    /// What a first reading told.
    told: Told,
    /// Only the extremes of what is left to read are wanted, for a second reading at its own scale.
    scan: bool,
}

/// What a reading of the record tells the next one.
#[derive(Debug, Clone, Default)]
struct Told {
    /// The series.
    known: Option<Known>,
    /// What to multiply the samples by, once the extremes are known.
    scale: Option<OwnScale>,
}

impl Told {
    fn scale(&self) -> OwnScale {
        self.scale.unwrap_or_default()
    }
}

/// A record too long to be kept as a whole: its rate lowered where that is high, then fitted as it comes.
struct Long {
    intake: Option<Intake>,
    stretches: Stretches,
    factor: usize,
}

/// Decimation that leaves the highest harmonic where the low rate is clean.
fn decimation(rate_hz: f64, options: &MeasureOptions) -> usize {
    let nominals = options.mains.nominals_hz();
    let nominal = nominals.into_iter().fold(0.0, f64::max);
    let top = options.harmonics as f64 * nominal * 1.02;
    let most = (rate_hz * Decimator::CLEAN / top).min(MOST_DECIMATED as f64) as usize;
    // Factors of 2, 3 and 5 transform fast.
    let smooth = |mut factor: usize| {
        for prime in [2, 3, 5] {
            while factor.is_multiple_of(prime) {
                factor /= prime;
            }
        }
        factor == 1
    };
    (1..=most).rev().find(|&f| smooth(f)).unwrap_or(1)
}

fn measure_whole(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
) -> Result<Vec<Measurement>, Error> {
    let mut told: Vec<Told> = vec![Told::default(); wanted.len()];
    // A series that shows late in a long record is followed from the start in a second reading, and values far from 1
    // are read at a scale of their own: one more each a channel at most, since what a channel is told it keeps.
    loop {
        match read(source, options, wanted, &told)? {
            Reading::Done(measurements) => return Ok(measurements),
            Reading::Again(found) => told = found,
        }
    }
}

/// How a reading of the record ended.
enum Reading {
    Done(Vec<Measurement>),
    /// What to start from the next time, by channel.
    Again(Vec<Told>),
}

fn read(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    told: &[Told],
) -> Result<Reading, Error> {
    source.rewind()?;
    let acquisition = source.header().acquisition.clone();
    let mut channels: Vec<Channel> = wanted
        .iter()
        .zip(told)
        .map(|(&index, told)| Channel::new(index, &acquisition, told.clone()))
        .collect();
    let provisional_hz = source.header().time_base.sample_rate_hz;
    let factor = decimation(provisional_hz, options);
    source.header().time_base.check()?;
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((source.header().channels.len(), block_frames));
    let mut frames = 0;
    loop {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        frames += count;
        let mut again = false;
        for channel in &mut channels {
            let Some(row) = block.row(channel.index).to_slice().map(|r| &r[..count]) else {
                continue;
            };
            if let Some(found) = channel.take(row, factor, provisional_hz, options) {
                channel.told.known = Some(found);
                again = true;
            }
        }
        if again {
            return Ok(Reading::Again(
                channels.into_iter().map(|c| c.told).collect(),
            ));
        }
    }
    let mut again = false;
    for channel in &mut channels {
        let name = &source.header().channels[channel.index].name;
        again |= channel.wants_own_scale(name)?;
    }
    if again {
        return Ok(Reading::Again(
            channels.into_iter().map(|c| c.told).collect(),
        ));
    }
    let header = source.header().clone();
    let warnings = source.warnings();
    let measurements: Result<_, Error> = channels
        .into_iter()
        .map(|channel| channel.finish(&header, frames, &warnings, options))
        .collect();
    measurements.map(Reading::Done)
}

impl Channel {
    fn new(index: usize, acquisition: &Acquisition, told: Told) -> Self {
        let factor = told.scale().factor();
        let step = acquisition.lsb_v.map(|step| step * factor);
        Self {
            index,
            sums: WaveformSums::default(),
            rails: Rails::new(acquisition.full_scale_v.map(|v| v * factor), step),
            first: Vec::new(),
            step,
            whole: Vec::new(),
            long: None,
            told,
            scan: false,
        }
    }

    /// Whether the record is to be read again at a scale of its own, now that its extremes are known.
    fn wants_own_scale(&mut self, name: &str) -> Result<bool, Error> {
        if self.told.scale.is_some() {
            return Ok(false);
        }
        OwnScale::check(self.sums.largest(), name)?;
        let span = self.sums.half_span();
        let again = self.scan || OwnScale::is_needed(span);
        if again {
            self.told.scale = Some(OwnScale::of(span));
        }
        Ok(again)
    }

    /// Takes a block; `Some` where the record must be read again from its start.
    fn take(
        &mut self,
        samples: &[f64],
        factor: usize,
        rate_hz: f64,
        options: &MeasureOptions,
    ) -> Option<Known> {
        let scale = self.told.scale();
        if !scale.is_one() {
            let scaled: Vec<f64> = samples.iter().map(|x| x * scale.factor()).collect();
            return self.take_scaled(&scaled, factor, rate_hz, options);
        }
        self.take_scaled(samples, factor, rate_hz, options)
    }

    fn take_scaled(
        &mut self,
        samples: &[f64],
        factor: usize,
        rate_hz: f64,
        options: &MeasureOptions,
    ) -> Option<Known> {
        let plain = self.sums.push(samples);
        let long = self.long.is_some() || self.whole.len() + samples.len() > WHOLE_FRAMES;
        let unsettled = self.told.scale.is_none();
        if self.scan || (unsettled && long && OwnScale::is_needed(self.sums.half_span())) {
            self.scan = true;
            (self.long, self.whole) = (None, Vec::new());
            return None;
        }
        if self.first.len() < STEP_SAMPLES {
            let room = STEP_SAMPLES - self.first.len();
            self.first.extend(samples.iter().take(room));
        }
        if self.long.is_some() {
            return self.go_on(samples, plain, options);
        }
        self.whole.extend_from_slice(samples);
        if self.whole.len() <= WHOLE_FRAMES {
            return None;
        }
        let whole = std::mem::take(&mut self.whole);
        self.step = self.step.or_else(|| infer_step(&self.first));
        self.rails.learn(&whole);
        let low_rate_hz = rate_hz / factor as f64;
        self.long = Some(Long {
            intake: (factor > 1).then(|| Intake::new(factor, rate_hz)),
            stretches: Stretches::new(
                low_rate_hz,
                clean_to_hz(factor, low_rate_hz),
                options,
                self.told.known.clone(),
            ),
            factor,
        });
        self.go_on(&whole, None, options)
    }

    /// Takes samples of a record known to be long; `plain`: their extremes where all are finite.
    fn go_on(
        &mut self,
        samples: &[f64],
        plain: Option<(f64, f64)>,
        options: &MeasureOptions,
    ) -> Option<Known> {
        let long = self.long.as_mut()?;
        let within = plain.is_some_and(|(min, max)| self.rails.hold(min, max));
        let mut mark = |samples: &mut [f64]| {
            if !within {
                self.rails.mark(samples);
            }
        };
        let pending = &mut long.stretches.pending;
        match &mut long.intake {
            Some(intake) => intake.push(samples, &mut mark, pending),
            None => {
                let from = pending.len();
                pending.extend_from_slice(samples);
                mark(&mut pending[from..]);
            }
        }
        let limits = limits(&self.rails, self.step, long.factor);
        long.stretches.work(&limits, options)
    }

    fn finish(
        mut self,
        header: &CaptureHeader,
        frames: usize,
        warnings: &[crate::Warning],
        options: &MeasureOptions,
    ) -> Result<Measurement, Error> {
        let rate_hz = header.time_base.sample_rate_hz;
        if frames < 16 {
            return Err(Error::new(
                ErrorKind::TooShort,
                format!("{frames} samples; at least 16 are needed: capture a longer record"),
            ));
        }
        let mut long = self.long.take().unwrap_or_else(|| {
            self.step = self.step.or_else(|| infer_step(&self.first));
            let mut stretches = Stretches::new(rate_hz, 0.5 * rate_hz, options, None);
            stretches.pending = std::mem::take(&mut self.whole);
            stretches.step = self.step;
            self.rails.learn(&stretches.pending);
            self.rails.mark(&mut stretches.pending);
            Long {
                intake: None,
                stretches,
                factor: 1,
            }
        });
        let (decimator, high) = match long.intake {
            Some(intake) => {
                let (decimator, high) = intake.finish(rate_hz, &mut long.stretches.pending);
                (Some(decimator), high)
            }
            None => (None, None),
        };
        let name = &header.channels[self.index].name;
        let (spoilt, copied) = long.stretches.gaps();
        let spread = long.factor > 1 && spoilt as f64 > MOST_SPOILT * copied as f64;
        let long_record = spread || !fits_clipped(frames, frames as f64 / rate_hz);
        self.refuse(name, frames, long_record, spread)?;
        let mut facts = ChannelFacts {
            header,
            index: self.index,
            frames,
            mean: 0.0,
            first_at_s: decimator.as_ref().map_or(0.0, Decimator::first_centre) / rate_hz,
            waveform: self.sums.figures(),
            missing: self.sums.missing,
            clipped: self.rails.clipped(),
            step: self.step,
            decimator,
            high,
            source_warnings: warnings,
            scale: self.told.scale(),
        };
        if self.sums.is_constant() {
            return Ok(constant(&facts, options));
        }
        let limits = limits(&self.rails, self.step, long.factor);
        let low_rate_hz = rate_hz / long.factor as f64;
        let Finished { stream, fit, mean } = long.stretches.finish(low_rate_hz, &limits, options);
        facts.mean = mean;
        let mut measurement = assemble(&facts, &stream, &fit, options);
        facts.scale.restore(&mut measurement);
        Ok(measurement)
    }
}

impl Channel {
    /// The error of a record that misses too much; `long`: not fitted to its rails; `spread`: of a low-rate copy too many
    /// samples hold something missing or clipped.
    fn refuse(&self, name: &str, frames: usize, long: bool, spread: bool) -> Result<(), Error> {
        let share = |count: u64| count as f64 / frames.max(1) as f64;
        let (missing, clipped) = (self.sums.missing, self.rails.clipped());
        if share(missing) > MOST_MISSING || (spread && clipped == 0) {
            return Err(Error::new(
                ErrorKind::BadValue,
                format!(
                    "channel '{name}': {missing} of {frames} samples are missing; at most {:.0} % can be worked around: \
                     capture again without gaps",
                    100.0 * MOST_MISSING
                ),
            ));
        }
        let most = if long { MOST_OF_LONG } else { MOST_CLIPPED };
        if share(clipped) > most || spread {
            let shorter = if share(clipped) <= MOST_CLIPPED {
                ", or measure stretches of half a second"
            } else {
                ""
            };
            return Err(Error::new(
                ErrorKind::TooClipped,
                format!(
                    "channel '{name}': {clipped} of {frames} samples ({:.1} %) are at a limit of the range; of a record \
                     of this length at most {:.0} % can be worked around: choose a wider range and capture again{shorter}",
                    100.0 * share(clipped),
                    100.0 * most
                ),
            ));
        }
        Ok(())
    }
}

/// Highest frequency without aliases.
fn clean_to_hz(factor: usize, low_rate_hz: f64) -> f64 {
    if factor > 1 {
        Decimator::CLEAN * low_rate_hz
    } else {
        0.5 * low_rate_hz
    }
}

/// What marked samples lie beyond. Where the rate was lowered they are spread over several samples and say
/// nothing.
fn limits(
    rails: &Rails,
    step: Option<f64>,
    factor: usize,
) -> impl Fn(&[f64]) -> (f64, f64) + use<'_> {
    move |samples| {
        if factor == 1 {
            rails.limits(samples, step)
        } else {
            (f64::NEG_INFINITY, f64::INFINITY)
        }
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
