//! A series whose phase or frequency changes at once: another supply was switched to, samples were lost.

use super::edge::{EDGE_CYCLES, Lines, place};
use super::levels::FRAME_CYCLES;
use super::order_phase::{Row, wrapped};
use super::partition::{parting, running};
use super::sections::Section;
use crate::numeric::plain_dot;
use crate::stats::mean;
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Cycles of a record: its frames' pairs are gone through.
const CYCLES: Range<f64> = 14.0..1500.0;
/// Fewest frames of a section, and frames that a change crosses.
const LEAST_FRAMES: usize = 5;
const CROSSED: usize = 2;
/// Most changes, and frames for each but the first: what changes more often wanders.
const MOST_CHANGES: usize = 3;
const FRAMES_A_CHANGE: usize = 20;
/// What a change has to gain, in squared deviations: for its place, for the common frequency, and for each order's phase.
const FOR_PLACE: f64 = 3.0;
const FOR_LEVEL: f64 = 3.0;
/// Factors of that in turn, until there are few sections: what else a record holds is not white.
const TIMES: [f64; 3] = [2.0, 6.0, 20.0];
/// Squared deviations of a change of phase or of frequency.
const PROVED: f64 = 60.0;
/// Mean square, in deviations, of what sections leave of the phase up to which they describe it.
const DESCRIBED: f64 = 2.0;
/// Correlation of what sections leave between frames that share no samples, from which the phase moves within them: beside this, so
/// many deviations of chance. Such frames are so far apart.
const PERSISTS: f64 = 0.1;
const BY_CHANCE: f64 = 2.5;
const FRAMES_APART: usize = FRAME_CYCLES as usize;
/// By how much sections have to describe the phase better than a smooth course of as many parameters: squared deviations, and a
/// factor. A grid that wanders does either.
const NO_SMOOTH: f64 = 20.0;
const NO_WANDER: f64 = 1.3;
/// The same factor from which they describe it, whatever they leave.
const OVERWHELMS: f64 = 50.0;
/// Places of a bend tried between two parts' middles, and again about the best.
const BEND_PLACES: usize = 40;
const BEND_ROUNDS: usize = 3;
/// Parameters of a change: its place, a phase and a frequency.
const OF_CHANGE: usize = 3;

/// The sections between which the phase or the frequency of a series changes at once, as these of its orders tell; `None` where
/// they do not change, or otherwise.
pub(crate) fn sections_of_phase(
    samples: &[f64],
    cycle: f64,
    orders: &[usize],
) -> Option<Vec<Section>> {
    if !CYCLES.contains(&(samples.len() as f64 / cycle)) {
        return None;
    }
    let course = Course::of(samples, cycle, orders)?;
    let parts = course.parts()?;
    let mut sections = Vec::with_capacity(parts.len());
    let (mut from, mut variance) = (0, 0.0);
    for pair in parts.windows(2) {
        let (to, own) = course.edge(samples, cycle, &pair[0], &pair[1]);
        if to <= from {
            return None;
        }
        sections.push(section(from..to, variance + own));
        (from, variance) = (to, own);
    }
    if from >= samples.len() {
        return None;
    }
    sections.push(section(from..samples.len(), variance));
    Some(sections)
}

fn section(samples: Range<usize>, length_variance: f64) -> Section {
    Section {
        samples,
        length_variance,
        silent: false,
    }
}

/// Phases of a series' orders against time, a frame a cycle.
struct Course {
    rows: Vec<Row>,
    frames: usize,
}

/// A stretch of a course in which the phase of each order runs along a line, of one frequency.
struct Part {
    frames: Range<usize>,
    /// Middle of the frames, and phase of each row there, in its deviations.
    middle: f64,
    levels: Vec<f64>,
    /// Turn of the fundamental from frame to frame, rad, and its variance.
    turn: f64,
    turn_variance: f64,
    /// Squared deviations left.
    left: f64,
}

impl Part {
    /// Phase of a row at a place among the frames, in its deviations.
    fn at(&self, row: usize, slope: f64, frame: f64) -> f64 {
        self.levels[row] + slope * self.turn * (frame - self.middle)
    }
}

