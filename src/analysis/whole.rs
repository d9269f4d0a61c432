//! A record measured as a whole.

use super::channel::{Channel, Told};
use super::measurement::Measurement;
use super::options::MeasureOptions;
use crate::Error;
use crate::capture::{FrameSource, other_record, read_frames};
use ndarray::Array2;

/// Frames of one block.
pub(super) const BLOCK_FRAMES: usize = 1 << 14;

/// Reads the record, and again where a channel is to start from what the first reading told.
pub(super) fn measure_whole(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
) -> Result<Vec<Measurement>, Error> {
    let mut told: Vec<Told> = vec![Told::default(); wanted.len()];
    // A series that shows late in a long record is followed from the start in a second reading, and values far from 1
    // are read at a scale of their own: one more each a channel at most, since what a channel is told it keeps.
    let mut length = Length::default();
    loop {
        if let Some(measurements) = read(source, options, wanted, &mut told, &mut length)? {
            return Ok(measurements);
        }
    }
}

/// What readings tell of the record's length, frames.
#[derive(Default)]
struct Length {
    /// Of a reading that was broken off.
    least: usize,
    /// Of one to the end.
    whole: Option<usize>,
}

impl Length {
    /// A reading came to its end after so many frames, where the one before it did.
    fn ended(&mut self, frames: usize) -> Result<(), Error> {
        let before = self.whole.unwrap_or(self.least.max(frames));
        self.whole = Some(frames);
        if frames == before {
            return Ok(());
        }
        Err(other_record(before, frames))
    }
}

/// One reading; `None`, what to start from `told` by channel, where there is to be another.
fn read(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    told: &mut Vec<Told>,
    length: &mut Length,
) -> Result<Option<Vec<Measurement>>, Error> {
    source.rewind()?;
    let mut channels: Vec<Channel> = wanted
        .iter()
        .zip(std::mem::take(told))
        .map(|(&index, told)| Channel::new(index, source.header(), told, options))
        .collect();
    source.header().check()?;
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((source.header().channels.len(), block_frames));
    let mut frames = 0;
    loop {
        let count = read_frames(source, &mut block)?;
        if count == 0 {
            break;
        }
        frames += count;
        let mut again = false;
        for channel in &mut channels {
            let Some(row) = block.row(channel.index).to_slice().map(|r| &r[..count]) else {
                continue;
            };
            if let Some(found) = channel.take(row) {
                channel.told.known = Some(found);
                again = true;
            }
        }
        if again {
            length.least = frames;
            told.extend(channels.into_iter().map(|c| c.told));
            return Ok(None);
        }
    }
    length.ended(frames)?;
    let mut again = false;
    for channel in &mut channels {
        let name = &source.header().channels[channel.index].name;
        again |= channel.wants_own_scale(name)?;
    }
    if again {
        told.extend(channels.into_iter().map(|c| c.told));
        return Ok(None);
    }
    let header = source.header().clone();
    let warnings = source.warnings();
    let measurements: Result<_, Error> = channels
        .into_iter()
        .map(|channel| channel.finish(&header, frames, &warnings))
        .collect();
    measurements.map(Some)
}

#[cfg(test)]
mod tests {
    use crate::capture::{CaptureHeader, FrameSource, MemorySource};
    use crate::{Capture, Error, ErrorKind, MeasureOptions, Warning, measure};
    use approx::assert_relative_eq;
    use ndarray::{Array2, Axis, Slice};

    /// Gives blocks of a width of its own and says how often it was rewound; from the second reading on it keeps
    /// some frames back.
    struct Faulty {
        record: MemorySource<'static>,
        width: usize,
        kept_back: usize,
        frames: usize,
        given: usize,
        rewound: usize,
    }

    impl Faulty {
        fn of(samples: &[f64], width: usize, kept_back: usize) -> Self {
            let capture = Capture::from_samples("bench", 5000.0, samples).unwrap();
            Self {
                frames: samples.len(),
                record: capture.into(),
                width,
                kept_back,
                given: 0,
                rewound: 0,
            }
        }
    }

    impl FrameSource for Faulty {
        fn header(&self) -> &CaptureHeader {
            self.record.header()
        }

        fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
            let kept_back = if self.rewound > 1 { self.kept_back } else { 0 };
            let left = self.frames - kept_back - self.given;
            let count = self.width.min(left).min(block.ncols());
            let mut part = Array2::zeros((1, count));
            if count > 0 {
                self.record.read_block(&mut part)?;
            }
            block
                .slice_axis_mut(Axis(1), Slice::from(..count))
                .assign(&part);
            self.given += count;
            Ok(count)
        }

        fn rewind(&mut self) -> Result<(), Error> {
            (self.given, self.rewound) = (0, self.rewound + 1);
            self.record.rewind()
        }

        fn warnings(&self) -> Vec<Warning> {
            Vec::new()
        }
    }

    /// Hum at a scale that asks for a second reading.
    fn hum() -> Vec<f64> {
        (0..5000)
            .map(|n| (n, f64::from((n * n) % 10_007) / 10_007.0))
            .map(|(n, noise)| 1e-200 * ((0.0628 * f64::from(n)).cos() + 0.01 * noise))
            .collect()
    }

    #[test]
    fn blocks_of_any_width_are_the_same_record() {
        let options = MeasureOptions::default();
        let hum_rms = |source: &mut dyn FrameSource| {
            let measured = measure(source, &options).unwrap().remove(0);
            assert_eq!(measured.samples, 5000);
            measured.mains.hum_rms.unwrap().value
        };
        let whole = hum_rms(&mut Faulty::of(&hum(), 5000, 0));
        assert_relative_eq!(whole, 1e-200 * 0.5f64.sqrt(), max_relative = 1e-3);
        for width in [1, 77] {
            let mut source = Faulty::of(&hum(), width, 0);
            let mut boxed: Box<dyn FrameSource> = Box::new(&mut source);
            // Sums are rounded block by block.
            assert_relative_eq!(hum_rms(&mut boxed), whole, max_relative = 1e-9);
            drop(boxed);
            assert_eq!(source.rewound, 2);
        }
    }

    #[test]
    fn a_record_that_gets_shorter_is_refused() {
        let error = measure(
            &mut Faulty::of(&hum(), 500, 100),
            &MeasureOptions::default(),
        );
        let error = error.unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Unreadable);
        assert!(error.message().contains("5000") && error.message().contains("4900"));
    }

    /// Says that it gave more than the block holds.
    struct Boastful(MemorySource<'static>);

    impl FrameSource for Boastful {
        fn header(&self) -> &CaptureHeader {
            self.0.header()
        }

        fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
            Ok(1 + self.0.read_block(block)?)
        }

        fn rewind(&mut self) -> Result<(), Error> {
            self.0.rewind()
        }

        fn warnings(&self) -> Vec<Warning> {
            self.0.warnings()
        }
    }

    #[test]
    fn a_count_beyond_the_block_is_refused() {
        let capture = Capture::from_samples("bench", 5000.0, &[0.0; 20_000]).unwrap();
        let error = measure(&mut Boastful(capture.into()), &MeasureOptions::default());
        assert_eq!(error.unwrap_err().kind(), ErrorKind::Internal);
    }
}
