//! Blocks that come in, cut into stretches that are measured one by one.

use super::channel::LEAST_SAMPLES;
use super::measurement::Measurement;
use super::options::MeasureOptions;
use super::whole::measure_whole;
use crate::capture::{Capture, CaptureHeader, MemorySource};
use crate::{Error, ErrorKind};
use ndarray::{Array2, ArrayView2};

/// Measures what an instrument delivers block by block: every stretch of so many seconds as soon as it is there.
///
/// The figures are those of [`measure`](super::measure()) with [`MeasureOptions::every_s`] for the same samples, whatever the blocks;
/// no more than a stretch is held.
///
/// ```
/// use humsieve::analysis::Monitor;
/// use humsieve::{MeasureOptions, capture::CaptureHeader};
/// use ndarray::Array2;
/// let header = CaptureHeader::of_volts("bench", ["1"], 2000.0);
/// let mut monitor = Monitor::new(header, 0.5, MeasureOptions::default())?;
/// let mut told = Vec::new();
/// for block in 0..25 {
///     let block = Array2::from_shape_fn((1, 100), |(_, i)| {
///         (std::f64::consts::TAU * 50.01 * (100 * block + i) as f64 / 2000.0).cos()
///     });
///     told.extend(monitor.push(&block)?);
/// }
/// told.extend(monitor.finish()?);
/// let starts: Vec<_> = told.iter().filter_map(|m| m.start_s).collect();
/// assert_eq!(starts, [0.0, 0.5, 1.0]);
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Monitor {
    stretches: Stretches,
    options: MeasureOptions,
    wanted: Vec<usize>,
    /// Measured before a stretch that could not be, for the next call to give.
    told: Vec<Measurement>,
}

impl Monitor {
    /// A monitor of a record like this one that measures every `every_s` seconds; a stretch in `options` is not heeded.
    ///
    /// # Errors
    /// Those of [`CaptureHeader::check`] and [`MeasureOptions::check`], `NoSuchChannel`, and `BadOption` where a stretch holds fewer
    /// than 16 samples.
    pub fn new(
        header: CaptureHeader,
        every_s: f64,
        options: MeasureOptions,
    ) -> Result<Self, Error> {
        let options = MeasureOptions {
            every_s: None,
            ..options
        };
        options.check()?;
        header.check()?;
        Ok(Self {
            wanted: header.find_channels(&options.channels)?,
            stretches: Stretches::new(header, every_s)?,
            options,
            told: Vec::new(),
        })
    }

    /// Takes the next frames, a row a channel, and measures what is complete: every wanted channel of a stretch, one
    /// stretch after another.
    ///
    /// # Errors
    /// `BadValue` for rows that are not those of the header, and those of a measurement: the stretch that cannot be measured is
    /// dropped, it alone. What was measured before it and what is complete after it come with the next call.
    pub fn push<'a>(
        &mut self,
        block: impl Into<ArrayView2<'a, f64>>,
    ) -> Result<Vec<Measurement>, Error> {
        self.stretches.push(&block.into())?;
        self.measure_complete()?;
        Ok(std::mem::take(&mut self.told))
    }

    /// Measures what is left, where that is half a stretch at least. What is pushed afterwards goes on from there.
    ///
    /// # Errors
    /// Those of a measurement, as for [`Monitor::push`]: a second call gives what else was measured.
    pub fn finish(&mut self) -> Result<Vec<Measurement>, Error> {
        self.measure_complete()?;
        if let Some(rest) = self.stretches.rest()? {
            self.told
                .extend(rest.measured(&self.options, &self.wanted)?);
        }
        Ok(std::mem::take(&mut self.told))
    }

    /// Measures every stretch that is complete, up to one that cannot be measured.
    fn measure_complete(&mut self) -> Result<(), Error> {
        while let Some(stretch) = self.stretches.next()? {
            self.told
                .extend(stretch.measured(&self.options, &self.wanted)?);
        }
        Ok(())
    }
}

/// A part of a record.
#[derive(Debug)]
pub(super) struct Stretch {
    start_s: f64,
    capture: Capture,
}

impl Stretch {
    /// One measurement a channel.
    pub(super) fn measured(
        &self,
        options: &MeasureOptions,
        wanted: &[usize],
    ) -> Result<Vec<Measurement>, Error> {
        let mut measured = measure_whole(&mut MemorySource::new(&self.capture), options, wanted)?;
        for one in &mut measured {
            one.start_s = Some(self.start_s);
        }
        Ok(measured)
    }
}

/// Frames that come in, cut into stretches.
#[derive(Debug, Clone)]
pub(super) struct Stretches {
    header: CaptureHeader,
    frames: usize,
    rows: Vec<Vec<f64>>,
    /// Frames that were cut off before.
    start: u64,
}

impl Stretches {
    pub(super) fn new(header: CaptureHeader, every_s: f64) -> Result<Self, Error> {
        let rate_hz = header.time_base.sample_rate_hz;
        let frames = (every_s * rate_hz).round();
        if !(frames >= LEAST_SAMPLES as f64) {
            return Err(ErrorKind::BadOption.error(format!(
                "a stretch of {every_s} s holds {frames} samples at {rate_hz} Hz; at least {LEAST_SAMPLES} are needed"
            )));
        }
        Ok(Self {
            rows: vec![Vec::new(); header.channels.len()],
            frames: frames.min(1e12) as usize,
            header,
            start: 0,
        })
    }

