//! Block-wise writing.

use super::source::read_frames;
use super::{Capture, CaptureHeader, FrameSource};
use crate::{Error, ErrorKind};
use ndarray::{Array2, Axis, Slice};

/// Takes a capture block by block: [`begin`](Self::begin), any number of blocks, [`finish`](Self::finish). After an error
/// nothing more is called.
pub trait FrameSink {
    /// Called once before the first block, with the channels that will be written and their time base.
    ///
    /// # Errors
    /// Where the output cannot be opened.
    fn begin(&mut self, header: &CaptureHeader) -> Result<(), Error>;

    /// Takes the leading `frames` columns of `block`, one row a channel of the header; `frames` is no more than its columns.
    ///
    /// # Errors
    /// Where the output cannot be written.
    fn write_block(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), Error>;

    /// Called once after the last block: makes the output whole.
    ///
    /// # Errors
    /// Where the output cannot be written.
    fn finish(&mut self) -> Result<(), Error>;
}

/// Collects a capture in memory.
#[derive(Debug, Default)]
pub struct MemorySink {
    header: Option<CaptureHeader>,
    rows: Vec<Vec<f64>>,
}

impl MemorySink {
    /// An empty sink.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The capture that was collected.
    ///
    /// # Errors
    /// `NoSamples` where nothing was written, else those of [`Capture::new`].
    pub fn into_capture(self) -> Result<Capture, Error> {
        let frames = self.rows.first().map_or(0, Vec::len);
        let header = self
            .header
            .ok_or_else(|| ErrorKind::NoSamples.error("nothing was written"))?;
        let samples = Array2::from_shape_vec((self.rows.len(), frames), self.rows.concat())
            .map_err(|e| ErrorKind::BadValue.error(format!("channels differ in length: {e}")))?;
        Capture::new(header, samples)
    }
}

impl Capture {
    /// Reads a whole source into memory, from its first frame, with its warnings.
    ///
    /// # Errors
    /// Those of the source, and `NoSamples` where it has no frame.
    pub fn collect(source: &mut dyn FrameSource) -> Result<Self, Error> {
        const BLOCK_FRAMES: usize = 1 << 14;
        source.rewind()?;
        let channels = source.header().channels.len();
        let frames = source.header().block_frames(BLOCK_FRAMES);
        let mut block = Array2::zeros((channels, frames));
        let mut sink = MemorySink::new();
        sink.begin(source.header())?;
        loop {
            match read_frames(source, &mut block)? {
                0 => break,
                count => sink.write_block(&block, count)?,
            }
        }
        // Rate and length are known better at the end.
        sink.header = Some(source.header().clone());
        Ok(sink.into_capture()?.with_warnings(source.warnings()))
    }
}

impl FrameSink for MemorySink {
    fn begin(&mut self, header: &CaptureHeader) -> Result<(), Error> {
        self.rows = vec![Vec::new(); header.channels.len()];
        self.header = Some(header.clone());
        Ok(())
    }

    fn write_block(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), Error> {
        for (row, values) in self.rows.iter_mut().zip(block.rows()) {
            row.extend(values.slice_axis(Axis(0), Slice::from(..frames)));
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<(), Error> {
        Ok(())
    }
}
