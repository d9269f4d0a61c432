//! The first frames of a record, kept while it is read or written.

use super::memory::Capture;
use super::{CaptureHeader, FrameSink, FrameSource, MemorySink};
use crate::{Error, Warning};
use ndarray::Array2;

/// Keeps the first frames of what it is given, up to a number, and drops the others.
#[derive(Debug, Default)]
pub struct FirstFrames {
    most: usize,
    held: usize,
    frames: MemorySink,
}

impl FirstFrames {
    /// Keeps up to so many frames.
    #[must_use]
    pub fn new(most: usize) -> Self {
        Self {
            most,
            ..Self::default()
        }
    }

    /// The frames that were kept.
    ///
    /// # Errors
    /// `NoSamples` where there was none.
    pub fn into_capture(self) -> Result<Capture, Error> {
        self.frames.into_capture()
    }
}

impl FrameSink for FirstFrames {
    fn begin(&mut self, header: &CaptureHeader) -> Result<(), Error> {
        self.held = 0;
        self.frames.begin(header)
    }

    fn write_block(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), Error> {
        let kept = frames.min(self.most - self.held);
        self.held += kept;
        self.frames.write_block(block, kept)
    }

    fn finish(&mut self) -> Result<(), Error> {
        self.frames.finish()
    }
}

/// A source whose first frames are kept while it is read.
pub struct Watched<'a> {
    source: &'a mut dyn FrameSource,
    kept: FirstFrames,
    begun: bool,
}

impl<'a> Watched<'a> {
    /// The source, up to so many frames of it kept.
    pub fn new(source: &'a mut dyn FrameSource, most: usize) -> Self {
        Self {
            source,
            kept: FirstFrames::new(most),
            begun: false,
        }
    }

    /// The frames that were kept of the last reading.
    ///
    /// # Errors
    /// `NoSamples` where there was none.
    pub fn into_capture(self) -> Result<Capture, Error> {
        self.kept.into_capture()
    }
}

impl FrameSource for Watched<'_> {
    fn header(&self) -> &CaptureHeader {
        self.source.header()
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let frames = self.source.read_block(block)?;
        if !self.begun {
            self.kept.begin(self.source.header())?;
            self.begun = true;
        }
        self.kept.write_block(block, frames)?;
        Ok(frames)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.begun = false;
        self.source.rewind()
    }

    fn warnings(&self) -> Vec<Warning> {
        self.source.warnings()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::MemorySource;

    #[test]
    fn each_reading_keeps_the_first_frames_again() {
        let samples: Vec<f64> = (0..10).map(f64::from).collect();
        let capture = Capture::from_samples("bench", 10.0, &samples).unwrap();
        let mut source = MemorySource::new(&capture);
        let mut watched = Watched::new(&mut source, 5);
        let mut block = Array2::zeros((1, 3));
        watched.read_block(&mut block).unwrap();
        watched.rewind().unwrap();
        while watched.read_block(&mut block).unwrap() > 0 {}
        let kept = watched.into_capture().unwrap();
        assert_eq!(kept.channel(0).unwrap().to_vec(), samples[..5]);
    }
}
