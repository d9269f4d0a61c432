//! Search for the fundamental: the harmonic-sum likelihood over a range, on one or many segments.

use crate::numeric::parabola;
use crate::spectrum::{HannGrid, Nudft};
use std::f64::consts::PI;

/// Power over the noise beyond which a line counts by its logarithm.
const STRONGEST: f64 = 60.0;

/// Where the likelihood is largest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Peak {
    /// Fundamental, cycles per sample.
    pub(crate) fundamental: f64,
    /// Whether the maximum lies on the edge of the range and still rises outwards: a line outside.
    pub(crate) at_edge: bool,
}

/// Segments that are searched: of a long record so many, evenly spread.
const MOST_SEARCHED: usize = 64;

/// The segments that are searched, with their transforms on even bins.
#[derive(Debug, Clone)]
pub(crate) struct Searched<'a> {
    transforms: Vec<&'a Nudft>,
    grids: Vec<HannGrid>,
}

impl<'a> Searched<'a> {
    /// For lines up to `top` cycles per sample.
    pub(crate) fn new(transforms: &'a [Nudft], top: f64) -> Self {
        let count = transforms.len().min(MOST_SEARCHED);
        let transforms: Vec<&Nudft> = (0..count)
            .map(|i| &transforms[i * transforms.len() / count])
            .collect();
        Self {
            grids: transforms
                .iter()
                .map(|t| t.hann_grid(top + 4.0 / t.len().max(1) as f64))
                .collect(),
            transforms,
        }
    }
}

/// What is searched and the noise power in one Hann cell of each order.
#[derive(Debug, Clone)]
pub(crate) struct SearchInput<'a> {
    transforms: &'a [&'a Nudft],
    grids: &'a [HannGrid],
    /// Expected |X|² of the Hann-weighted transform from noise alone, by order (index 0: order 1).
    noise: &'a [f64],
}

impl<'a> SearchInput<'a> {
    pub(crate) fn new(searched: &'a Searched<'a>, noise: &'a [f64]) -> Self {
        Self {
            transforms: &searched.transforms,
            grids: &searched.grids,
            noise,
        }
    }
}

