//! A source cut into chapters that overlap.

use crate::Error;
use crate::capture::FrameSource;
use ndarray::Array2;
use std::collections::VecDeque;

/// Frames that are read or written at once.
pub(super) const BLOCK_FRAMES: usize = 1 << 14;

/// A stretch that is worked at once: one row a channel.
pub(super) struct Chapter {
    pub(super) rows: Vec<Vec<f64>>,
    pub(super) last: bool,
}

/// Cuts a source into chapters that overlap.
pub(super) struct Chapters<'a> {
    source: &'a mut dyn FrameSource,
    block: Array2<f64>,
    /// What has been read beyond the chapters given out, and the overlap with the last of them.
    rows: Vec<VecDeque<f64>>,
    length: usize,
    overlap: usize,
    left: usize,
}

impl<'a> Chapters<'a> {
    /// Cuts `frames` frames from the source's start into chapters of `length` that share `overlap`.
    pub(super) fn new(
        source: &'a mut dyn FrameSource,
        frames: usize,
        length: usize,
        overlap: usize,
    ) -> Result<Self, Error> {
        source.rewind()?;
        let channels = source.header().channels.len();
        Ok(Self {
            source,
            block: Array2::zeros((channels, BLOCK_FRAMES)),
            rows: vec![VecDeque::new(); channels],
            length,
            overlap,
            left: frames,
        })
    }

    pub(super) fn next(&mut self) -> Result<Option<Chapter>, Error> {
        if self.left == 0 {
            return Ok(None);
        }
        while self.rows[0].len() < self.length {
            let count = self.source.read_block(&mut self.block)?;
            if count == 0 {
                break;
            }
            append(&mut self.rows, &self.block, count);
        }
        let frames = self.rows[0].len().min(self.length);
        let last = frames >= self.left;
        let done = if last {
            frames
        } else {
            frames - self.overlap.min(frames / 2)
        };
        self.left = if last || frames == 0 {
            0
        } else {
            self.left - done
        };
        let rows = self
            .rows
            .iter_mut()
            .map(|row| {
                let chapter = row.iter().take(frames).copied().collect();
                row.drain(..done);
                chapter
            })
            .collect();
        Ok(Some(Chapter { rows, last }))
    }
}

pub(super) fn append(rows: &mut [VecDeque<f64>], block: &Array2<f64>, count: usize) {
    for (row, values) in rows.iter_mut().zip(block.rows()) {
        row.extend(values.iter().take(count));
    }
}
