//! Samples of any kind of number, read where they are.

use super::header::CaptureHeader;
use super::source::{FrameSource, slice_of};
use crate::{Error, ErrorKind, Warning};
use ndarray::iter::Iter;
use ndarray::{Array2, ArrayView2, Ix2};
use std::iter::Copied;

/// Samples that the caller holds, of whatever number becomes an `f64`, as a source of blocks: read from an
/// iterator that can be begun again, and never copied as a whole.
///
/// ```
/// use humsieve::capture::{CaptureHeader, FrameSource, SampleSource};
/// // Counts of a converter, two channels frame by frame, 50 µV a count.
/// let counts: Vec<i16> = vec![10, -20, 11, -21, 12, -22];
/// let header = CaptureHeader::of_volts("bench", ["probe", "ground"], 48_000.0);
/// let source = SampleSource::new(header, counts.iter().map(|&count| 50e-6 * f64::from(count)))?;
/// assert_eq!(source.header().frames, Some(3));
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct SampleSource<I> {
    header: CaptureHeader,
    all: I,
    left: I,
}

impl<I> SampleSource<I>
where
    I: Iterator<Item: Into<f64>> + Clone + Send,
{
    /// Samples frame after frame, each with a value for every channel of the header in turn; an array's rows are
    /// read by [`rows`](SampleSource::rows). The header's count of frames becomes that of the iterator, or `None` where it
    /// does not know its length.
    ///
    /// # Errors
    /// Those of [`CaptureHeader::check`]; a last frame without a value for every channel is `BadValue` when it is read.
    pub fn new(
        mut header: CaptureHeader,
        samples: impl IntoIterator<IntoIter = I>,
    ) -> Result<Self, Error> {
        header.check()?;
        let all = samples.into_iter();
        header.frames = match all.size_hint() {
            (least, Some(most)) if least == most => Some((least / header.channels.len()) as u64),
            _ => None,
        };
        Ok(Self {
            header,
            left: all.clone(),
            all,
        })
    }
}

impl<'a, T: Copy + Into<f64> + Sync> SampleSource<Copied<Iter<'a, T, Ix2>>> {
    /// The samples of an array, one row a channel, one column a frame.
    ///
    /// # Errors
    /// As [`SampleSource::new`], and `BadValue` where rows and channels differ in number.
    pub fn rows(
        header: CaptureHeader,
        samples: impl Into<ArrayView2<'a, T>>,
    ) -> Result<Self, Error> {
        let samples = samples.into();
        if samples.nrows() != header.channels.len() {
            return Err(rows_for_channels(samples.nrows(), &header));
        }
        Self::new(header, samples.reversed_axes().into_iter().copied())
    }
}

/// The error of an array that does not fit its header.
pub(super) fn rows_for_channels(rows: usize, header: &CaptureHeader) -> Error {
    ErrorKind::BadValue.error(format!(
        "there are {rows} rows of samples and {} channels in the header; each channel needs a row",
        header.channels.len()
    ))
}

impl<I> FrameSource for SampleSource<I>
where
    I: Iterator<Item: Into<f64>> + Clone + Send,
{
    fn header(&self) -> &CaptureHeader {
        &self.header
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let stride = block.ncols();
        let channels = self.header.channels.len();
        let out = slice_of(block, channels)?;
        for frame in 0..stride {
            for channel in 0..channels {
                let Some(value) = self.left.next() else {
                    return match channel {
                        0 => Ok(frame),
                        _ => Err(ErrorKind::BadValue.error(format!(
                            "the last frame holds {channel} samples for {channels} channels; \
                             give every channel as many"
                        ))),
                    };
                };
                out[channel * stride + frame] = value.into();
            }
        }
        Ok(stride)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.left = self.all.clone();
        Ok(())
    }

    fn warnings(&self) -> Vec<Warning> {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Capture;
    use ndarray::array;

    #[test]
    fn rows_and_frames_of_any_number_are_the_same_capture() {
        let header = || CaptureHeader::of_volts("bench", ["probe", "probe"], 1000.0);
        let rows = array![[1.5, 2.5, 3.5], [-1.0, -2.0, -3.0]];
        let expected = Capture::new(header(), rows.clone()).unwrap();
        assert_eq!(expected.header().channels[1].name, "probe (2)");
        let frames: [f32; 6] = [1.5, -1.0, 2.5, -2.0, 3.5, -3.0];
        let mut by_frame = SampleSource::new(header(), frames).unwrap();
        let mut by_row = SampleSource::rows(header(), rows.view()).unwrap();
        let counts = rows.mapv(|x| (2.0 * x) as i32);
        let frames = counts.t();
        let volts = frames.iter().map(|&count| 0.5 * f64::from(count));
        let mut by_count = SampleSource::new(header(), volts).unwrap();
        let sources: [&mut dyn FrameSource; 3] = [&mut by_frame, &mut by_row, &mut by_count];
        for source in sources {
            assert_eq!(Capture::collect(source).unwrap(), expected);
        }
    }

    #[test]
    fn what_is_no_capture_is_refused() {
        let header = CaptureHeader::of_volts("bench", ["a", "b"], 1000.0);
        let mut odd = SampleSource::new(header.clone(), [1i16, 2, 3]).unwrap();
        let error = Capture::collect(&mut odd).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::BadValue);
        let three = array![[1.0], [2.0], [3.0]];
        let error = SampleSource::rows(header, three.view()).unwrap_err();
        assert!(error.message().contains("3 rows") && error.message().contains("2 channels"));
        let nothing = CaptureHeader::new(
            "bench",
            vec![],
            super::super::TimeBase::from_rate(1.0, super::super::RateOrigin::User),
        );
        assert!(SampleSource::new(nothing, [1.0]).is_err());
        let slow = CaptureHeader::of_volts("bench", ["a"], 0.0);
        assert!(SampleSource::new(slow, [1.0]).is_err());
    }
}
