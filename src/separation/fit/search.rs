//! Search for the mains fundamental: block spectra, harmonic sums, the best path through time.

use crate::numeric::parabola;
use crate::spectrum::fft;
use crate::stats::usual_power;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Orders that take part in the search.
const ORDERS: usize = 12;
/// Half-width of the search relative to the nominal frequency.
const REACH: f64 = 0.01;
/// Block lengths tried, in nominal cycles; the whole record is tried as well up to the longest.
const BLOCK_CYCLES: [f64; 3] = [25.0, 50.0, 200.0];
const LONGEST_CYCLES: f64 = 1000.0;

/// The fundamental against time as the search sees it.
#[derive(Debug, Clone)]
pub(crate) struct CoarseTrack {
    pub(crate) nominal_hz: f64,
    /// Middles of the blocks, s, and the frequency there.
    pub(crate) points: Vec<(f64, f64)>,
    pub(crate) score: f64,
}

impl CoarseTrack {
    /// Frequency at a time, linear between blocks and held at the ends.
    pub(crate) fn frequency_at(&self, time_s: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 < time_s);
        match (
            after.checked_sub(1).map(|i| self.points[i]),
            self.points.get(after),
        ) {
            (Some((t0, f0)), Some(&(t1, f1))) => f0 + (f1 - f0) * (time_s - t0) / (t1 - t0),
            (Some((_, f)), None) | (None, Some(&(_, f))) => f,
            (None, None) => self.nominal_hz,
        }
    }
}

/// Finds the most likely track near one of the nominal frequencies; orders that a protected tone could be taken for
/// have no say.
pub(crate) fn search(
    x: &[f64],
    rate_hz: f64,
    nominals: &[f64],
    protect_hz: &[f64],
) -> Option<CoarseTrack> {
    let highest = nominals.iter().copied().fold(0.0, f64::max);
    let wanted_rate = 3.0 * ORDERS as f64 * highest;
    let factor = (rate_hz / wanted_rate).floor().max(1.0) as usize;
    let reduced = decimate(x, factor);
    let rate = rate_hz / factor as f64;
    let mut best: Option<CoarseTrack> = None;
    for &nominal in nominals {
        let duration = x.len() as f64 / rate_hz;
        let whole = duration.min(LONGEST_CYCLES / nominal);
        let mut lengths: Vec<f64> = BLOCK_CYCLES
            .iter()
            .map(|c| c / nominal)
            .filter(|l| *l < 0.7 * whole)
            .collect();
        lengths.push(whole);
        for length in lengths {
            let Some(track) = by_blocks(&reduced, rate, (nominal, length), protect_hz) else {
                continue;
            };
            if best.as_ref().is_none_or(|b| track.score > b.score) {
                best = Some(track);
            }
        }
    }
    best
}

