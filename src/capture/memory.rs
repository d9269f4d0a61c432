//! A whole capture in memory.

use super::acquisition::Acquisition;
use super::header::CaptureHeader;
use super::samples::rows_for_channels;
use super::source::{FrameSource, slice_of};
use crate::{Error, ErrorKind, Warning};
use ndarray::{Array2, ArrayView1, Axis, Slice};
use std::borrow::Cow;

/// Channels of evenly spaced samples in memory.
///
/// Samples are finite, or NaN where one is missing, or infinite where the instrument's range was
/// exceeded.
///
/// ```
/// use humsieve::Capture;
/// let capture = Capture::from_samples("bench", 1000.0, &[0.0, 0.1, 0.0, -0.1])?;
/// assert_eq!(capture.frames(), 4);
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    header: CaptureHeader,
    samples: Array2<f64>,
    warnings: Vec<Warning>,
}

impl Capture {
    /// A capture from its header and samples: one row a channel, one column a frame. The header's count of frames becomes
    /// theirs.
    ///
    /// # Errors
    /// `NoSamples` where there is no frame, those of [`CaptureHeader::check`], and `BadValue` where rows and channels
    /// differ in number.
    pub fn new(mut header: CaptureHeader, samples: Array2<f64>) -> Result<Self, Error> {
        if samples.is_empty() {
            return Err(ErrorKind::NoSamples.error("the capture holds no samples"));
        }
        header.check()?;
        if samples.nrows() != header.channels.len() {
            return Err(rows_for_channels(samples.nrows(), &header));
        }
        header.frames = Some(samples.ncols() as u64);
        let samples = if samples.is_standard_layout() {
            samples
        } else {
            samples.as_standard_layout().into_owned()
        };
        Ok(Self {
            header,
            samples,
            warnings: Vec::new(),
        })
    }

    /// One channel of volts, named `1`, at an exact rate, Hz.
    ///
    /// # Errors
    /// As [`Capture::new`].
    pub fn from_samples(
        name: impl Into<String>,
        sample_rate_hz: f64,
        samples: &[f64],
    ) -> Result<Self, Error> {
        let samples = ArrayView1::from(samples).insert_axis(Axis(0)).to_owned();
        Self::new(
            CaptureHeader::of_volts(name, ["1"], sample_rate_hz),
            samples,
        )
    }

    /// The capture with what was noticed while loading it.
    pub(crate) fn with_warnings(self, warnings: Vec<Warning>) -> Self {
        Self { warnings, ..self }
    }

    /// Name, channels, time base and acquisition.
    #[must_use]
    pub fn header(&self) -> &CaptureHeader {
        &self.header
    }

    /// The capture under another name, as results and errors tell it.
    #[must_use]
    pub fn named(mut self, name: impl Into<String>) -> Self {
        self.header.name = name.into();
        self
    }

    /// The capture as taken with these settings.
    ///
    /// # Errors
    /// Those of [`Acquisition::check`].
    ///
    /// ```
    /// use humsieve::capture::{Acquisition, Capture};
    /// let capture = Capture::from_samples("bench", 1000.0, &[0.0, 0.1, 0.0, -0.1])?;
    /// let capture = capture.taken_with(Acquisition::default().full_scale_v(0.2))?;
    /// assert!(capture.taken_with(Acquisition::default().full_scale_v(-0.2)).is_err());
    /// # Ok::<(), humsieve::Error>(())
    /// ```
    pub fn taken_with(mut self, acquisition: Acquisition) -> Result<Self, Error> {
        acquisition
            .check()
            .map_err(|e| e.in_file(&self.header.name))?;
        self.header.acquisition = acquisition;
        Ok(self)
    }

    /// All samples, one row a channel, one column a frame.
    #[must_use]
    pub fn samples(&self) -> &Array2<f64> {
        &self.samples
    }

    /// Samples of one channel by its 0-based index; `None` where there is none of this index.
    #[must_use]
    pub fn channel(&self, index: usize) -> Option<ArrayView1<'_, f64>> {
        (index < self.samples.nrows()).then(|| self.samples.row(index))
    }

    /// Frames per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.header.time_base.sample_rate_hz
    }

    /// Number of frames.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.samples.ncols()
    }

    /// What was noticed while loading; empty for a capture that was not loaded.
    #[must_use]
    pub fn warnings(&self) -> &[Warning] {
        &self.warnings
    }
}

/// A [`Capture`], borrowed ([`new`](MemorySource::new)) or owned (`from`), as a source of blocks.
#[derive(Debug)]
pub struct MemorySource<'a> {
    capture: Cow<'a, Capture>,
    next: usize,
}

impl<'a> MemorySource<'a> {
    /// Reads `capture` from its start.
    #[must_use]
    pub fn new(capture: &'a Capture) -> Self {
        Self {
            capture: Cow::Borrowed(capture),
            next: 0,
        }
    }
}

impl From<Capture> for MemorySource<'static> {
    fn from(capture: Capture) -> Self {
        Self {
            capture: Cow::Owned(capture),
            next: 0,
        }
    }
}

impl FrameSource for MemorySource<'_> {
    fn header(&self) -> &CaptureHeader {
        self.capture.header()
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let samples = self.capture.samples();
        let stride = block.ncols();
        let count = stride.min(samples.ncols() - self.next);
        let out = slice_of(block, samples.nrows())?;
        for (channel, row) in samples.rows().into_iter().enumerate() {
            let held = row.slice_axis(Axis(0), Slice::from(self.next..self.next + count));
            for (place, value) in out[channel * stride..].iter_mut().zip(held) {
                *place = *value;
            }
        }
        self.next += count;
        Ok(count)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.next = 0;
        Ok(())
    }

    fn warnings(&self) -> Vec<Warning> {
        self.capture.warnings().to_vec()
    }
}