/// Two lines that meet.
struct Bend {
    /// Where, among the frames.
    at: f64,
    /// Squared deviations by which lines that need not meet fit better.
    missed: f64,
}

impl Course {
    /// The rows that tell their turns.
    fn of(samples: &[f64], cycle: f64, orders: &[usize]) -> Option<Self> {
        let length = FRAME_CYCLES * cycle;
        let frames = ((samples.len() as f64 - length) / cycle) as usize + 1;
        let rows: Vec<Row> = orders
            .iter()
            .filter(|order| (**order as f64) < 0.45 * cycle)
            .filter_map(|&order| Row::of(samples, cycle, order, frames))
            .collect();
        (!rows.is_empty()).then_some(Self { rows, frames })
    }

    /// What a frame tells of the common phase: the inverse of its variance, 1/rad².
    fn weight(&self) -> f64 {
        self.rows.iter().map(|row| row.slope().powi(2)).sum()
    }

    fn part(&self, frames: &Range<usize>) -> Part {
        let count = frames.len() as f64;
        let middle = 0.5 * (frames.start + frames.end - 1) as f64;
        let spread = count * (count * count - 1.0) / 12.0;
        let known = spread * self.weight();
        let mut levels = Vec::with_capacity(self.rows.len());
        let (mut along, mut squares) = (0.0, 0.0);
        for row in &self.rows {
            let own = &row.phase[frames.clone()];
            let level = own.iter().sum::<f64>() / count;
            for (f, phase) in frames.clone().zip(own) {
                along += row.slope() * (f as f64 - middle) * phase;
                squares += (phase - level).powi(2);
            }
            levels.push(level);
        }
        Part {
            frames: frames.clone(),
            middle,
            levels,
            turn: along / known,
            turn_variance: known.recip(),
            left: squares - along * along / known,
        }
    }

    /// The parts between the changes that are proved; `None` where there are none, or they do not describe the phase.
    fn parts(&self) -> Option<Vec<Part>> {
        let change =
            FOR_LEVEL * (self.rows.len() + 1) as f64 + FOR_PLACE * (self.frames as f64).ln();
        let cost = self.cost_of_lines();
        let most = (self.frames / FRAMES_A_CHANGE).clamp(1, MOST_CHANGES);
        let parts = TIMES.iter().find_map(|times| {
            let ranges = parting(self.frames, (LEAST_FRAMES, CROSSED), times * change, &cost);
            let parts = self.proved(ranges);
            (parts.len() <= 1 + most).then_some(parts)
        })?;
        if parts.len() < 2 {
            return None;
        }
        let told: usize = parts.iter().map(|part| part.frames.len()).sum();
        let free = (self.rows.len() * told)
            .checked_sub(parts.len() * (self.rows.len() + 1))?
            .max(1);
        let left: f64 = parts.iter().map(|part| part.left).sum();
        let steady = left < DESCRIBED * free as f64
            && self.persistence(&parts) < PERSISTS + BY_CHANCE / (told as f64).sqrt();
        let smooth = self.left_by_smooth(&parts, 1 + OF_CHANGE * (parts.len() - 1));
        let no_wander = smooth > NO_WANDER * left + NO_SMOOTH;
        (no_wander && (steady || smooth > OVERWHELMS * left)).then_some(parts)
    }

    /// The parts of these ranges, those joined between which no change is proved.
    fn proved(&self, mut ranges: Vec<Range<usize>>) -> Vec<Part> {
        loop {
            let parts: Vec<Part> = ranges.iter().map(|range| self.part(range)).collect();
            let weakest = parts
                .windows(2)
                .map(|pair| self.proof(&pair[0], &pair[1]))
                .enumerate()
                .min_by(|a, b| a.1.total_cmp(&b.1));
            match weakest {
                Some((i, proof)) if proof < PROVED => {
                    let after = ranges.remove(i + 1);
                    ranges[i].end = after.end;
                }
                _ => return parts,
            }
        }
    }

