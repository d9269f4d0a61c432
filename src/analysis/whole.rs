//! A record measured as a whole.

use super::channel::{Channel, Told};
use super::measurement::Measurement;
use super::options::MeasureOptions;
use crate::Error;
use crate::capture::FrameSource;
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
    loop {
        match read(source, options, wanted, &told)? {
            Reading::Done(measurements) => return Ok(measurements),
            Reading::Again(found) => told = found,
        }
    }
}

/// How a reading of the record ended.
enum Reading {
    Done(Vec<Measurement>),
    /// What to start from the next time, by channel.
    Again(Vec<Told>),
}

fn read(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    told: &[Told],
) -> Result<Reading, Error> {
    source.rewind()?;
    let mut channels: Vec<Channel> = wanted
        .iter()
        .zip(told)
        .map(|(&index, told)| Channel::new(index, source.header(), told.clone(), options))
        .collect();
    source.header().time_base.check()?;
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((source.header().channels.len(), block_frames));
    let mut frames = 0;
    loop {
        let count = source.read_block(&mut block)?;
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
            return Ok(Reading::Again(
                channels.into_iter().map(|c| c.told).collect(),
            ));
        }
    }
    let mut again = false;
    for channel in &mut channels {
        let name = &source.header().channels[channel.index].name;
        again |= channel.wants_own_scale(name)?;
    }
    if again {
        return Ok(Reading::Again(
            channels.into_iter().map(|c| c.told).collect(),
        ));
    }
    let header = source.header().clone();
    let warnings = source.warnings();
    let measurements: Result<_, Error> = channels
        .into_iter()
        .map(|channel| channel.finish(&header, frames, &warnings))
        .collect();
    measurements.map(Reading::Done)
}
