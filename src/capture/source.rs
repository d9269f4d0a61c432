//! Block-wise reading: the one way in which analysis and separation see a record.

use super::header::CaptureHeader;
use crate::{Error, ErrorKind, Warning};
use ndarray::Array2;

/// A record that is read block by block and can be read again from its start.
///
/// A file being parsed is one, a [`Capture`](crate::Capture) in memory another; a record longer than memory goes
/// the same way as a short one. Implementations yield the same samples on every reading.
pub trait FrameSource: Send {
    /// What is known so far. Rate and frame count may be refined by reading to the end; until then
    /// the rate is good enough to lay out an analysis (a part in a thousand).
    fn header(&self) -> &CaptureHeader;

    /// Reads the next frames into the leading columns of `block` (one row a channel, standard
    /// layout) and returns how many; 0 means the end.
    ///
    /// # Errors
    /// Whatever the input does not bear: unreadable, bad value, uneven sampling.
    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error>;

    /// Goes back to the first frame.
    ///
    /// # Errors
    /// Where the file cannot be read again.
    fn rewind(&mut self) -> Result<(), Error>;

    /// What was noticed while reading; complete once the end was reached.
    fn warnings(&self) -> Vec<Warning>;
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