/// Low-pass (sinc under a Hann window) evaluated at every `factor`-th sample.
fn decimate(x: &[f64], factor: usize) -> Vec<f64> {
    if factor <= 1 {
        return x.to_vec();
    }
    let half = (4 * factor) as i64;
    let mut taps: Vec<f64> = (-half..=half)
        .map(|n| {
            let u = PI * n as f64 / factor as f64 * 0.8;
            let sinc = if n == 0 { 1.0 } else { u.sin() / u };
            sinc * (0.5 + 0.5 * (PI * n as f64 / (half + 1) as f64).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    (0..x.len() / factor)
        .map(|m| {
            let from = (m * factor) as i64 - half;
            let first = (-from).max(0) as usize;
            let start = from.max(0) as usize;
            taps[first..]
                .iter()
                .zip(&x[start..])
                .map(|(t, v)| t * v)
                .sum()
        })
        .collect()
}

fn by_blocks(
    x: &[f64],
    rate: f64,
    (nominal, length_s): (f64, f64),
    protect_hz: &[f64],
) -> Option<CoarseTrack> {
    let block = ((length_s * rate) as usize).min(x.len());
    if block < 16 {
        return None;
    }
    let size = (2 * block).next_power_of_two();
    let plan = fft::forward_complex(size);
    let hop = (block / 2).max(1);
    let blocks = 1 + (x.len() - block) / hop;
    let top = ORDERS.min(((0.47 * rate) / (nominal * (1.0 + REACH))) as usize);
    let orders = free_orders(top, nominal, protect_hz);
    if orders.is_empty() {
        return None;
    }
    let step = 1.0 / (5.0 * length_s * top as f64);
    let half = (REACH * nominal / step).ceil() as i64;
    let grid: Vec<f64> = (-half..=half).map(|i| nominal + i as f64 * step).collect();
    let window: Vec<f64> = (0..block)
        .map(|n| 0.5 - 0.5 * (2.0 * PI * (n as f64 + 0.5) / block as f64).cos())
        .collect();
    let scores: Vec<Vec<f64>> = (0..blocks)
        .map(|b| {
            let mut buffer: Vec<Complex64> = x[b * hop..b * hop + block]
                .iter()
                .zip(&window)
                .map(|(v, w)| Complex64::new(v * w, 0.0))
                .collect();
            buffer.resize(size, Complex64::default());
            plan.process(&mut buffer);
            harmonic_sum(&buffer, size as f64 / rate, nominal, &grid, &orders)
        })
        .collect();
    let (path, score) = best_path(&scores, step);
    let points = path
        .iter()
        .enumerate()
        .map(|(b, &i)| {
            let row = &scores[b];
            let offset = if i > 0 && i + 1 < row.len() {
                parabola::peak(row[i - 1], row[i], row[i + 1])
                    .map_or(0.0, |place| place.clamp(-0.5, 0.5))
            } else {
                0.0
            };
            let time = (b * hop) as f64 / rate + 0.5 * block as f64 / rate;
            (time, grid[i] + offset * step)
        })
        .collect();
    let overlap = if blocks > 1 { 0.6 } else { 1.0 };
    let choices = (grid.len() as f64).ln();
    Some(CoarseTrack {
        nominal_hz: nominal,
        points,
        score: overlap * score
            - choices
                * if blocks > 1 {
                    1.0 + 0.2 * blocks as f64
                } else {
                    1.0
                },
    })
}

/// Orders in whose reach no protected tone stands; all where one stands in each.
fn free_orders(top: usize, nominal: f64, protect_hz: &[f64]) -> Vec<usize> {
    let taken = |order: usize| {
        let place = order as f64 * nominal;
        let reach = 1.0 + REACH * place;
        protect_hz.iter().any(|p| (p - place).abs() < reach)
    };
    let free: Vec<usize> = (1..=top).filter(|k| !taken(*k)).collect();
    if free.is_empty() {
        (1..=top).collect()
    } else {
        free
    }
}

/// Power over the noise beyond which an order counts by its logarithm.
const LOUDEST: f64 = 60.0;
/// Factor of that logarithm for the fundamental; a high multiple lies near some line more often.
const BEYOND: f64 = 25.0;

/// Sum over orders of power over the neighbourhood's noise, for every grid frequency: the log-likelihood of
/// a series (Rife & Boorstyn 1974), an order beyond [`LOUDEST`] scaled down as a whole, so
/// that a strong line keeps its sharp peak and one lone tone does not outweigh a series.
fn harmonic_sum(
    spectrum: &[Complex64],
    seconds: f64,
    nominal: f64,
    grid: &[f64],
    orders: &[usize],
) -> Vec<f64> {
    let mut sums = vec![0.0; grid.len()];
    for &order in orders {
        let centre = order as f64 * nominal;
        let low = ((centre - 0.5 * nominal) * seconds).ceil() as usize;
        let high = (((centre + 0.5 * nominal) * seconds) as usize).min(spectrum.len() / 2);
        if high <= low + 2 {
            continue;
        }
        let mut powers: Vec<f64> = spectrum[low..high]
            .iter()
            .map(Complex64::norm_sqr)
            .collect();
        let floor = usual_power(&mut powers).max(1e-300);
        let values: Vec<f64> = grid
            .iter()
            .map(|f| {
                let at = order as f64 * f * seconds;
                let i = (at as usize).min(spectrum.len() / 2 - 1);
                let share = at - i as f64;
                let value = |j: usize| spectrum[j].norm_sqr() / floor;
                (1.0 - share) * value(i) + share * value(i + 1)
            })
            .collect();
        let largest = values.iter().copied().fold(LOUDEST, f64::max);
        let most = LOUDEST + BEYOND * (largest / LOUDEST).ln() / (order as f64).sqrt();
        for (sum, value) in sums.iter_mut().zip(&values) {
            *sum += value * most / largest - 1.0;
        }
    }
    sums
}

/// Viterbi's path: most score for least change of frequency, a jump costing a bounded price.
fn best_path(scores: &[Vec<f64>], step_hz: f64) -> (Vec<usize>, f64) {
    const PRICE_PER_HZ: f64 = 30.0;
    const DEAREST: f64 = 6.0;
    let width = scores.first().map_or(0, Vec::len);
    let mut total = scores.first().cloned().unwrap_or_default();
    let mut origins: Vec<Vec<usize>> = Vec::with_capacity(scores.len());
    let near = (DEAREST / (PRICE_PER_HZ * step_hz)).ceil() as usize;
    for row in &scores[1..] {
        let overall = argmax(&total);
        let mut next = vec![0.0; width];
        let mut origin = vec![0; width];
        for i in 0..width {
            let mut best = total[overall] - DEAREST;
            let mut from = overall;
            let (from_j, to_j) = (i.saturating_sub(near), (i + near + 1).min(width));
            for (j, before) in total.iter().enumerate().take(to_j).skip(from_j) {
                let value = before - PRICE_PER_HZ * step_hz * i.abs_diff(j) as f64;
                if value > best {
                    best = value;
                    from = j;
                }
            }
            next[i] = best + row[i];
            origin[i] = from;
        }
        total = next;
        origins.push(origin);
    }
    let mut at = argmax(&total);
    let score = total.get(at).copied().unwrap_or(0.0);
    let mut path = vec![at];
    for origin in origins.iter().rev() {
        at = origin[at];
        path.push(at);
    }
    path.reverse();
    (path, score)
}

fn argmax(values: &[f64]) -> usize {
    (0..values.len())
        .max_by(|&a, &b| values[a].total_cmp(&values[b]))
        .unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separation::fit::trials::{RATE_HZ, hum, made};

    /// A twentieth of a cell of the shortest block tried, 25 cycles: what the fit that follows has to refine.
    const COARSE_HZ: f64 = 0.1;

    #[test]
    fn the_nominal_and_the_frequency_are_found() {
        for (frequency_hz, nominal_hz) in [(49.83, 50.0), (50.31, 50.0), (60.17, 60.0)] {
            let x = made(4.0, 1, 0.5, |t| hum(frequency_hz * t));
            let track = search(&x, RATE_HZ, &[50.0, 60.0], &[]).unwrap();
            assert_eq!(track.nominal_hz, nominal_hz);
            let found = track.frequency_at(2.0);
            assert!(
                (found - frequency_hz).abs() < COARSE_HZ,
                "{found} {frequency_hz}"
            );
        }
    }

    #[test]
    fn a_step_of_the_grid_is_followed() {
        let x = made(20.0, 2, 0.2, |t| {
            hum(49.9 * t.min(10.0) + 50.1 * (t - 10.0).max(0.0))
        });
        let track = search(&x, RATE_HZ, &[50.0, 60.0], &[]).unwrap();
        for (time_s, frequency_hz) in [(3.0, 49.9), (17.0, 50.1)] {
            let found = track.frequency_at(time_s);
            assert!(
                (found - frequency_hz).abs() < COARSE_HZ,
                "{found} at {time_s} s"
            );
        }
    }

    #[test]
    fn a_protected_tone_has_no_say() {
        let tone = 100.9;
        let x = made(4.0, 3, 0.2, |t| {
            0.3 * hum(50.02 * t) + 5.0 * (2.0 * PI * tone * t).cos()
        });
        let track = search(&x, RATE_HZ, &[50.0], &[tone]).unwrap();
        assert!(
            (track.frequency_at(2.0) - 50.02).abs() < COARSE_HZ,
            "{track:?}"
        );
    }

    #[test]
    fn a_record_too_short_gives_nothing() {
        assert!(search(&[0.0; 10], RATE_HZ, &[50.0], &[]).is_none());
    }
}
