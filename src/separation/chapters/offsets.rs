//! A first pass over a record: its length, its offsets, its size and its limits.

use super::clipping::Clipping;
use super::cutting::BLOCK_FRAMES;
use crate::analysis::Rails;
use crate::capture::{CaptureHeader, FrameSource, read_frames};
use crate::numeric::sum;
use crate::separation::samples::{peak, unit};
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;
use std::f64::consts::FRAC_PI_2;

/// What a first pass over a record shows.
pub(crate) struct Offsets {
    pub(crate) frames: usize,
    pub(crate) channels: Vec<ChannelOffset>,
}

/// What a first pass shows of one channel.
pub(crate) struct ChannelOffset {
    /// In the channel's own unit.
    pub(crate) offset: f64,
    /// Power of two that the channel is worked in.
    pub(crate) unit: f64,
    pub(crate) rails: Rails,
    pub(crate) clipped: Clipping,
    peak: f64,
    /// Samples from which the rails are learnt.
    head: Vec<f64>,
}

impl ChannelOffset {
    fn add(&mut self, values: &[f64], start: usize) {
        let largest = peak(values);
        self.peak = self.peak.max(largest);
        if start < LEARNT {
            self.head.extend_from_slice(values);
        } else if !(sum(values).is_finite() && self.rails.hold(-largest, largest)) {
            self.clipped.add(values, start, &self.rails);
        }
        if start < LEARNT && start + values.len() >= LEARNT {
            self.learn();
        }
    }

    fn learn(&mut self) {
        let head = std::mem::take(&mut self.head);
        self.rails.learn(&head);
        self.clipped.add(&head, 0, &self.rails);
    }

    /// Tells of samples at the limit of the range.
    pub(crate) fn clipping_warning(&self, frames: usize) -> Option<Warning> {
        let count = self.clipped.count();
        (count > 0).then(|| {
            WarningCode::Clipped.warning(format!(
                    "{count} of {frames} samples ({:.2} %) stand at the limit of the range; what lay beyond it \
                     is not known, so the output is no clean signal there; take the capture on a wider range",
                    100.0 * count as f64 / frames as f64
                ),
            )
        })
    }
}

/// Frames from which the limits of the range are learnt.
const LEARNT: usize = 1 << 17;
/// What sums are kept in, so that none is beyond what a number holds.
const SUM_UNIT: f64 = 18_446_744_073_709_551_616.0;

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
                sum: sum / SUM_UNIT,
                weight: values.len() as f64,
            };
        }
        let mut mean = Self::default();
        for v in values.iter().filter(|v| v.is_finite()) {
            mean.sum += v / SUM_UNIT;
            mean.weight += 1.0;
        }
        mean
    }
}

/// Reads the record once: its length, and offsets as means under a window that rises within the first
/// second and ends with a whole one, so that hum does not leak into them.
pub(crate) fn find_offsets(source: &mut dyn FrameSource) -> Result<Offsets, Error> {
    source.rewind()?;
    let mut look = Look::new(source.header());
    let mut block = look.block(source.header());
    loop {
        let count = read_frames(source, &mut block)?;
        if count == 0 {
            return look.finish();
        }
        look.take(&block, count);
    }
}

/// What a first pass has shown so far.
pub(super) struct Look {
    frames: usize,
    /// Samples of a second.
    second: usize,
    windowed: Vec<Mean>,
    plain: Vec<Mean>,
    /// The second that is not yet known to be whole.
    pending: Vec<Mean>,
    channels: Vec<ChannelOffset>,
}

impl Look {
    pub(super) fn new(header: &CaptureHeader) -> Self {
        let channels = header.channels.len();
        let rate = header.time_base.sample_rate_hz;
        let acquisition = &header.acquisition;
        let rails = Rails::new(acquisition.full_scale_v, acquisition.lsb_v);
        Self {
            frames: 0,
            second: rate.round().clamp(1.0, 1e12) as usize,
            windowed: vec![Mean::default(); channels],
            plain: vec![Mean::default(); channels],
            pending: vec![Mean::default(); channels],
            channels: (0..channels)
                .map(|_| ChannelOffset {
                    offset: 0.0,
                    unit: 1.0,
                    rails: rails.clone(),
                    clipped: Clipping::default(),
                    peak: 0.0,
                    head: Vec::new(),
                })
                .collect(),
        }
    }

    fn block(&self, header: &CaptureHeader) -> Array2<f64> {
        Array2::zeros((self.channels.len(), header.block_frames(BLOCK_FRAMES)))
    }

    /// Frames taken so far.
    pub(super) fn frames(&self) -> usize {
        self.frames
    }

    /// Takes the next frames, so many.
    pub(super) fn take(&mut self, block: &Array2<f64>, count: usize) {
        let (frames, second) = (self.frames, self.second);
        for (channel, row) in self.channels.iter_mut().zip(block.rows()) {
            if let Some(values) = row.to_slice().and_then(|r| r.get(..count)) {
                channel.add(values, frames);
            }
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
                self.plain[c].add(mean);
                if frames + from >= second {
                    self.pending[c].add(mean);
                } else {
                    self.windowed[c].add(rising(values, at, second));
                }
                if at + to - from == second {
                    self.windowed[c].add(std::mem::take(&mut self.pending[c]));
                }
            }
            from = to;
        }
        self.frames += count;
    }

    /// What the whole pass showed.
    pub(super) fn finish(mut self) -> Result<Offsets, Error> {
        let frames = self.frames;
        if frames == 0 {
            return Err(ErrorKind::NoSamples.error("the capture holds no samples"));
        }
        for (c, channel) in self.channels.iter_mut().enumerate() {
            let mean = if frames > 3 * self.second && self.windowed[c].weight > 0.0 {
                &self.windowed[c]
            } else {
                &self.plain[c]
            };
            channel.unit = unit(channel.peak);
            let offset = mean.sum / mean.weight.max(1.0) * (SUM_UNIT / channel.unit);
            channel.offset = if offset.is_finite() { offset } else { 0.0 };
            if frames < LEARNT {
                channel.learn();
            }
        }
        Ok(Offsets {
            frames,
            channels: self.channels,
        })
    }
}

/// Mean under the rising flank of a squared sine.
fn rising(values: &[f64], at: usize, second: usize) -> Mean {
    let mut mean = Mean::default();
    for (i, v) in values.iter().enumerate() {
        let u = FRAC_PI_2 * ((at + i) as f64 + 0.5) / second as f64;
        let weight = u.sin().powi(2);
        if v.is_finite() {
            mean.sum += weight * (v / SUM_UNIT);
            mean.weight += weight;
        }
    }
    mean
}