    /// Correlation of what parts leave of the common phase between frames that share no samples.
    fn persistence(&self, parts: &[Part]) -> f64 {
        let (mut squares, mut products) = (0.0, 0.0);
        for part in parts {
            let beside = |f: usize| -> f64 {
                let rows = self.rows.iter().enumerate();
                rows.map(|(i, row)| {
                    row.slope() * (row.phase[f] - part.at(i, row.slope(), f as f64))
                })
                .sum()
            };
            let own: Vec<f64> = part.frames.clone().map(beside).collect();
            squares += plain_dot(&own, &own);
            products += plain_dot(&own, &own[FRAMES_APART.min(own.len())..]);
        }
        products / squares.max(f64::MIN_POSITIVE)
    }

    /// Squared deviations that lines of one common frequency leave of the frames between two places.
    fn cost_of_lines(&self) -> impl Fn(usize, usize) -> f64 + '_ {
        let weight = self.weight();
        let sums: Vec<Vec<f64>> = self
            .rows
            .iter()
            .map(|row| running(row.phase.iter().copied()))
            .collect();
        let of_frames = |what: &dyn Fn(usize, &Row) -> f64| {
            running((0..self.frames).map(|f| self.rows.iter().map(|row| what(f, row)).sum()))
        };
        let squares = of_frames(&|f, row| row.phase[f].powi(2));
        let along = of_frames(&|f, row| row.slope() * f as f64 * row.phase[f]);
        let between = |of: &[f64], from: usize, to: usize| of[to] - of[from];
        move |from, to| {
            let count = (to - from) as f64;
            let middle = 0.5 * (from + to - 1) as f64;
            let spread = count * (count * count - 1.0) / 12.0;
            let (mut squared, mut sloped) = (0.0, 0.0);
            for (row, own) in self.rows.iter().zip(&sums) {
                let sum = between(own, from, to);
                squared += sum * sum / count;
                sloped += row.slope() * sum;
            }
            let own = between(&along, from, to) - middle * sloped;
            between(&squares, from, to) - squared - own * own / (spread * weight)
        }
    }

    /// Squared deviations of the change between two parts: of the orders' phases, or of the frequency.
    fn proof(&self, before: &Part, after: &Part) -> f64 {
        let of_frequency =
            (after.turn - before.turn).powi(2) / (after.turn_variance + before.turn_variance);
        of_frequency.max(self.bend(before, after).missed)
    }

    /// The course of two lines that meet which fits the frames of two parts best.
    fn bend(&self, before: &Part, after: &Part) -> Bend {
        let frames: Vec<f64> = before
            .frames
            .clone()
            .chain(after.frames.clone())
            .map(|f| f as f64)
            .collect();
        let beyond = before.frames.len();
        let weight = self.weight();
        let course = self.beside(before, after, &frames, weight);
        let whole = without_line(&frames, &course);
        let left = |own: &[f64], frames: &[f64]| {
            let own = without_line(frames, own);
            plain_dot(&own, &own)
        };
        let apart =
            left(&course[..beyond], &frames[..beyond]) + left(&course[beyond..], &frames[beyond..]);
        let gained = |at: f64| {
            let bent: Vec<f64> = frames.iter().map(|f| (f - at).max(0.0)).collect();
            let bent = without_line(&frames, &bent);
            let along = plain_dot(&bent, &whole);
            along * along / plain_dot(&bent, &bent).max(f64::MIN_POSITIVE)
        };
        let (mut from, mut to) = (before.middle, after.middle);
        let mut best = (from, f64::NEG_INFINITY);
        for _ in 0..BEND_ROUNDS {
            let step = (to - from) / BEND_PLACES as f64;
            let places = (0..=BEND_PLACES).map(|i| from + i as f64 * step);
            best = places
                .map(|at| (at, gained(at)))
                .fold(best, |best, own| if own.1 > best.1 { own } else { best });
            (from, to) = (best.0 - step, best.0 + step);
        }
        Bend {
            at: best.0,
            missed: weight * (plain_dot(&whole, &whole) - best.1 - apart),
        }
    }

    /// The common phase of two parts beside the line of the first, whole turns of the orders between them aside, rad.
    fn beside(&self, before: &Part, after: &Part, frames: &[f64], weight: f64) -> Vec<f64> {
        let at = change(before, after);
        let beyond = before.frames.len();
        let mut course = vec![0.0; frames.len()];
        for (i, row) in self.rows.iter().enumerate() {
            let slope = row.slope();
            let turned = (after.at(i, slope, at) - before.at(i, slope, at)) * row.deviation;
            let turns = (turned - wrapped(turned)) / row.deviation;
            for (f, (own, frame)) in course.iter_mut().zip(frames).enumerate() {
                let turns = if f < beyond { 0.0 } else { turns };
                let beside = row.phase[*frame as usize] - before.at(i, slope, *frame) - turns;
                *own += slope * beside / weight;
            }
        }
        course
    }

    /// Squared deviations that a polynomial of the common phase leaves of the parts' frames, each order with a phase of its own.
    fn left_by_smooth(&self, parts: &[Part], degree: usize) -> f64 {
        let frames: Vec<usize> = parts.iter().flat_map(|part| part.frames.clone()).collect();
        let mut left: Vec<Vec<f64>> = self
            .rows
            .iter()
            .map(|row| frames.iter().map(|f| row.phase[*f]).collect())
            .collect();
        let half = 0.5 * (self.frames.max(2) - 1) as f64;
        // Powers of time made orthogonal one after another; the constant is each row's own.
        let mut bases: Vec<Vec<f64>> = Vec::with_capacity(degree + 1);
        for power in 0..=degree {
            let time = |f: &usize| *f as f64 / half - 1.0;
            let mut base: Vec<f64> = match bases.last() {
                None => vec![1.0; frames.len()],
                Some(last) => last.iter().zip(&frames).map(|(b, f)| b * time(f)).collect(),
            };
            for other in &bases {
                let share = plain_dot(&base, other);
                base.iter_mut()
                    .zip(other)
                    .for_each(|(b, o)| *b -= share * o);
            }
            let norm = plain_dot(&base, &base).sqrt();
            if !(norm > 0.0) {
                break;
            }
            base.iter_mut().for_each(|b| *b /= norm);
            let shares: Vec<f64> = left.iter().map(|own| plain_dot(own, &base)).collect();
            let slopes: Vec<f64> = self.rows.iter().map(Row::slope).collect();
            let common = plain_dot(&shares, &slopes) / plain_dot(&slopes, &slopes);
            for ((own, share), slope) in left.iter_mut().zip(&shares).zip(&slopes) {
                let taken = if power == 0 { *share } else { common * slope };
                own.iter_mut().zip(&base).for_each(|(x, b)| *x -= taken * b);
            }
            bases.push(base);
        }
        left.iter().map(|own| plain_dot(own, own)).sum()
    }

    /// The sample from which the series runs as after a change, and the variance of that.
    fn edge(&self, samples: &[f64], cycle: f64, before: &Part, after: &Part) -> (usize, f64) {
        let at = change(before, after);
        // A frame's middle lies a cycle behind its first sample.
        let sample = |frame: f64| (frame + 0.5 * FRAME_CYCLES) * cycle;
        let bend = self.bend(before, after);
        if bend.missed < PROVED {
            let by = after.turn - before.turn;
            // Variances at that place, of phases and frequencies.
            let known = |part: &Part| {
                (self.weight() * part.frames.len() as f64).recip()
                    + (bend.at - part.middle).powi(2) * part.turn_variance
            };
            let variance = (known(before) + known(after)) / (by * by);
            return (sample(bend.at).round() as usize, variance * cycle * cycle);
        }
        let near = sample(at);
        let reach = EDGE_CYCLES * cycle;
        let from = (near - reach).max(0.0) as usize;
        let to = ((near + reach) as usize).min(samples.len());
        let lines = |part: &Part| {
            let phasor = |(i, row): (usize, &Row)| {
                let phase = part.at(i, row.slope(), at) * row.deviation;
                Complex64::from_polar(row.amplitude, phase)
            };
            let orders: Vec<usize> = self.rows.iter().map(|row| row.order).collect();
            Lines::new(&orders, self.rows.iter().enumerate().map(phasor).collect())
        };
        // Of white noise, that scatters the phases of the frames as they are: a Hann window's has 1.5 cells.
        let noise =
            |row: &Row| (row.deviation * row.amplitude).powi(2) * FRAME_CYCLES * cycle / 3.0;
        let noise = self.rows.iter().map(noise).sum::<f64>() / self.rows.len() as f64;
        place(
            &samples[from..to],
            cycle,
            from,
            (Some(&lines(before)), Some(&lines(after))),
            noise,
        )
    }
}

