//! A source cut into chapters that overlap.

use crate::Error;
use crate::capture::{FrameSource, other_record, read_frames};
use ndarray::Array2;

/// Frames that are read or written at once.
pub(crate) const BLOCK_FRAMES: usize = 1 << 14;

/// A stretch that is worked at once: one row a channel.
#[derive(Default)]
pub(crate) struct Chapter {
    pub(crate) rows: Vec<Vec<f64>>,
    pub(crate) frames: usize,
    /// First frame.
    pub(crate) start: usize,
    pub(crate) last: bool,
}

/// Cuts a source into chapters that overlap.
pub(crate) struct Chapters<'a> {
    source: &'a mut dyn FrameSource,
    block: Array2<f64>,
    /// What has been read beyond the last chapter, and its overlap with the next.
    carried: Vec<Vec<f64>>,
    length: usize,
    overlap: usize,
    start: usize,
    left: usize,
}

impl<'a> Chapters<'a> {
    /// Cuts `frames` frames from the source's start into chapters of `length` that share `overlap`.
    pub(crate) fn new(
        source: &'a mut dyn FrameSource,
        frames: usize,
        length: usize,
        overlap: usize,
    ) -> Result<Self, Error> {
        source.rewind()?;
        let channels = source.header().channels.len();
        let block_frames = source.header().block_frames(BLOCK_FRAMES);
        Ok(Self {
            source,
            block: Array2::zeros((channels, block_frames)),
            carried: vec![Vec::new(); channels],
            length,
            overlap,
            start: 0,
            left: frames,
        })
    }

    /// Reads the next chapter into the place of an old one; returns whether there is one.
    pub(crate) fn fill(&mut self, chapter: &mut Chapter) -> Result<bool, Error> {
        chapter.frames = 0;
        if self.left == 0 {
            return Ok(false);
        }
        chapter.rows.resize(self.carried.len(), Vec::new());
        let room = self.length.min(self.left) + BLOCK_FRAMES;
        for (row, carried) in chapter.rows.iter_mut().zip(&mut self.carried) {
            row.clear();
            row.reserve_exact(room);
            row.append(carried);
        }
        // The last chapter is read on to the record's end, to see that it is where it was.
        let wanted = match self.left <= self.length {
            true => self.left + 1,
            false => self.length,
        };
        while chapter.rows[0].len() < wanted {
            let count = read_frames(self.source, &mut self.block)?;
            if count == 0 {
                break;
            }
            append(&mut chapter.rows, &self.block, count);
        }
        let read = chapter.rows[0].len();
        if read > self.left || read < self.left.min(self.length) {
            return Err(other_record(self.start + self.left, self.start + read));
        }
        let frames = read.min(self.length);
        chapter.frames = frames;
        chapter.last = frames >= self.left;
        chapter.start = self.start;
        let done = if chapter.last {
            frames
        } else {
            frames - self.overlap.min(frames / 2)
        };
        self.left = if chapter.last || frames == 0 {
            0
        } else {
            self.left - done
        };
        self.start += done;
        for (row, carried) in chapter.rows.iter_mut().zip(&mut self.carried) {
            carried.extend_from_slice(&row[done..]);
            row.truncate(frames);
        }
        Ok(frames > 0)
    }
}

pub(crate) fn append(rows: &mut [Vec<f64>], block: &Array2<f64>, count: usize) {
    for (row, values) in rows.iter_mut().zip(block.rows()) {
        match values.to_slice() {
            Some(values) => row.extend_from_slice(&values[..count]),
            None => row.extend(values.iter().take(count)),
        }
    }
}
