//! Reading ahead: the next block of a long record is read while the last one is worked on.

use crate::capture::{CaptureHeader, FrameSource, slice_of};
use crate::{Error, ErrorKind, Warning};
use ndarray::{Array2, Axis, Slice};
use std::mem;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, TryRecvError};
use std::time::Duration;

/// Files shorter than this are read without.
pub(crate) const AHEAD_FROM_BYTES: u64 = 1 << 22;

/// A source whose next block is read by another thread of the pool, if that has one to spare. Blocks,
/// header and errors come as from the source itself.
pub(crate) struct Ahead {
    source: Whereabouts,
    header: CaptureHeader,
    warnings: Vec<Warning>,
    /// The block at hand, of which `given` frames of `count` were handed on.
    block: Array2<f64>,
    given: usize,
    count: usize,
    /// Header and warnings as they are behind the block at hand.
    noted: Option<(CaptureHeader, Vec<Warning>)>,
}

enum Whereabouts {
    Here(Box<dyn FrameSource>),
    /// With a thread that reads a block.
    Away(Receiver<Return>),
    Lost,
}

struct Return {
    source: Box<dyn FrameSource>,
    block: Array2<f64>,
    outcome: Result<usize, Error>,
}

impl Ahead {
    pub fn new(source: Box<dyn FrameSource>) -> Self {
        Self {
            header: source.header().clone(),
            warnings: source.warnings(),
            source: Whereabouts::Here(source),
            block: Array2::zeros((0, 0)),
            given: 0,
            count: 0,
            noted: None,
        }
    }

    /// Has a block of a shape read by whoever is free.
    fn send_away(
        &mut self,
        mut source: Box<dyn FrameSource>,
        spare: Array2<f64>,
        shape: (usize, usize),
    ) {
        let mut block = if spare.dim() == shape {
            spare
        } else {
            Array2::zeros(shape)
        };
        let (sender, receiver) = mpsc::channel();
        self.source = Whereabouts::Away(receiver);
        rayon::spawn(move || {
            let outcome = source.read_block(&mut block);
            // Nobody waits where the capture was given up.
            let _ = sender.send(Return {
                source,
                block,
                outcome,
            });
        });
    }

    /// Reads the first block here and now, and has the next one read.
    fn begin(
        &mut self,
        mut source: Box<dyn FrameSource>,
        out: &mut Array2<f64>,
    ) -> Result<usize, Error> {
        let outcome = source.read_block(out);
        (self.header, self.warnings) = (source.header().clone(), source.warnings());
        if matches!(outcome, Ok(1..)) && rayon::current_num_threads() > 1 {
            let spare = mem::take(&mut self.block);
            self.send_away(source, spare, out.dim());
        } else {
            self.source = Whereabouts::Here(source);
        }
        outcome
    }

    /// Takes the block that was read meanwhile, and has the next one read.
    fn go_on(&mut self, returned: Return, out: &mut Array2<f64>) -> Result<usize, Error> {
        let Return {
            source,
            block,
            outcome,
        } = returned;
        self.noted = Some((source.header().clone(), source.warnings()));
        let spare = mem::replace(&mut self.block, block);
        (self.given, self.count) = (0, *outcome.as_ref().unwrap_or(&0));
        if self.count > 0 {
            self.send_away(source, spare, out.dim());
        } else {
            self.source = Whereabouts::Here(source);
        }
        outcome?;
        self.hand_on(out)
    }

    /// Hands on what is left of the block at hand.
    fn hand_on(&mut self, out: &mut Array2<f64>) -> Result<usize, Error> {
        let channels = self.header.channels.len();
        slice_of(out, channels)?;
        let count = (self.count - self.given).min(out.ncols());
        if self.given == 0 && out.dim() == self.block.dim() {
            mem::swap(out, &mut self.block);
        } else {
            let from = self.given as isize;
            let frames = Slice::new(from, Some(from + count as isize), 1);
            for (mut to, row) in out.rows_mut().into_iter().zip(self.block.rows()) {
                to.slice_axis_mut(Axis(0), Slice::from(..count))
                    .assign(&row.slice_axis(Axis(0), frames));
            }
        }
        self.given += count;
        if self.given == self.count
            && let Some(noted) = self.noted.take()
        {
            (self.header, self.warnings) = noted;
        }
        Ok(count)
    }
}