/// The place of the change between two parts, among the frames.
fn change(before: &Part, after: &Part) -> f64 {
    0.5 * (before.frames.end - 1 + after.frames.start) as f64
}

/// Values against `times` without their mean and their slope.
fn without_line(times: &[f64], values: &[f64]) -> Vec<f64> {
    let (time, value) = (mean(times), mean(values));
    let (mut along, mut spread) = (0.0, 0.0);
    for (t, v) in times.iter().zip(values) {
        along += (t - time) * (v - value);
        spread += (t - time) * (t - time);
    }
    let slope = along / spread.max(f64::MIN_POSITIVE);
    let left = |(t, v): (&f64, &f64)| v - value - slope * (t - time);
    times.iter().zip(values).map(left).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::{PI, TAU};

    const RATE_HZ: f64 = 1e4;

    /// A second of orders 1, 3 and 5; `turns`: phase of the fundamental against time.
    fn record(turns: impl Fn(f64) -> f64, noise: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..10_000)
            .map(|n| {
                let t = turns(f64::from(n) / RATE_HZ);
                let hum = (TAU * t).cos() + 0.5 * (3.0 * TAU * t + 1.0).cos();
                hum + 0.2 * (5.0 * TAU * t - 1.0).cos() + noise * (rng.random::<f64>() - 0.5)
            })
            .collect()
    }

    fn found(turns: impl Fn(f64) -> f64, noise: f64, seed: u64) -> Option<Vec<usize>> {
        let record = record(turns, noise, seed);
        let sections = sections_of_phase(&record, RATE_HZ / 50.03, &[1, 3, 5])?;
        Some(sections[1..].iter().map(|s| s.samples.start).collect())
    }

    #[test]
    fn a_jump_of_the_phase_is_found_to_a_few_samples() {
        for seed in 0..10 {
            for (at, turn) in [(0.31, 0.1), (0.7, -0.2), (0.5, 0.45)] {
                let jumps = |t: f64| 50.01 * t + if t < at { 0.0 } else { turn };
                let places = found(jumps, 0.2, seed).unwrap();
                assert_eq!(places.len(), 1, "{at}: {places:?}");
                assert!(
                    places[0].abs_diff((at * RATE_HZ) as usize) < 20,
                    "{at}: {places:?}"
                );
            }
        }
    }

    #[test]
    fn a_step_of_the_frequency_is_found_to_a_cycle_or_two() {
        for seed in 0..10 {
            let at = 0.4 + 0.02 * seed as f64;
            let steps = |t: f64| 50.0 * t + 0.3 * (t - at).max(0.0);
            let places = found(steps, 0.1, seed).unwrap();
            assert_eq!(places.len(), 1, "{places:?}");
            assert!(
                places[0].abs_diff((at * RATE_HZ) as usize) < 600,
                "{at}: {places:?}"
            );
        }
    }

    #[test]
    fn what_is_steady_drifts_or_sways_has_no_change() {
        for seed in 0..50 {
            assert_eq!(found(|t| 50.05 * t, 0.2, seed), None);
            assert_eq!(found(|t| 50.05 * t, 2.0, seed), None);
            let drifts = |t: f64| 50.0 * t + 0.2 * t * t;
            assert_eq!(found(drifts, 0.2, seed), None);
            for hz in [0.5, 1.3, 4.0] {
                let sways = |t: f64| 50.0 * t + 0.05 * (TAU * hz * t + seed as f64).sin() / PI;
                assert_eq!(found(sways, 0.2, seed), None, "{hz}");
            }
        }
    }
}
