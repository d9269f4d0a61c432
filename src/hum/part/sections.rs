//! Hum that changes at once from one level to another, once or several times: loads that were switched.

use super::edge::{EDGE_CYCLES, Hum, Lines, edge, model_cycles, place};
use super::levels::{FRAMES_A_CYCLE, MOST_CYCLES, amplitudes, phasors, quantile, swings};
use super::partition::changes;
use crate::hum::presence::{Presence, look};
use crate::stats::mean;
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Fewest cycles of a section, and of a record in which changes are looked for.
const LEAST_CYCLES: usize = 5;
const LEAST_IN_ALL: f64 = 14.0;
/// Fewest samples of a cycle.
const LEAST_SAMPLES: f64 = 5.0;
/// Most sections: what changes more often sways.
const MOST_SECTIONS: usize = 8;
/// Smallest deviation of a cycle's logarithm of its mean square that is told from noise, and of an order's amplitude against the
/// strongest's: what moves by less is no change.
const LEAST_DEVIATION: f64 = 0.03;
/// What a change has to gain, in squared deviations: for the choice of its place, and for each level that it brings.
const FOR_PLACE: f64 = 3.0;
const FOR_LEVEL: f64 = 3.0;
/// Frames either side of a change that it may cross, and fewest beyond from which its own height is read.
const CROSSED: usize = 1;
const BESIDE: usize = 2;
/// Deviation up to which that height has to be known.
const HEIGHT_KNOWN: f64 = 0.15;
/// Cycles over which a change is looked for where it is one deviation of a cycle's phasors.
const CYCLES_SURE: f64 = 20.0;
/// Share of the difference between two sections that has to be there right at the change: less is a slope.
const AT_ONCE: f64 = 0.7;
/// Squared deviations by which a step has to fit better than a slope over half the distance of the sections' middles: about as
/// steep as a sine between its extremes.
const NO_SLOPE: f64 = 2.0;
/// Share of a change by which frames may stray from their section's level, RMS.
const STRAY: f64 = 0.25;
/// Least change against the larger of two levels.
const LEAST_CHANGE: f64 = 0.12;
/// Share of the strongest section's level up to which one holds no hum.
const SILENT: f64 = 0.1;

/// A section of a record with its own level of hum.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Section {
    pub(crate) samples: Range<usize>,
    /// Variance of its length, samples squared.
    pub(crate) length_variance: f64,
    /// Whether it holds next to no hum.
    pub(crate) silent: bool,
}

