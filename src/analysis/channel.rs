//! What reading a record leaves of one channel, and the measurement made of it.

use super::figures::{ChannelFacts, assemble, constant};
use super::measurement::Measurement;
use super::options::MeasureOptions;
use super::record::{
    Held, Intake, Lone, OwnScale, Rails, WaveformSums, infer_step, leave_out_lone,
};
use super::stream::{Known, fits_clipped};
use super::stretches::Stretches;
use crate::capture::CaptureHeader;
use crate::spectrum::Decimator;
use crate::{Error, ErrorKind, Warning};

/// Fewest samples that are measured.
pub(super) const LEAST_SAMPLES: usize = 16;
/// Frames up to which a record is analysed at its own rate.
const WHOLE_FRAMES: usize = 1 << 18;
/// Largest decimation: its taps are to be short against such a record.
const MOST_DECIMATED: usize = 1 << 10;
/// Samples from which the converter's step is inferred.
const STEP_SAMPLES: usize = 1 << 14;
/// Share of missing samples up to which a record is analysed around them.
const MOST_MISSING: f64 = 0.30;
/// Share of clipped samples up to which the rest still tells hum, offset and frequency.
const MOST_CLIPPED: f64 = 0.50;
/// The same of records too long to be fitted to their rails, and of a low-rate copy's samples, over each of which
/// many are spread.
const MOST_OF_LONG: f64 = 0.10;
const MOST_SPOILT: f64 = 0.30;

/// What reading the record leaves of one channel.
pub(super) struct Channel<'a> {
    options: &'a MeasureOptions,
    pub(super) index: usize,
    /// Rate as the source says it before it is read.
    rate_hz: f64,
    sums: WaveformSums,
    rails: Rails,
    held: Held,
    first: Vec<f64>,
    /// The converter's step, stated or, once there are samples enough, inferred.
    step: Option<f64>,
    /// Samples at the record's own rate, until it is known to be long.
    whole: Vec<f64>,
    long: Option<Long>,
    /// What a first reading told.
    pub(super) told: Told,
    /// Only the extremes of what is left to read are wanted, for a second reading at its own scale.
    scan: bool,
    /// Clipped samples that no long record of this length may hold; beyond them nothing more is fitted.
    most_clipped: f64,
}

/// What a reading of the record tells the next one.
#[derive(Debug, Clone, Default)]
pub(super) struct Told {
    /// The series.
    pub(super) known: Option<Known>,
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
    let nominal = nominals.iter().copied().fold(0.0, f64::max);
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

impl<'a> Channel<'a> {
    pub(super) fn new(
        index: usize,
        header: &CaptureHeader,
        told: Told,
        options: &'a MeasureOptions,
    ) -> Self {
        let acquisition = &header.acquisition;
        let factor = told.scale().factor();
        let step = acquisition.lsb_v.map(|step| step * factor);
        Self {
            options,
            index,
            rate_hz: header.time_base.sample_rate_hz,
            sums: WaveformSums::default(),
            rails: Rails::new(acquisition.full_scale_v.map(|v| v * factor), step),
            held: Held::default(),
            first: Vec::new(),
            step,
            whole: Vec::new(),
            long: None,
            told,
            scan: false,
            most_clipped: header
                .frames
                .map_or(f64::INFINITY, |frames| MOST_OF_LONG * frames as f64),
        }
    }