/// Waits for a block, working on what else there is to be done by the pool; `None` where it never comes.
fn wait(receiver: &Receiver<Return>) -> Option<Return> {
    loop {
        match receiver.try_recv() {
            Ok(returned) => return Some(returned),
            Err(TryRecvError::Disconnected) => return None,
            Err(TryRecvError::Empty) => {}
        }
        if matches!(rayon::yield_now(), Some(rayon::Yield::Executed)) {
            continue;
        }
        // Another thread is reading it.
        match receiver.recv_timeout(Duration::from_millis(1)) {
            Ok(returned) => return Some(returned),
            Err(RecvTimeoutError::Disconnected) => return None,
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

fn lost() -> Error {
    ErrorKind::Unreadable.error("the thread that read the file has ended")
}

impl FrameSource for Ahead {
    fn header(&self) -> &CaptureHeader {
        &self.header
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        if self.given < self.count {
            return self.hand_on(block);
        }
        match mem::replace(&mut self.source, Whereabouts::Lost) {
            Whereabouts::Here(source) => self.begin(source, block),
            Whereabouts::Away(receiver) => {
                let returned = wait(&receiver).ok_or_else(lost)?;
                self.go_on(returned, block)
            }
            Whereabouts::Lost => Err(lost()),
        }
    }

    fn rewind(&mut self) -> Result<(), Error> {
        let mut source = match mem::replace(&mut self.source, Whereabouts::Lost) {
            Whereabouts::Here(source) => source,
            Whereabouts::Away(receiver) => wait(&receiver).ok_or_else(lost)?.source,
            Whereabouts::Lost => return Err(lost()),
        };
        (self.given, self.count, self.noted) = (0, 0, None);
        let outcome = source.rewind();
        (self.header, self.warnings) = (source.header().clone(), source.warnings());
        self.source = Whereabouts::Here(source);
        outcome
    }

    fn warnings(&self) -> Vec<Warning> {
        self.warnings.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Channel, RateOrigin, TimeBase};

    /// Counts to a number of frames, which it knows at the end; then ends or fails.
    struct Counter {
        header: CaptureHeader,
        next: usize,
        frames: usize,
        fails: bool,
    }

    impl Counter {
        fn boxed(frames: usize, fails: bool) -> Box<dyn FrameSource> {
            let channel = Channel {
                name: "1".into(),
                unit: "V".into(),
            };
            let time_base = TimeBase::from_rate(1.0, RateOrigin::User);
            let header = CaptureHeader::new("counter", vec![channel], time_base);
            Box::new(Self {
                header,
                next: 0,
                frames,
                fails,
            })
        }
    }

    impl FrameSource for Counter {
        fn header(&self) -> &CaptureHeader {
            &self.header
        }

        fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
            let count = block.ncols().min(self.frames - self.next);
            if count < block.ncols() {
                if self.fails {
                    return Err(ErrorKind::BadValue.error("no further"));
                }
                self.header.frames = Some(self.frames as u64);
            }
            for index in 0..count {
                block[[0, index]] = (self.next + index) as f64;
            }
            self.next += count;
            Ok(count)
        }

        fn rewind(&mut self) -> Result<(), Error> {
            self.next = 0;
            Ok(())
        }

        fn warnings(&self) -> Vec<Warning> {
            Vec::new()
        }
    }

    /// Count, samples, and the number of frames as far as it is known.
    type Block = (usize, Vec<f64>, Option<u64>);

    /// What is read in blocks of each size in turn, and how it ends.
    fn read(source: &mut dyn FrameSource, sizes: &[usize]) -> (Vec<Block>, Option<String>) {
        let mut read = Vec::new();
        for size in sizes.iter().cycle() {
            let mut block = Array2::zeros((1, *size));
            match source.read_block(&mut block) {
                Ok(0) => return (read, None),
                Ok(count) => {
                    let values = block.iter().take(count).copied().collect();
                    read.push((count, values, source.header().frames));
                }
                Err(error) => return (read, Some(error.to_string())),
            }
        }
        unreachable!()
    }

    #[test]
    fn blocks_come_as_from_the_source_itself() {
        for threads in [1, 2, 4] {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            for (frames, size) in [(1, 7), (6, 7), (7, 7), (1000, 7), (10_000, 64)] {
                for fails in [false, true] {
                    let mut plain = Counter::boxed(frames, fails);
                    let mut ahead = Ahead::new(Counter::boxed(frames, fails));
                    pool.install(|| {
                        let expected = read(plain.as_mut(), &[size]);
                        assert_eq!(read(&mut ahead, &[size]), expected);
                        plain.rewind().unwrap();
                        ahead.rewind().unwrap();
                        let mut block = Array2::zeros((1, size));
                        let _ = (plain.read_block(&mut block), ahead.read_block(&mut block));
                        plain.rewind().unwrap();
                        ahead.rewind().unwrap();
                        assert_eq!(read(&mut ahead, &[size]), read(plain.as_mut(), &[size]));
                    });
                }
            }
        }
    }

    #[test]
    fn blocks_of_any_size_hold_the_same_samples() {
        let mut ahead = Ahead::new(Counter::boxed(1000, false));
        for sizes in [&[64, 5, 200][..], &[3, 100], &[1]] {
            ahead.rewind().unwrap();
            let (blocks, error) = read(&mut ahead, sizes);
            assert_eq!(error, None);
            let values: Vec<f64> = blocks
                .into_iter()
                .flat_map(|(_, values, _)| values)
                .collect();
            assert!(values.iter().copied().eq((0..1000).map(f64::from)));
            assert_eq!(ahead.header().frames, Some(1000));
        }
    }
}