impl SearchInput<'_> {
    /// Power of one order over its noise, mean over the segments.
    fn ratio(&self, order: usize, fundamental: f64) -> f64 {
        let nu = order as f64 * fundamental;
        self.power(nu) / (self.noise[order - 1] * self.transforms.len().max(1) as f64)
    }

    /// Each order counts by its power over the noise, beyond [`STRONGEST`] by the logarithm, so that near the
    /// noise the sum is the likelihood and a strong line does not outvote a series; high orders count less, since
    /// more lines lie near a high multiple by chance; and a strong line only as far as it is centred.
    fn score(&self, fundamental: f64, orders: &[usize]) -> f64 {
        let centring = self.resolves(fundamental);
        orders
            .iter()
            .map(|&k| {
                let nu = k as f64 * fundamental;
                let strength = self.ratio(k, fundamental);
                worth(k, strength, centring, || self.powers::<5, 3>(nu))
            })
            .sum()
    }

    /// What one order adds to the score at ν, from the grids.
    fn coarse_worth(&self, order: usize, nu: f64, centring: bool) -> f64 {
        let count = self.transforms.len().max(1) as f64;
        let strength = self.coarse_power(nu) / (self.noise[order - 1] * count);
        worth(order, strength, centring, || {
            let cell = 1.0 / self.length();
            [nu - cell, nu, nu + cell].map(|nu| self.coarse_power(nu))
        })
    }

    /// Σ |X|² of the Hann-weighted segments to 1 % of a line's, from the grids.
    fn coarse_power(&self, nu: f64) -> f64 {
        let mut sum = 0.0;
        let mut weights = (f64::NAN, [0.0; 6]);
        for grid in self.grids {
            let (bin, t) = grid.position(nu);
            if weights.0 != t {
                weights = (t, HannGrid::weights(t));
            }
            sum += grid.power_between(bin, &weights.1);
        }
        sum
    }

    /// The largest of these powers between two frequencies, on the first grid's bins and both ends.
    fn largest_power(&self, low: f64, high: f64) -> f64 {
        let ends = self.coarse_power(low).max(self.coarse_power(high));
        let Some((first, others)) = self.grids.split_first() else {
            return ends;
        };
        let (from, to) = (first.position(low).0 + 1, first.position(high).0);
        let even = others.iter().all(|grid| grid.is_like(first));
        (from..=to)
            .map(|bin| {
                if even {
                    self.grids.iter().map(|grid| grid.power(bin)).sum()
                } else {
                    self.coarse_power(first.frequency(bin))
                }
            })
            .fold(ends, f64::max)
    }

    fn length(&self) -> f64 {
        self.transforms.first().map_or(1, |t| t.len()) as f64
    }

    /// Whether neighbouring orders lie far enough apart to see a line's own place.
    fn resolves(&self, fundamental: f64) -> bool {
        fundamental * self.length() >= 6.0
    }

    /// Σ |X|² of the Hann-weighted segments at ν.
    fn power(&self, nu: f64) -> f64 {
        let [power] = self.powers::<3, 1>(nu);
        power
    }

    /// The same at so many places a cell apart about ν, each from three of `AT` values. Segments of one length are read at
    /// the same places.
    fn powers<const AT: usize, const POWERS: usize>(&self, nu: f64) -> [f64; POWERS] {
        let mut places = None;
        let mut sums = [0.0; POWERS];
        for transform in self.transforms {
            let length = transform.len();
            let (_, places) = match &places {
                Some((of, places)) if *of == length => (length, places),
                _ => {
                    let bin = 1.0 / length as f64;
                    let off = |i: usize| i as f64 - (AT / 2) as f64;
                    let at = std::array::from_fn::<_, AT, _>(|i| nu + off(i) * bin);
                    let (of, places) = places.insert((length, transform.places(at)));
                    (*of, &*places)
                }
            };
            let values = places.each_ref().map(|place| transform.at_place(place));
            for (sum, three) in sums.iter_mut().zip(values.windows(3)) {
                *sum += (0.5 * three[1] + 0.25 * (three[0] + three[2])).norm_sqr();
            }
        }
        sums
    }

    /// A strong line near a multiple of the fundamental but not on it, in cycles per sample.
    /// Within the grid's range of the three lowest orders a line is more likely the mains itself.
    pub(crate) fn foreign_line(&self, fundamental: f64, (low, high): (f64, f64)) -> Option<f64> {
        if !self.resolves(fundamental) {
            return None;
        }
        let limit = 1.0 + 20.0 / (self.transforms.len() as f64).sqrt();
        let cell = 1.0 / self.length();
        (1..=self.noise.len()).find_map(|k| {
            let nu = k as f64 * fundamental;
            if self.stands_on(nu, limit * self.noise[k - 1]) {
                return None;
            }
            let places = (-16..=16).map(|i| nu + 0.1 * f64::from(i) * cell);
            let (best, power) = places
                .map(|nu| (nu, self.power(nu)))
                .max_by(|a, b| a.1.total_cmp(&b.1))?;
            let segments = self.transforms.len() as f64;
            let strong = power > limit * self.noise[k - 1] * segments;
            let own = k <= 3 && (low..=high).contains(&(best / k as f64));
            if !strong || own || (best - nu).abs() <= 0.45 * cell {
                return None;
            }
            let top = self.summit(best);
            let multiple = (top / fundamental).round() * fundamental;
            ((top - multiple).abs() > 0.45 * cell).then_some(top)
        })
    }

    /// Whether, on the grids, nothing within the search for a foreign line beside ν reaches `limit` a segment, or
    /// the largest that does lies well within a third of a cell of ν.
    fn stands_on(&self, nu: f64, limit: f64) -> bool {
        let cell = 1.0 / self.length();
        let places = (-4..=4).map(|i| (i, self.coarse_power(nu + 0.45 * f64::from(i) * cell)));
        let Some((place, power)) = places.max_by(|a, b| a.1.total_cmp(&b.1)) else {
            return true;
        };
        if power < 0.85 * limit * self.transforms.len() as f64 {
            return true;
        }
        let around = [nu - cell, nu, nu + cell].map(|nu| self.coarse_power(nu));
        place == 0 && offset_cells(around).abs() < 0.3
    }

    /// The line that a place belongs to: where the skirt of a stronger neighbour explains what is seen,
    /// |W(d)| ≤ 1/(πd(d² − 1)) of a Hann-weighted line d cells away (twice that is granted), that neighbour.
    fn summit(&self, nu: f64) -> f64 {
        let cell = 1.0 / self.length();
        let mut nu = self.climb(nu);
        for _ in 0..40 {
            let own = self.power(nu);
            let neighbour = (3..=32)
                .flat_map(|i| [0.5 * f64::from(i), -0.5 * f64::from(i)])
                .map(|d| (d, nu + d * cell))
                .filter(|&(_, at)| at > 1.5 * cell)
                .map(|(d, at)| (d, at, self.power(at)))
                .filter(|(d, _, power)| {
                    let skirt = 2.0 / (PI * d * (d * d - 1.0));
                    own < skirt * skirt * power
                })
                .max_by(|a, b| a.2.total_cmp(&b.2));
            match neighbour {
                Some((_, at, _)) => nu = self.climb(at),
                None => break,
            }
        }
        nu
    }

    /// The top of the peak that ν lies on.
    fn climb(&self, mut nu: f64) -> f64 {
        let step = 0.1 / self.length();
        for _ in 0..40 {
            let here = self.power(nu);
            if self.power(nu + step) > here {
                nu += step;
            } else if self.power(nu - step) > here {
                nu -= step;
            } else {
                break;
            }
        }
        nu
    }

    /// Orders whose neighbourhood within the range rises out of the noise, strongest first, at most
    /// `most`; all orders where none does.
    fn promising(&self, low: f64, high: f64, most: usize) -> Vec<usize> {
        let length = self.length();
        let segments = self.transforms.len() as f64;
        // Mean of unit exponentials over the segments: 4 is a one-in-fifty cell for one segment.
        let limit = 1.0 + 3.0 / segments.sqrt();
        // Beyond, an order's range holds lines of its neighbours.
        let own = ((0.5 * (low + high) / (high - low)).floor() as usize).max(1);
        let mut found: Vec<(usize, f64)> = (1..=self.noise.len().min(own))
            .filter_map(|k| {
                let (from, to) = (low * k as f64, high * k as f64);
                let cells = (((to - from) * length * 1.5).ceil() as usize).clamp(1, 200);
                let best = self.largest_power(from, to) / (self.noise[k - 1] * segments);
                (best > limit * (1.0 + 0.2 * (cells as f64).ln())).then_some((k, best))
            })
            .collect();
        if found.is_empty() {
            return (1..=self.noise.len()).collect();
        }
        found.sort_by(|a, b| b.1.total_cmp(&a.1));
        found.truncate(most);
        let mut orders: Vec<usize> = found.into_iter().map(|(k, _)| k).collect();
        for k in [1, 2, 3, 5] {
            if k <= self.noise.len() && !orders.contains(&k) {
                orders.push(k);
            }
        }
        orders
    }

    /// The most likely fundamental between `low` and `high` cycles per sample: found on the grids, then told by
    /// the transforms themselves.
    pub(crate) fn peak(&self, low: f64, high: f64) -> Peak {
        let orders = self.promising(low, high, 10);
        let length = self.length();
        let top = orders.iter().max().map_or(1, |&k| k) as f64;
        // A fifth of the narrowest cell a step.
        let step = 0.2 / (top * length);
        let steps = (((high - low) / step).ceil() as usize).clamp(2, 20_000);
        let at = |i: usize| low + (high - low) * i as f64 / steps as f64;
        let coarse = self.coarse_scores(&orders, (low, high), steps);
        let mut scores: Vec<Option<f64>> = vec![None; steps + 1];
        let mut score = |i: usize| *scores[i].get_or_insert_with(|| self.score(at(i), &orders));
        let (mut best, mut highest) = (0, f64::NEG_INFINITY);
        for mut place in summits(&coarse) {
            loop {
                let beside = [place.checked_sub(1), (place < steps).then_some(place + 1)];
                let higher = beside
                    .into_iter()
                    .flatten()
                    .find(|&other| score(other) > score(place));
                match higher {
                    Some(other) => place = other,
                    None => break,
                }
            }
            if score(place) > highest {
                (best, highest) = (place, score(place));
            }
        }
        let at_edge = best == 0 || best == steps;
        let fundamental = if at_edge {
            at(best)
        } else {
            let shift = parabola::peak(score(best - 1), score(best), score(best + 1));
            at(best) + shift.unwrap_or(0.0) * (at(1) - at(0))
        };
        Peak {
            fundamental,
            at_edge,
        }
    }

    /// The score on even steps of a range: each order's share on a fifth of its own cell, straight lines between.
    fn coarse_scores(&self, orders: &[usize], (low, high): (f64, f64), steps: usize) -> Vec<f64> {
        let centring = self.resolves(0.5 * (low + high));
        let mut scores = vec![0.0; steps + 1];
        for &k in orders {
            let (from, to) = (k as f64 * low, k as f64 * high);
            let places = ((5.0 * (to - from) * self.length()).ceil() as usize).clamp(2, steps);
            let mut table: Vec<f64> = (0..=places)
                .map(|i| {
                    let nu = from + (to - from) * i as f64 / places as f64;
                    self.coarse_worth(k, nu, centring)
                })
                .collect();
            table.push(0.0);
            let ratio = places as f64 / steps as f64;
            for (i, score) in scores.iter_mut().enumerate() {
                let position = i as f64 * ratio;
                let index = (position as usize).min(places);
                let t = position - index as f64;
                *score += table[index] + t * (table[index + 1] - table[index]);
            }
        }
        scores
    }

    /// Score over all orders.
    pub(crate) fn total(&self, fundamental: f64) -> f64 {
        let orders: Vec<usize> = (1..=self.noise.len()).collect();
        self.score(fundamental, &orders)
    }

    /// Where a single order of the third or higher stands above the noise and nothing else does, that
    /// line by itself, in cycles per sample: a tone near a multiple, no series.
    pub(crate) fn lone_line(&self, fundamental: f64) -> Option<f64> {
        // Mean of unit exponentials over the segments.
        let limit = 1.0 + 11.0 / (self.transforms.len() as f64).sqrt();
        let mut standing = (1..=self.noise.len()).filter(|&k| self.ratio(k, fundamental) > limit);
        match (standing.next(), standing.next()) {
            (Some(order), None) if order >= 3 => Some(self.summit(order as f64 * fundamental)),
            _ => None,
        }
    }

    /// Where the likelihood still rises at the edge of the range, the line outside that it rises to,
    /// in cycles per sample.
    pub(crate) fn line_outside(&self, peak: &Peak, (low, high): (f64, f64)) -> Option<f64> {
        if !peak.at_edge {
            return None;
        }
        let length = self.length();
        let cell = |nu: f64| self.power(nu);
        let upward = (peak.fundamental - high).abs() < (peak.fundamental - low).abs();
        let step = if upward { 0.1 / length } else { -0.1 / length };
        let order = (1..=self.noise.len()).max_by(|&a, &b| {
            let ratio = |k: usize| cell(k as f64 * peak.fundamental) / self.noise[k - 1];
            ratio(a).total_cmp(&ratio(b))
        })?;
        let mut nu = order as f64 * peak.fundamental;
        let mut power = cell(nu);
        // Significant at all, and really rising outwards.
        if power < 12.0 * self.noise[order - 1] * self.transforms.len() as f64
            || cell(nu + step) <= power
        {
            return None;
        }
        for _ in 0..60 {
            let next = cell(nu + step);
            if next <= power {
                // Noise moves a line's top by up to 0.8/√r cells (Hann weights, r its power over a component's
                // noise): nearer to the range than four of them, it may stand within.
                let edge = order as f64 * if upward { high } else { low };
                let strength = 2.0 * power / (self.noise[order - 1] * self.transforms.len() as f64);
                let spread = 0.8 / (strength * self.transforms.len() as f64).sqrt();
                return ((nu - edge).abs() * length > 4.0 * spread).then(|| self.summit(nu));
            }
            power = next;
            nu += step;
        }
        None
    }
}

