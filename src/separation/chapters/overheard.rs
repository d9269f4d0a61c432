//! A first pass over a record made while it is measured: one reading fewer.

use super::offsets::{Look, Offsets};
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, Warning};
use ndarray::Array2;

/// A source that is looked through by whoever reads it first to its end.
pub(crate) struct Overheard<'a> {
    source: &'a mut dyn FrameSource,
    look: Look,
    /// Frame that is read next.
    at: usize,
    /// Whether every frame was taken, in its order.
    whole: bool,
    ended: bool,
}

impl<'a> Overheard<'a> {
    /// Nothing seen yet.
    pub(crate) fn new(source: &'a mut dyn FrameSource) -> Self {
        Self {
            look: Look::new(source.header()),
            source,
            at: 0,
            whole: true,
            ended: false,
        }
    }

    /// What was seen, if the record was read to its end.
    pub(crate) fn offsets(self) -> Option<Result<Offsets, Error>> {
        (self.whole && self.ended).then(|| self.look.finish())
    }
}

impl FrameSource for Overheard<'_> {
    fn header(&self) -> &CaptureHeader {
        self.source.header()
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let count = self.source.read_block(block)?;
        let (from, to) = (self.at, self.at.saturating_add(count));
        self.at = to;
        let seen = self.look.frames();
        if self.ended || to <= seen {
            // Of a record that gets shorter nothing is known.
            self.whole &= count > 0 || to == seen;
            self.ended |= count == 0;
        } else if from == seen && count <= block.ncols() {
            self.look.take(block, count);
        } else {
            self.whole = false;
        }
        Ok(count)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.at = 0;
        self.source.rewind()
    }

    fn warnings(&self) -> Vec<Warning> {
        self.source.warnings()
    }
}

#[cfg(test)]
mod tests {
    use super::super::offsets::find_offsets;
    use super::*;
    use crate::Capture;
    use crate::capture::MemorySource;

    /// Reads so many blocks of 1000 frames, or all.
    fn read(source: &mut dyn FrameSource, blocks: usize) {
        source.rewind().unwrap();
        let mut block = Array2::zeros((1, 1000));
        for _ in 0..blocks {
            if source.read_block(&mut block).unwrap() == 0 {
                break;
            }
        }
    }

    #[test]
    fn what_is_overheard_is_what_a_pass_of_its_own_shows() {
        let samples: Vec<f64> = (0..10_500)
            .map(|n| 0.3 + (0.0628 * f64::from(n)).cos())
            .collect();
        let capture = Capture::from_samples("bench", 1000.0, &samples).unwrap();
        let mut source = MemorySource::new(&capture);
        let alone = find_offsets(&mut source).unwrap();
        for broken_off in [0, 3, 10, 100] {
            let mut overheard = Overheard::new(&mut source);
            read(&mut overheard, broken_off);
            read(&mut overheard, 100);
            let offsets = overheard.offsets().unwrap().unwrap();
            assert_eq!(offsets.frames, alone.frames);
            let (own, other) = (&offsets.channels[0], &alone.channels[0]);
            assert!((own.offset - other.offset).abs() < 1e-12);
        }
        let mut overheard = Overheard::new(&mut source);
        read(&mut overheard, 3);
        assert!(overheard.offsets().is_none());
    }
}
