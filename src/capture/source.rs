//! Block-wise reading: the one way in which analysis and separation see a record.

use super::header::CaptureHeader;
use crate::{Error, ErrorKind, Warning};
use ndarray::Array2;

/// A record that is read block by block and can be read again from its start.
///
/// A file being parsed is one, a [`Capture`](crate::Capture) in memory another; a record longer than memory goes
/// the same way as a short one. A source may be handed on as `&mut source` or boxed.
///
/// Who reads and who gives hold to this:
/// - A reader calls [`rewind`](Self::rewind) before each reading, the first one included, and may stop a reading
///   anywhere and begin the next. [`measure`](crate::measure()) reads once, again where a long record's hum shows late or
///   its values lie far from 1; [`separate`](crate::separation::separate()) reads at least twice, and
///   once more where the number of frames is not known at first.
/// - A block has a row for every channel and room for any number of frames from 1 up, the same or another at each
///   call. A source fills its leading columns: all of them or fewer, none only at the end.
/// - Every reading gives the same channels and the same samples. The number of frames is held against that of the
///   reading before: one that differs is refused as `Unreadable`. Samples that differ are not noticed, and the figures
///   are then those of no one record.
/// - A count above the room of the block is refused as `Internal`.
pub trait FrameSource: Send {
    /// What is known so far. Rate and frame count may be refined by reading to the end; until then
    /// the rate is good enough to lay out an analysis (a part in a thousand). The channels stay as they are.
    fn header(&self) -> &CaptureHeader;

    /// Reads the next frames into the leading columns of `block` (one row a channel, standard, that is row by row,
    /// layout) and returns how many; 0 means the end. A missing sample is NaN, one beyond the range infinite.
    ///
    /// # Errors
    /// Whatever the input does not bear: `Unreadable`, `BadValue`, `UnevenSampling`.
    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error>;

    /// Goes back to the first frame.
    ///
    /// # Errors
    /// Where the file cannot be read again.
    fn rewind(&mut self) -> Result<(), Error>;

    /// What was noticed while reading; complete once the end was reached.
    fn warnings(&self) -> Vec<Warning>;
}

macro_rules! source_behind {
    ($($pointer:ty),*) => {$(
        impl<S: FrameSource + ?Sized> FrameSource for $pointer {
            fn header(&self) -> &CaptureHeader {
                (**self).header()
            }

            fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
                (**self).read_block(block)
            }

            fn rewind(&mut self) -> Result<(), Error> {
                (**self).rewind()
            }

            fn warnings(&self) -> Vec<Warning> {
                (**self).warnings()
            }
        }
    )*};
}

source_behind!(&mut S, Box<S>);

/// The next frames of a source, no more than the block holds.
pub(crate) fn read_frames(
    source: &mut dyn FrameSource,
    block: &mut Array2<f64>,
) -> Result<usize, Error> {
    let count = source.read_block(block)?;
    if count <= block.ncols() {
        return Ok(count);
    }
    Err(ErrorKind::Internal.error(format!(
        "the source says that it gave {count} frames into a block of {}; correct the source",
        block.ncols()
    )))
}

/// The error of a source that does not give the same record again.
pub(crate) fn other_record(before: usize, now: usize) -> Error {
    ErrorKind::Unreadable.error(format!(
        "the record held {before} frames when it was read before and {now} when it was read again; \
         copy what is still being written and read the copy"
    ))
}

/// Frames that a block holds for so many channels, as one slice: channel after channel.
///
/// # Errors
/// `BadOption` where the block has too few rows or is not in standard layout.
pub(crate) fn slice_of(block: &mut Array2<f64>, channels: usize) -> Result<&mut [f64], Error> {
    let enough = block.nrows() >= channels;
    block.as_slice_mut().filter(|_| enough).ok_or_else(|| {
        ErrorKind::BadOption
            .error("the block must have a row for every channel, in standard layout")
    })
}
