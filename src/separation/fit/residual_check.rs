//! What is left of a chapter once the expected hum is gone: other orders, and what is no noise.

use super::model::{HumModel, chance, differences, group_bounds, mean_power, pairs, pool};
use super::settings::FitSettings;
use crate::numeric::vectorised;
use crate::spectrum::fft;
use crate::stats::normal_scale;
use rustfft::num_complex::Complex64;

/// Standard deviations beyond which a sample is no noise, and the share of the power that such samples may
/// bear (of normal ones 1.5e-4): the thorough fit leaves them out.
const FAR: f64 = 4.5;
const SHARE_OF_FAR: f64 = 1e-3;
/// Samples that tell the noise's standard deviation, and how many of them lie together.
const SAMPLED: usize = 4096;
const SAMPLED_AT_ONCE: usize = 256;

/// Mean squares of a record, of its hum, of what that leaves, and of those of its samples that are no noise.
pub(crate) struct Rest {
    record: f64,
    pub(crate) hum: f64,
    left: f64,
    far: f64,
}

impl Rest {
    /// Of `x` about `mean` and its hum.
    pub(crate) fn new(x: &[f64], hum: &[f64], mean: f64) -> Self {
        let stride = x
            .len()
            .div_ceil(SAMPLED / SAMPLED_AT_ONCE)
            .max(SAMPLED_AT_ONCE);
        let mut sizes: Vec<f64> = x
            .chunks(stride)
            .zip(hum.chunks(stride))
            .flat_map(|(x, h)| x.iter().zip(h).take(SAMPLED_AT_ONCE))
            .map(|(x, h)| (x - h - mean).abs())
            .collect();
        let limit = (FAR * normal_scale(&mut sizes)).powi(2);
        let [record, hum, left, far] = vectorised(
            #[inline(always)]
            || squares(x, hum, mean, limit).map(|v| v / x.len() as f64),
        );
        Self {
            record,
            hum,
            left,
            far,
        }
    }

    /// Whether samples that are no noise bear a share of the power.
    pub(crate) fn is_rough(&self) -> bool {
        self.far > SHARE_OF_FAR * self.left
    }

    /// Whether there is less than there was: what adds power, or is no number, is no hum.
    pub(crate) fn is_less(&self) -> bool {
        self.left <= self.record
    }
}

/// Sums of squares of a record, its hum, what is left, and what of that lies beyond `limit`.
#[inline(always)]
fn squares(x: &[f64], hum: &[f64], mean: f64, limit: f64) -> [f64; 4] {
    const LANES: usize = 8;
    let mut lanes = [[0.0; LANES]; 4];
    let add = |lanes: &mut [[f64; LANES]; 4], lane: usize, x: f64, h: f64| {
        let record = x - mean;
        let left = record - h;
        let square = left * left;
        lanes[0][lane] += record * record;
        lanes[1][lane] += h * h;
        lanes[2][lane] += square;
        lanes[3][lane] += if square > limit { square } else { 0.0 };
    };
    let (xs, x_rest) = x.as_chunks::<LANES>();
    let (hums, hum_rest) = hum.as_chunks::<LANES>();
    for (x, h) in xs.iter().zip(hums) {
        for lane in 0..LANES {
            add(&mut lanes, lane, x[lane], h[lane]);
        }
    }
    for (x, h) in x_rest.iter().zip(hum_rest) {
        add(&mut lanes, 0, *x, *h);
    }
    lanes.map(|l| l.iter().sum())
}

/// An order that is hardly noise.
pub(crate) struct Seen {
    pub(crate) order: usize,
    /// Probability that noise shows as much.
    chance: f64,
    /// Orders that were looked at.
    looked_at: usize,
}

impl Seen {
    /// Whether it is there, one of all orders being taken for a line at this level.
    pub(crate) fn is_plain(&self, level: f64) -> bool {
        self.chance < level / self.looked_at as f64
    }

    /// Whether it would be there had no other order been looked at.
    pub(crate) fn is_likely(&self, level: f64) -> bool {
        self.chance < level
    }
}

/// Orders that stand above the noise beside them with 1 % each, by the test of a first fit: cycles are laid on each other
/// to the nearest sample, so that the highest orders are seen a little weaker than they are.
pub(crate) fn standing_out(
    x: &[f64],
    hum: &[f64],
    model: &HumModel,
    top: usize,
    settings: &FitSettings,
) -> Vec<Seen> {
    let starts = cycle_starts(model);
    let cycles = model.phase[model.phase.len() - 1] - model.phase[0];
    let length = (x.len() as f64 / cycles).round() as usize;
    let whole = starts
        .iter()
        .take_while(|start| **start + length <= x.len())
        .count();
    let groups = group_bounds(whole);
    let count = groups.len() - 1;
    if count < 2 || length < 4 {
        return Vec::new();
    }
    let top = top.min((length - 1) / 2);
    let transform = fft::forward(length);
    let mut cycle = transform.make_input_vec();
    let mut spectrum = transform.make_output_vec();
    let mut scratch = transform.make_scratch_vec();
    let mut phasors = vec![vec![(Complex64::default(), 0.0); count]; top];
    for group in 0..count {
        cycle.fill(0.0);
        let members = &starts[groups[group]..groups[group + 1]];
        vectorised(
            #[inline(always)]
            || {
                for start in members {
                    let range = *start..*start + length;
                    for ((sum, x), h) in cycle.iter_mut().zip(&x[range.clone()]).zip(&hum[range]) {
                        *sum += x - h;
                    }
                }
            },
        );
        if transform
            .process_with_scratch(&mut cycle, &mut spectrum, &mut scratch)
            .is_err()
        {
            return Vec::new();
        }
        let mass = (members.len() * length) as f64;
        for (cells, value) in phasors.iter_mut().zip(&spectrum[1..]) {
            cells[group] = (2.0 * value, mass);
        }
    }
    let mut noise: Vec<f64> = phasors
        .iter()
        .map(|g| mean_power(&differences(g)))
        .collect();
    pool(&mut noise, count);
    let pairs = pairs(count);
    let duration = x.len() as f64 / settings.rate_hz;
    let barred = settings.barred(cycles / duration, 0.0, duration);
    (1..=top)
        .filter_map(|order| {
            let (sum, mass) = phasors[order - 1]
                .iter()
                .fold((Complex64::default(), 1e-300), |(s, m), c| {
                    (s + c.0, m + c.1)
                });
            let known = model.orders.iter().position(|o| *o == order);
            let present = known.map_or(Complex64::default(), |o| model.constants[0][o]);
            let ratio = (sum / mass + present).norm_sqr() * mass / noise[order - 1];
            let chance = chance(ratio, pairs);
            (chance < 0.01 && !barred.contains(&order)).then_some(Seen {
                order,
                chance,
                looked_at: top,
            })
        })
        .collect()
}

/// Samples nearest to where the phase passes a whole number of cycles.
fn cycle_starts(model: &HumModel) -> Vec<usize> {
    let mut starts = Vec::new();
    for interval in 0..model.intervals() {
        let advance = model.cycles_per_sample(interval);
        let (from, to) = (model.phase[interval], model.phase[interval + 1]);
        let mut cycle = from.ceil();
        while cycle < to && advance > 0.0 {
            let at = model.edges[interval] as f64 + (cycle - from) / advance;
            starts.push(at.round() as usize);
            cycle += 1.0;
        }
    }
    starts
}