/// The highest local maxima of a score, at most three, those far below the highest left out.
fn summits(scores: &[f64]) -> Vec<usize> {
    let at = |i: usize| scores.get(i).copied().unwrap_or(f64::NEG_INFINITY);
    let mut tops: Vec<usize> = (0..scores.len())
        .filter(|&i| at(i) >= at(i.wrapping_sub(1)) && at(i) > at(i + 1))
        .collect();
    tops.sort_by(|&a, &b| at(b).total_cmp(&at(a)));
    let least = 0.9 * tops.first().map_or(0.0, |&i| at(i));
    tops.retain(|&i| at(i) >= least);
    tops.truncate(3);
    tops
}

/// What an order adds to the score by its power over the noise and the powers one cell below, at and one cell above.
fn worth(order: usize, strength: f64, centring: bool, around: impl Fn() -> [f64; 3]) -> f64 {
    let weight = (9.0 / order as f64).sqrt().min(1.0);
    if strength < STRONGEST || !centring {
        return weight * strength.min(STRONGEST);
    }
    let beyond = 25.0 * (strength / STRONGEST).ln() / (order as f64).sqrt();
    let offset = offset_cells(around());
    (weight * STRONGEST + beyond) * (1.0 - (offset / 0.6).powi(2)).max(0.0)
}

/// How far a line is off the middle one of three places a cell apart, in cells: the parabola through three
/// log powers.
fn offset_cells(powers: [f64; 3]) -> f64 {
    let [left, middle, right] = powers.map(|power| power.max(f64::MIN_POSITIVE).ln());
    parabola::peak(left, middle, right).unwrap_or(1.0)
}