    /// Frames of a stretch.
    pub(super) fn frames(&self) -> usize {
        self.frames
    }

    pub(super) fn push(&mut self, block: &ArrayView2<'_, f64>) -> Result<(), Error> {
        if block.nrows() != self.rows.len() {
            return Err(ErrorKind::BadValue.error(format!(
                "the block has {} rows, the record {} channels; give a row for each",
                block.nrows(),
                self.rows.len()
            )));
        }
        for (row, values) in self.rows.iter_mut().zip(block.rows()) {
            match values.as_slice() {
                Some(values) => row.extend_from_slice(values),
                None => row.extend(values),
            }
        }
        Ok(())
    }

    /// The next stretch that is complete.
    pub(super) fn next(&mut self) -> Result<Option<Stretch>, Error> {
        match self.rows.first() {
            Some(row) if row.len() >= self.frames => self.cut(self.frames).map(Some),
            _ => Ok(None),
        }
    }

    /// What is left at the end, if it is half a stretch at least.
    pub(super) fn rest(&mut self) -> Result<Option<Stretch>, Error> {
        let left = self.rows.first().map_or(0, Vec::len);
        if left >= self.frames.div_ceil(2).max(LEAST_SAMPLES) {
            self.cut(left).map(Some)
        } else {
            Ok(None)
        }
    }

    fn cut(&mut self, frames: usize) -> Result<Stretch, Error> {
        let channels = self.rows.len();
        let mut samples = Vec::with_capacity(channels * frames);
        for row in &mut self.rows {
            samples.extend(row.drain(..frames));
        }
        let start_s = self.start as f64 / self.header.time_base.sample_rate_hz;
        self.start += frames as u64;
        let samples = Array2::from_shape_vec((channels, frames), samples)
            .map_err(|e| ErrorKind::Internal.error(e.to_string()))?;
        let capture = Capture::new(self.header.clone(), samples)?;
        Ok(Stretch { start_s, capture })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_of_any_width_give_the_log_of_the_record() {
        let rate = 2000.0;
        let samples = Array2::from_shape_fn((2, 2700), |(channel, i)| {
            let t = i as f64 / rate;
            let noise = ((i * 7919 + 31 * channel) % 1009) as f64 / 1009.0 - 0.5;
            (1.0 + channel as f64) * (315.0 * t).sin() + 0.01 * noise
        });
        let header = CaptureHeader::of_volts("bench", ["a", "b"], rate);
        let capture = Capture::new(header.clone(), samples.clone()).unwrap();
        let options = MeasureOptions::default();
        let every = MeasureOptions {
            every_s: Some(0.5),
            ..options.clone()
        };
        let mut log = super::super::measure(&mut MemorySource::new(&capture), &every).unwrap();
        assert_eq!(
            log.len(),
            6,
            "the last 0.35 s are more than half of a stretch"
        );
        log.sort_by(|a, b| a.start_s.unwrap().total_cmp(&b.start_s.unwrap()));
        for width in [1, 7, 1000, 2700] {
            let mut monitor = Monitor::new(header.clone(), 0.5, options.clone()).unwrap();
            let mut told = Vec::new();
            for block in samples.axis_chunks_iter(ndarray::Axis(1), width) {
                told.extend(monitor.push(block).unwrap());
            }
            told.extend(monitor.finish().unwrap());
            assert_eq!(told, log, "blocks of {width}");
        }
        let mut monitor = Monitor::new(header.clone(), 0.5, options.clone()).unwrap();
        assert!(monitor.push(&Array2::zeros((3, 5))).is_err());
        assert!(Monitor::new(header, 1e-3, options).is_err());
    }

    #[test]
    fn a_stretch_that_cannot_be_measured_costs_itself_alone() {
        const STRETCH: usize = 1000;
        let good = |i: usize| (0.157 * i as f64).sin() + 1e-3 * ((i * 7919) % 1009) as f64;
        // Two stretches of the five, and the rest, have no sample that is there.
        let lost = |i: usize| matches!(i / STRETCH, 1 | 3 | 5);
        let samples = Array2::from_shape_fn((1, 5 * STRETCH + 600), |(_, i)| {
            if lost(i) { f64::NAN } else { good(i) }
        });
        let header = CaptureHeader::of_volts("bench", ["a"], 2000.0);
        for width in [300, STRETCH, samples.ncols()] {
            let mut monitor = Monitor::new(header.clone(), 0.5, MeasureOptions::default()).unwrap();
            let (mut told, mut refused) = (Vec::new(), 0);
            let mut take = |result: Result<Vec<Measurement>, Error>| {
                let failed = result.is_err();
                refused += usize::from(failed);
                told.extend(result.unwrap_or_default());
                failed
            };
            for block in samples.axis_chunks_iter(ndarray::Axis(1), width) {
                take(monitor.push(block));
            }
            while take(monitor.finish()) {}
            let starts: Vec<_> = told.iter().filter_map(|m| m.start_s).collect();
            assert_eq!(starts, [0.0, 1.0, 2.0], "blocks of {width}");
            assert_eq!(refused, 3, "blocks of {width}");
        }
    }
}
