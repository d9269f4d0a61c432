//! A chapter worked: the interference of every channel, and what is kept of it.

use super::cutting::Chapter;
use super::interference::interference;
use super::offsets::{ChannelOffset, Offsets};
use super::plan::Plan;
use crate::Error;
use crate::separation::findings::Findings;
use crate::separation::fit::Lead;
use crate::separation::options::Keep;

/// A chapter and what comes of it, one result a target.
#[derive(Default)]
pub(super) struct Item {
    pub(super) chapter: Chapter,
    pub(super) results: Vec<Result<Worked, Error>>,
}

/// What becomes of one target of a chapter, whose row then holds what is kept of it.
#[derive(Default)]
pub(super) struct Worked {
    /// Interference where the chapter before, and the one after, share this one's frames.
    pub(super) head: Vec<f64>,
    pub(super) tail: Vec<f64>,
    /// Mean of what the interference leaves, of a record of one chapter.
    pub(super) mean_rest: f64,
    pub(super) findings: Findings,
    pub(super) lead: Option<Lead>,
}

/// Separates every target of a chapter, by way of `hum`, and puts what is kept into its row, in the unit that the channel is worked in.
pub(super) fn work(
    item: &mut Item,
    (plan, offsets): (&Plan, &Offsets),
    leads: &[Option<Lead>],
    keep: Keep,
    hum: &mut Vec<f64>,
) {
    item.results.clear();
    for (row, channel) in item.chapter.rows.iter_mut().zip(&offsets.channels) {
        if channel.unit != 1.0 {
            row.iter_mut().for_each(|v| *v /= channel.unit);
        }
    }
    for other in &plan.others {
        mark(&mut item.chapter.rows[*other], &offsets.channels[*other]);
    }
    for (t, target) in plan.targets.iter().enumerate() {
        let channel = &offsets.channels[*target];
        let as_read = (channel.clipped.count() > 0).then(|| item.chapter.rows[*target].clone());
        mark(&mut item.chapter.rows[*target], channel);
        let start_s = item.chapter.start as f64 / plan.rate_hz;
        let rows = (item.chapter.rows.as_mut_slice(), start_s);
        let result = interference(plan, t, rows, leads[t].as_ref(), hum);
        let row = &mut item.chapter.rows[*target];
        if let Some(as_read) = as_read {
            *row = as_read;
        }
        let only = item.chapter.start == 0 && item.chapter.last;
        item.results.push(result.map(|(findings, lead)| {
            let overlap = plan.overlap.min(hum.len() / 2);
            let worked = Worked {
                head: hum[..overlap].to_vec(),
                tail: hum[hum.len() - overlap..].to_vec(),
                mean_rest: if only { mean_rest(row, hum) } else { 0.0 },
                findings,
                lead,
            };
            match keep {
                Keep::Cleaned => row.iter_mut().zip(&*hum).for_each(|(x, h)| *x -= h),
                Keep::Interference | Keep::Mains => row.copy_from_slice(hum),
                Keep::Offset => {}
            }
            worked
        }));
    }
}

/// Marks the samples at the limit of the range as overload: they tell the fit nothing.
fn mark(row: &mut [f64], channel: &ChannelOffset) {
    if channel.clipped.count() == 0 {
        return;
    }
    for v in row
        .iter_mut()
        .filter(|v| channel.rails.beyond(**v * channel.unit))
    {
        *v = f64::INFINITY.copysign(*v);
    }
}

/// Mean of what the interference leaves.
fn mean_rest(samples: &[f64], hum: &[f64]) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for (x, h) in samples.iter().zip(hum) {
        if x.is_finite() {
            sum += x - h;
            count += 1;
        }
    }
    sum / count.max(1) as f64
}