    /// Whether the record is to be read again at a scale of its own, now that its extremes are known.
    pub(super) fn wants_own_scale(&mut self, name: &str) -> Result<bool, Error> {
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
    pub(super) fn take(&mut self, samples: &[f64]) -> Option<Known> {
        let scale = self.told.scale();
        if !scale.is_one() {
            let scaled: Vec<f64> = samples.iter().map(|x| x * scale.factor()).collect();
            return self.take_scaled(&scaled);
        }
        self.take_scaled(samples)
    }

    fn take_scaled(&mut self, samples: &[f64]) -> Option<Known> {
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
            return self.go_on(samples, plain);
        }
        self.whole.extend_from_slice(samples);
        if self.whole.len() <= WHOLE_FRAMES {
            return None;
        }
        let whole = std::mem::take(&mut self.whole);
        self.step = self.step.or_else(|| infer_step(&self.first));
        self.rails.learn(&whole);
        self.held.learn(&whole, self.step);
        let factor = decimation(self.rate_hz, self.options);
        let low_rate_hz = self.rate_hz / factor as f64;
        self.long = Some(Long {
            intake: (factor > 1).then(|| Intake::new(factor, self.rate_hz)),
            stretches: Stretches::new(
                low_rate_hz,
                clean_to_hz(factor, low_rate_hz),
                self.options,
                self.told.known.clone(),
            ),
            factor,
        });
        self.go_on(&whole, None)
    }

    /// Takes samples of a record known to be long; `plain`: their extremes where all are finite.
    fn go_on(&mut self, samples: &[f64], plain: Option<(f64, f64)>) -> Option<Known> {
        let long = self.long.as_mut()?;
        let within = plain.is_some_and(|(min, max)| self.rails.hold(min, max));
        let mut mark = |samples: &mut [f64]| {
            if !within {
                self.rails.mark(samples);
            }
            self.held.mark(samples);
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
        if self.rails.clipped() as f64 > self.most_clipped {
            // The record is refused at its end.
            pending.clear();
            return None;
        }
        let limits = limits(&self.rails, self.step, long.factor);
        long.stretches.work(&limits, self.options)
    }

    pub(super) fn finish(
        mut self,
        header: &CaptureHeader,
        frames: usize,
        warnings: &[Warning],
    ) -> Result<Measurement, Error> {
        let (options, rate_hz) = (self.options, header.time_base.sample_rate_hz);
        if frames < LEAST_SAMPLES {
            return Err(ErrorKind::TooShort.error(format!(
                "{frames} samples; at least {LEAST_SAMPLES} are needed: capture a longer record"
            )));
        }
        let mut lone = Lone::default();
        let mut long = self.long.take().unwrap_or_else(|| {
            self.step = self.step.or_else(|| infer_step(&self.first));
            let mut stretches = Stretches::new(rate_hz, 0.5 * rate_hz, options, None);
            stretches.pending = std::mem::take(&mut self.whole);
            stretches.step = self.step;
            self.rails.learn(&stretches.pending);
            self.rails.mark(&mut stretches.pending);
            let most = MOST_MISSING * frames as f64;
            self.held
                .mark_whole(&mut stretches.pending, self.step, most);
            lone = leave_out_lone(&mut stretches.pending, rate_hz);
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
        let facts = ChannelFacts {
            options,
            header,
            index: self.index,
            frames,
            first_at_s: decimator.as_ref().map_or(0.0, Decimator::first_centre) / rate_hz,
            waveform: self.sums.figures(),
            missing: self.sums.missing,
            clipped: self.rails.clipped(),
            lone,
            held: &self.held,
            step: self.step,
            decimator,
            high,
            source_warnings: warnings,
            scale: self.told.scale(),
        };
        if self.sums.is_constant() {
            return Ok(constant(&facts));
        }
        let limits = limits(&self.rails, self.step, long.factor);
        let low_rate_hz = rate_hz / long.factor as f64;
        let record = long.stretches.finish(low_rate_hz, &limits, options);
        let mut measurement = assemble(&facts, &record);
        facts.scale.restore(&mut measurement);
        Ok(measurement)
    }

    /// The error of a record that misses too much; `long`: not fitted to its rails; `spread`: of a low-rate copy too many
    /// samples hold something missing or clipped.
    fn refuse(&self, name: &str, frames: usize, long: bool, spread: bool) -> Result<(), Error> {
        let share = |count: u64| count as f64 / frames.max(1) as f64;
        let missing = self.sums.missing + self.held.samples;
        let clipped = self.rails.clipped();
        if share(missing) > MOST_MISSING || (spread && clipped == 0) {
            return Err(ErrorKind::BadValue.error(format!(
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
            return Err(ErrorKind::TooClipped.error(format!(
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
