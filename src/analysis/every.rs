//! The time-resolved log of a record: a measurement for every stretch of it.

use super::measurement::Measurement;
use super::monitor::{Stretch, Stretches};
use super::options::MeasureOptions;
use super::whole::BLOCK_FRAMES;
use crate::capture::{FrameSource, read_frames};
use crate::parallel::*;
use crate::{Error, ErrorKind};
use ndarray::{Array2, Axis, Slice};

/// Samples of the stretches that are measured at once, where these are not long ones.
const AT_ONCE: usize = 1 << 20;

/// One measurement for each stretch of `every_s`, each read into memory by itself.
pub(super) fn measure_every(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    every_s: f64,
) -> Result<Vec<Measurement>, Error> {
    source.rewind()?;
    let channels = source.header().channels.len();
    let mut stretches = Stretches::new(source.header().clone(), every_s)?;
    let frames = stretches.frames();
    let most = (AT_ONCE / frames.saturating_mul(channels).max(1)).clamp(1, 16 * threads());
    let mut block = Array2::zeros((channels, BLOCK_FRAMES.min(frames)));
    let mut log = Log {
        options: MeasureOptions {
            every_s: None,
            ..options.clone()
        },
        wanted,
        channels: vec![Vec::new(); wanted.len()],
    };
    let mut waiting = Vec::new();
    loop {
        let count = read_frames(source, &mut block)?;
        if count == 0 {
            break;
        }
        stretches.push(&block.slice_axis(Axis(1), Slice::from(..count)))?;
        while let Some(stretch) = stretches.next()? {
            waiting.push(stretch);
        }
        if waiting.len() >= most {
            log.add(&mut waiting)?;
        }
    }
    waiting.extend(stretches.rest()?);
    log.add(&mut waiting)?;
    if log.channels.iter().all(Vec::is_empty) {
        return Err(ErrorKind::TooShort.error(format!(
            "the record is shorter than half a stretch of {every_s} s; ask for shorter stretches"
        )));
    }
    Ok(log.channels.concat())
}

/// What was measured so far, by channel.
struct Log<'a> {
    options: MeasureOptions,
    wanted: &'a [usize],
    channels: Vec<Vec<Measurement>>,
}

impl Log<'_> {
    /// Measures what waits, on all cores.
    fn add(&mut self, waiting: &mut Vec<Stretch>) -> Result<(), Error> {
        let measured: Vec<Result<Vec<Measurement>, Error>> = waiting
            .par_iter()
            .map(|stretch| stretch.measured(&self.options, self.wanted))
            .collect();
        for stretch in measured {
            for (channel, one) in self.channels.iter_mut().zip(stretch?) {
                channel.push(one);
            }
        }
        waiting.clear();
        Ok(())
    }
}
