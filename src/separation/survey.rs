//! A first pass over a record: its length and its offsets.

use super::chapters::BLOCK_FRAMES;
use super::watch::sum;
use crate::capture::FrameSource;
use crate::{Error, ErrorKind};
use ndarray::Array2;
use std::f64::consts::FRAC_PI_2;

/// Length and offsets of a record.
pub(super) struct Survey {
    pub(super) frames: usize,
    pub(super) offsets: Vec<f64>,
}

/// A sum and the weight that went into it.
#[derive(Clone, Copy, Default)]
struct Mean {
    sum: f64,
    weight: f64,
}

impl Mean {
    fn add(&mut self, other: Self) {
        self.sum += other.sum;
        self.weight += other.weight;
    }

    /// Mean of the samples that are there.
    fn of(values: &[f64]) -> Self {
        let sum = sum(values);
        if sum.is_finite() {
            return Self {
                sum,
                weight: values.len() as f64,
            };
        }
        let mut mean = Self::default();
        for v in values.iter().filter(|v| v.is_finite()) {
            mean.sum += v;
            mean.weight += 1.0;
        }
        mean
    }
}

/// Reads the record once: its length, and offsets as means under a window that rises within the first
/// second and ends with a whole one, so that hum does not leak into them.
pub(super) fn survey(source: &mut dyn FrameSource) -> Result<Survey, Error> {
    source.rewind()?;
    let channels = source.header().channels.len();
    let rate = source.header().time_base.sample_rate_hz;
    let second = rate.round().max(1.0) as usize;
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((channels, block_frames));
    let mut frames = 0usize;
    let mut windowed = vec![Mean::default(); channels];
    let mut plain = windowed.clone();
    // The second that is not yet known to be whole.
    let mut pending = windowed.clone();
    loop {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        let mut from = 0;
        while from < count {
            let at = (frames + from) % second;
            let to = count.min(from + second - at);
            for (c, row) in block.rows().into_iter().enumerate() {
                let Some(values) = row.to_slice().and_then(|r| r.get(from..to)) else {
                    continue;
                };
                let mean = Mean::of(values);
                plain[c].add(mean);
                if frames + from >= second {
                    pending[c].add(mean);
                } else {
                    windowed[c].add(rising(values, at, second));
                }
                if at + to - from == second {
                    windowed[c].add(std::mem::take(&mut pending[c]));
                }
            }
            from = to;
        }
        frames += count;
    }
    if frames == 0 {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "the capture holds no samples",
        ));
    }
    let offsets = windowed
        .iter()
        .zip(&plain)
        .map(|(windowed, plain)| {
            let mean = if frames > 3 * second && windowed.weight > 0.0 {
                windowed
            } else {
                plain
            };
            mean.sum / mean.weight.max(1.0)
        })
        .collect();
    Ok(Survey { frames, offsets })
}

/// Mean under the rising flank of a squared sine.
fn rising(values: &[f64], at: usize, second: usize) -> Mean {
    let mut mean = Mean::default();
    for (i, v) in values.iter().enumerate() {
        let u = FRAC_PI_2 * ((at + i) as f64 + 0.5) / second as f64;
        let weight = u.sin().powi(2);
        if v.is_finite() {
            mean.sum += weight * v;
            mean.weight += weight;
        }
    }
    mean
}