/// The sections between which a series near one of `nominals_hz` changes at once; `None` where it does not.
pub(crate) fn sections(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> Option<Vec<Section>> {
    nominals_hz.iter().find_map(|&hz| {
        let cycle = rate_hz / hz;
        if !is_looked_through(samples.len(), cycle) || !swings_change(samples, cycle) {
            return None;
        }
        let coarse = Course::of(samples, cycle)?.sections()?;
        // The cycles beside the changes are compared at the frequency that the longest section with hum tells.
        let longest = coarse
            .iter()
            .filter(|(_, silent)| !silent)
            .max_by_key(|(frames, _)| frames.len())?;
        let first = (longest.0.start as f64 * cycle) as usize;
        let last = ((longest.0.end as f64 + 1.0) * cycle) as usize;
        let Presence::Present(seen) =
            look(&samples[first..last.min(samples.len())], rate_hz, &[hz])
        else {
            return None;
        };
        let cycle = rate_hz / seen.fundamental_hz;
        let hum = |(frames, silent): &(Range<usize>, bool)| match silent {
            true => Hum::None,
            false => Hum::Told(model_cycles(frames.len())),
        };
        let coarse = Course::of(samples, cycle)?.sections()?;
        placed(samples.len(), cycle, &coarse, |i| {
            // Frames begin a cycle apart: the first that goes with what follows has its middle behind the change.
            let near = ((coarse[i].0.end as f64 + 0.5) * cycle) as usize;
            edge(samples, cycle, near, (hum(&coarse[i]), hum(&coarse[i + 1])))
        })
    })
}

/// The sections between which the phasors of these orders of a series of known fundamental change at once; `None` where they
/// do not. Tells hum from noise that is stronger.
pub(crate) fn sections_of_series(
    samples: &[f64],
    cycle: f64,
    orders: &[usize],
) -> Option<Vec<Section>> {
    let (course, deviations) = Course::of_phasors(samples, cycle, orders);
    let coarse = course.sections()?;
    let level = |i: usize| -> Vec<Complex64> {
        let (frames, silent) = &coarse[i];
        let mean = course.mean(inner(frames, course.frames()));
        let scaled: Vec<f64> = mean.iter().zip(&deviations).map(|(m, d)| m * d).collect();
        let phasors = scaled.chunks_exact(2).map(|c| Complex64::new(c[0], c[1]));
        phasors
            .map(|c| if *silent { Complex64::default() } else { c })
            .collect()
    };
    placed(samples.len(), cycle, &coarse, |i| {
        let near = (coarse[i].0.end as f64 * cycle) as usize;
        let (before, after) = (level(i), level(i + 1));
        let lines = |phasors: Vec<Complex64>| Lines::new(orders, phasors);
        // White noise of this variance scatters the phasors of a cycle as they do.
        let square = deviations.iter().map(|d| d * d).sum::<f64>() / deviations.len() as f64;
        let noise = 0.5 * square * cycle;
        let step: f64 = before
            .iter()
            .zip(&after)
            .map(|(a, b)| (b - a).norm_sqr())
            .sum();
        let reach = (CYCLES_SURE * square / step * cycle).max(EDGE_CYCLES * cycle) as usize;
        let clear = |frames: &Range<usize>| (frames.len() as f64 * cycle) as usize / 2;
        let (from, to) = (
            near.saturating_sub(reach.min(clear(&coarse[i].0))),
            (near + reach.min(clear(&coarse[i + 1].0))).min(samples.len()),
        );
        let (before, after) = (lines(before), lines(after));
        Some(place(
            &samples[from..to],
            cycle,
            from,
            (Some(&before), Some(&after)),
            noise,
        ))
    })
}

/// Whether a record of so many samples is one in which changes are looked for.
pub(crate) fn is_looked_through(samples: usize, cycle: f64) -> bool {
    cycle >= LEAST_SAMPLES && (LEAST_IN_ALL..MOST_CYCLES).contains(&(samples as f64 / cycle))
}

/// Whether the cycles' mean squares change between stretches of the record.
fn swings_change(samples: &[f64], cycle: f64) -> bool {
    let logs: Vec<f64> = swings(samples, cycle)
        .iter()
        .map(|s| s.max(f64::MIN_POSITIVE).ln())
        .collect();
    let deviation = scatter(&logs, 1).max(LEAST_DEVIATION);
    let row = logs.iter().map(|log| log / deviation).collect();
    !likeliest(&[row]).is_empty()
}

/// The likeliest changes of what is told a cycle at a time, in deviations of its noise.
fn likeliest(rows: &[Vec<f64>]) -> Vec<usize> {
    let count = rows.first().map_or(0, Vec::len) as f64;
    let penalty = FOR_LEVEL * rows.len() as f64 + FOR_PLACE * count.ln();
    changes(rows, LEAST_CYCLES - 1, penalty)
}

/// Deviation of a course's noise, by the differences of values `lag` apart.
fn scatter(values: &[f64], lag: usize) -> f64 {
    let differences: Vec<f64> = values
        .iter()
        .zip(values.iter().skip(lag))
        .map(|(a, b)| (a - b).abs())
        .collect();
    if differences.is_empty() {
        return 0.0;
    }
    // The median of |a − b| for normal a and b: 0.6745·√2 deviations.
    quantile(&differences, 0.5) / 0.954
}

/// The orders' amplitudes, or their phasors' parts, against time: a row each, a frame a cycle, in deviations of its noise.
struct Course(Vec<Vec<f64>>);

impl Course {
    fn of(samples: &[f64], cycle: f64) -> Option<Self> {
        let orders: Vec<Vec<f64>> = amplitudes(samples, cycle)?
            .into_iter()
            .map(|own| own.into_iter().step_by(FRAMES_A_CYCLE as usize).collect())
            .collect();
        let strongest = orders
            .iter()
            .flatten()
            .copied()
            .fold(f64::MIN_POSITIVE, f64::max);
        let scaled = |own: &Vec<f64>| -> Vec<f64> {
            // Frames two cycles apart share no samples.
            let deviation = scatter(own, 2).max(LEAST_DEVIATION * strongest);
            own.iter().map(|a| a / deviation).collect()
        };
        Some(Self(orders.iter().map(scaled).collect()))
    }

    /// The phasors' parts of each cycle, with their noise's deviations.
    fn of_phasors(samples: &[f64], cycle: f64, orders: &[usize]) -> (Self, Vec<f64>) {
        let mut deviations = Vec::with_capacity(2 * orders.len());
        let mut rows = Vec::with_capacity(2 * orders.len());
        for (row, strongest) in phasors(samples, cycle, orders) {
            let deviation = scatter(&row, 1).max(LEAST_DEVIATION * strongest);
            rows.push(row.iter().map(|x| x / deviation).collect());
            deviations.push(deviation);
        }
        (Self(rows), deviations)
    }

    fn frames(&self) -> usize {
        self.0[0].len()
    }

    /// Mean of frames, of each row.
    fn mean(&self, frames: Range<usize>) -> Vec<f64> {
        let count = frames.len().max(1) as f64;
        self.0
            .iter()
            .map(|own| own[frames.clone()].iter().sum::<f64>() / count)
            .collect()
    }

    /// The frames of each section and whether it is silent; `None` where there is one, or too many.
    fn sections(&self) -> Option<Vec<(Range<usize>, bool)>> {
        let rows = self.0.len() as f64;
        let mut found = likeliest(&self.0);
        if found.len() >= MOST_SECTIONS {
            return None;
        }
        // A slope parts into stairs: what does not change at once is no change, and its neighbours are judged without it.
        loop {
            let ranges = parted(&found, self.frames());
            let worst = (0..found.len())
                .map(|i| (i, self.abruptness(&ranges[i], &ranges[i + 1])))
                .min_by(|a, b| a.1.total_cmp(&b.1))?;
            if worst.1 >= AT_ONCE {
                break;
            }
            found.remove(worst.0);
        }
        let ranges = parted(&found, self.frames());
        // Squares of the levels, without what noise adds to them, and by how much it may.
        let squares: Vec<(f64, f64)> = ranges
            .iter()
            .map(|range| {
                let frames = inner(range, self.frames());
                let count = frames.len().max(1) as f64;
                let square = norm(&self.mean(frames)).powi(2) - rows / count;
                (square, 3.0 * (2.0 * rows).sqrt() / count)
            })
            .collect();
        let full = squares.iter().map(|s| s.0).fold(0.0, f64::max);
        let silent = |(square, by_noise)| square < SILENT * SILENT * full + by_noise;
        Some(
            ranges
                .into_iter()
                .zip(squares.into_iter().map(silent))
                .collect(),
        )
    }

    /// Share of the difference between two sections that is there right at the change; 0 where either strays or it is small.
    fn abruptness(&self, before: &Range<usize>, after: &Range<usize>) -> f64 {
        let (one, other) = (inner(before, self.frames()), inner(after, self.frames()));
        let (low, high) = (self.mean(one.clone()), self.mean(other.clone()));
        let step: Vec<f64> = low.iter().zip(&high).map(|(a, b)| b - a).collect();
        let square: f64 = step.iter().map(|d| d * d).sum();
        if !(square.sqrt() > LEAST_CHANGE * norm(&low).max(norm(&high))) {
            return 0.0;
        }
        // How far up the step each frame is, between 0 and 1 but for noise of this deviation.
        let noise = square.sqrt().recip();
        let heights = |frames: &Range<usize>| -> Vec<f64> {
            let up = |f: usize| {
                step.iter()
                    .zip(&low)
                    .zip(&self.0)
                    .map(move |((d, l), row)| d * (row[f] - l))
            };
            frames
                .clone()
                .map(|f| up(f).sum::<f64>() / square)
                .collect()
        };
        let (below, above) = (heights(&one), heights(&other));
        let strays = |heights: &[f64], level: f64| {
            let squares: f64 = heights.iter().map(|h| (h - level).powi(2)).sum();
            squares / heights.len().max(1) as f64 > STRAY * STRAY + 2.0 * noise * noise
        };
        if strays(&below, 0.0) || strays(&above, 1.0) {
            return 0.0;
        }
        let middle = |frames: &Range<usize>| 0.5 * (frames.start + frames.end - 1) as f64;
        let half = 0.5 * (middle(&other) - middle(&one));
        let change = 0.5 * (one.end - 1 + other.start) as f64;
        let gained = |frames: &Range<usize>, heights: &[f64], level: f64| -> f64 {
            let own = frames.clone().zip(heights);
            own.map(|(f, height)| {
                let slope = (0.5 + (f as f64 - change) / half).clamp(0.0, 1.0);
                (height - slope).powi(2) - (height - level).powi(2)
            })
            .sum()
        };
        if square * (gained(&one, &below, 0.0) + gained(&other, &above, 1.0)) < NO_SLOPE {
            return 0.0;
        }
        // Frames that tell the height.
        let beside = (2.0 * (noise / HEIGHT_KNOWN).powi(2)).ceil() as usize;
        let beside = beside.max(BESIDE);
        mean(&above[..beside.min(above.len())]) - mean(&below[below.len().saturating_sub(beside)..])
    }
}

/// Ranges of frames between changes.
fn parted(changes: &[usize], frames: usize) -> Vec<Range<usize>> {
    let from = std::iter::once(0).chain(changes.iter().copied());
    let to = changes.iter().copied().chain(std::iter::once(frames));
    from.zip(to).map(|(from, to)| from..to).collect()
}

/// Frames of a section that no change crosses.
fn inner(section: &Range<usize>, frames: usize) -> Range<usize> {
    let from = if section.start == 0 {
        0
    } else {
        section.start + CROSSED
    };
    let to = if section.end == frames {
        frames
    } else {
        section.end - CROSSED
    };
    from..to.max(from)
}

fn norm(level: &[f64]) -> f64 {
    level.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// Sections to the sample; `edge`: the place of the change behind a section, with its variance.
fn placed(
    count: usize,
    cycle: f64,
    coarse: &[(Range<usize>, bool)],
    edge: impl Fn(usize) -> Option<(usize, f64)>,
) -> Option<Vec<Section>> {
    let mut sections = Vec::with_capacity(coarse.len());
    let (mut from, mut variance) = (0, 0.0);
    for (i, (_, silent)) in coarse.iter().enumerate() {
        let (to, own) = if i + 1 < coarse.len() {
            edge(i)?
        } else {
            (count, 0.0)
        };
        if !(to > from && (to - from) as f64 >= 0.5 * LEAST_CYCLES as f64 * cycle) {
            return None;
        }
        sections.push(Section {
            samples: from..to,
            length_variance: variance + own,
            silent: *silent,
        });
        (from, variance) = (to, own);
    }
    Some(sections)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

    fn record(level: impl Fn(f64) -> f64, noise: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..10_000)
            .map(|n| {
                let time = f64::from(n) / 1e4;
                let t = TAU * (50.03 * time).fract();
                let hum = t.cos() + 0.5 * (3.0 * t + 1.0).cos();
                level(time) * hum + noise * (rng.random::<f64>() - 0.5) + 0.4
            })
            .collect()
    }

    #[test]
    fn a_step_is_found_to_a_few_samples() {
        for (seed, (at, factor)) in [(0.2, 1.4), (0.5, 0.4), (0.83, 4.0)]
            .into_iter()
            .enumerate()
        {
            let level = |t: f64| if t < at { 1.0 } else { factor };
            let found = sections(&record(level, 0.1, seed as u64), 1e4, &[50.0, 60.0]).unwrap();
            assert_eq!(found.len(), 2, "{found:?}");
            let apart = found[1].samples.start.abs_diff((at * 1e4) as usize);
            let deviation = found[1].length_variance.sqrt();
            assert!(apart as f64 <= 4.0 * deviation + 3.0, "{at}: {found:?}");
        }
    }

    #[test]
    fn several_steps_are_found_and_what_holds_no_hum_is_silent() {
        let edges = [0.21, 0.37, 0.66];
        let levels = [1.0, 0.0, 0.7, 1.3];
        for seed in 0..5 {
            let level = |t: f64| levels[edges.iter().filter(|edge| t >= **edge).count()];
            let found = sections(&record(level, 0.1, seed), 1e4, &[50.0]).unwrap();
            let silent: Vec<bool> = found.iter().map(|section| section.silent).collect();
            assert_eq!(silent, [false, true, false, false]);
            for (section, edge) in found[1..].iter().zip(edges) {
                let apart = section.samples.start.abs_diff((edge * 1e4) as usize);
                assert!(apart <= 20, "{edge}: {found:?}");
            }
        }
    }

    #[test]
    fn what_stays_or_sways_has_no_step() {
        for seed in 0..10 {
            let sways = |t: f64| 1.0 + 0.2 * (TAU * 1.1 * t + seed as f64).sin();
            assert_eq!(sections(&record(sways, 0.1, seed), 1e4, &[50.0]), None);
            let faster = |t: f64| 1.0 + 0.3 * (TAU * 3.3 * t + seed as f64).sin();
            assert_eq!(sections(&record(faster, 0.1, seed), 1e4, &[50.0]), None);
            assert_eq!(sections(&record(|_| 1.0, 0.1, seed), 1e4, &[50.0]), None);
            assert_eq!(sections(&record(|_| 1.0, 20.0, seed), 1e4, &[50.0]), None);
            let ramps = |t: f64| 0.4 + t;
            assert_eq!(sections(&record(ramps, 0.1, seed), 1e4, &[50.0]), None);
        }
    }

    #[test]
    fn hum_under_the_noise_is_parted_by_its_phasors() {
        let orders = [1, 3];
        let cycle = 1e4 / 50.03;
        for seed in 0..10 {
            let late = |t: f64| f64::from(u8::from(t >= 0.43));
            let found = sections_of_series(&record(late, 8.0, seed), cycle, &orders).unwrap();
            let silent: Vec<bool> = found.iter().map(|section| section.silent).collect();
            assert_eq!(silent, [true, false]);
            let apart = found[1].samples.start as f64 - 4300.0;
            let deviation = found[1].length_variance.sqrt();
            assert!(apart.abs() < 4.0 * deviation, "{apart} {deviation}");
        }
    }

    #[test]
    fn steady_hum_under_the_noise_stays_whole() {
        // One parting in a thousand by chance, in all.
        for seed in 0..200 {
            let steady = record(|_| 1.0, 8.0, seed);
            assert_eq!(sections_of_series(&steady, 1e4 / 50.03, &[1, 3]), None);
            let sways = |t: f64| 1.0 + 0.3 * (TAU * 1.1 * t + seed as f64).sin();
            let sways = record(sways, 2.0, seed);
            assert_eq!(sections_of_series(&sways, 1e4 / 50.03, &[1, 3]), None);
        }
    }
}
