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
        if let Some(measurements) = read(source, options, wanted, &mut told)? {
            return Ok(measurements);
        }
    }
}

/// One reading; `None`, what to start from `told` by channel, where there is to be another.
fn read(
    source: &mut dyn FrameSource,
    options: &MeasureOptions,
    wanted: &[usize],
    told: &mut Vec<Told>,
) -> Result<Option<Vec<Measurement>>, Error> {
    source.rewind()?;
    let mut channels: Vec<Channel> = wanted
        .iter()
        .zip(std::mem::take(told))
        .map(|(&index, told)| Channel::new(index, source.header(), told, options))
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
            told.extend(channels.into_iter().map(|c| c.told));
            return Ok(None);
        }
    }
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
