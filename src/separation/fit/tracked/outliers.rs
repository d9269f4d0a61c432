//! What is not hum must not disturb the fit: samples, and intervals of single orders, given no weight.

use crate::separation::fit::model::{HumModel, Sums, total};
use crate::stats::{normal_scale, usual_power};
use rustfft::num_complex::Complex64;

/// Samples below which nothing is said of the noise.
const FEWEST: usize = 16;

/// Weights of the samples of `x`, 0 where those of the residual are far from what noise does, unless they come with
/// the mains cycle (of so many samples) of a piece of the model; `None` where none is.
pub(super) fn far_from_noise(
    x: &[f64],
    residual: &[f64],
    missing: Option<&[f32]>,
    model: &HumModel,
    cycle: usize,
) -> Option<Vec<f32>> {
    const FAR: f64 = 4.5;
    // Cycles by which the phase may still be off: where the hum is steep, so much misfit is its own.
    const TIMING: f64 = 5e-4;
    let n = x.len();
    let steep = TIMING * 0.5 * cycle as f64;
    let hum = |i: usize| x[i] - residual[i];
    let is_far = |i: usize, limit: f64| {
        let size = residual[i].abs();
        size > limit && {
            let slope = hum((i + 1).min(n - 1)) - hum(i.saturating_sub(1));
            size > limit + steep * slope.abs()
        }
    };
    let stride = (n / 20_000).max(1);
    let mut sizes: Vec<f64> = (0..n)
        .step_by(stride)
        .filter(|i| missing.is_none_or(|w| w[*i] > 0.0))
        .map(|i| residual[i].abs())
        .collect();
    if sizes.len() < FEWEST {
        return None;
    }
    let limit = FAR * normal_scale(&mut sizes);
    let within = model.edges[0]..model.samples().min(n);
    let outside: Vec<usize> = within.filter(|i| is_far(*i, limit)).collect();
    if outside.is_empty() || outside.len() * 4 > n {
        return None;
    }
    let outside = with_places(&outside, model);
    let apart = stride.min(4);
    let mut far = vec![0.0; PLACES * model.constants.len().max(1)];
    for (_, place) in outside.iter().filter(|(i, _)| i % apart == 0) {
        far[*place] += 1.0;
    }
    let mut all = vec![0.0; far.len()];
    // Often there is none, and then it takes no part.
    if far.iter().any(|count| *count > 0.0) {
        for interval in 0..model.intervals() {
            for i in model.edges[interval]..model.edges[interval + 1] {
                if i % apart == 0 {
                    all[place(model, interval, i)] += 1.0;
                }
            }
        }
    }
    let mut weights = missing.map_or_else(|| vec![1.0; n], <[f32]>::to_vec);
    let mut run: Option<(usize, usize)> = None;
    let close = |weights: &mut Vec<f32>, (from, to): (usize, usize)| {
        let margin = 1 + (to - from) / 3;
        weights[from.saturating_sub(margin)..(to + margin).min(n)].fill(0.0);
    };
    for (i, place) in outside {
        if far[place] > 0.3 * all[place] {
            continue;
        }
        run = match run {
            Some((from, to)) if i <= to + cycle / 16 => Some((from, i + 1)),
            Some(done) => {
                close(&mut weights, done);
                Some((i, i + 1))
            }
            None => Some((i, i + 1)),
        };
    }
    if let Some(done) = run {
        close(&mut weights, done);
    }
    Some(weights)
}

/// Places in a cycle that are told apart.
const PLACES: usize = 128;

/// Place in the cycle of sample `i` of an interval, those of a later piece behind those of the one before.
fn place(model: &HumModel, interval: usize, i: usize) -> usize {
    let cycles = model.phase[interval]
        + model.cycles_per_sample(interval) * (i - model.edges[interval]) as f64;
    let part = cycles - (cycles as i64) as f64;
    let part = if part < 0.0 { part + 1.0 } else { part };
    let place = ((part * PLACES as f64) as usize).min(PLACES - 1);
    model.piece[interval] * PLACES + place
}

/// Samples of a model, in their order, each with its place in the cycle.
fn with_places(samples: &[usize], model: &HumModel) -> Vec<(usize, usize)> {
    let mut interval = 0;
    let placed = samples.iter().map(|&i| {
        while i >= model.edges[interval + 1] {
            interval += 1;
        }
        (i, place(model, interval, i))
    });
    placed.collect()
}

/// Samples far from what the median says of the noise.
///
/// With `peaks_only` no more than the highest: a pulse that the fit has smeared over all cycles
/// must go before its echoes can be judged.
pub(crate) fn far_samples(
    residual: &[f64],
    missing: Option<&[f32]>,
    cycle: usize,
    peaks_only: bool,
) -> Vec<bool> {
    const FAR: f64 = 5.0;
    let used = |i: usize| missing.is_none_or(|w| w[i] > 0.0);
    let mut sizes: Vec<f64> = (0..residual.len())
        .filter(|i| used(*i))
        .map(|i| residual[i].abs())
        .collect();
    let mut far = vec![false; residual.len()];
    if sizes.len() < FEWEST {
        return far;
    }
    let mut limit = FAR * normal_scale(&mut sizes);
    if peaks_only {
        limit = limit.max(0.3 * sizes.iter().copied().fold(0.0, f64::max));
    }
    let margin = cycle / 40 + 1;
    let mut count = 0;
    for (i, r) in residual.iter().enumerate() {
        if used(i) && r.abs() > limit {
            let to = (i + margin + 1).min(far.len());
            far[i.saturating_sub(margin)..to].fill(true);
            count += 1;
        }
    }
    if count * 5 > residual.len() {
        far.fill(false);
    }
    far
}

/// Gives up the intervals of an order in which far more stands than usual: something else passes.
///
/// `pieces` says to which piece an interval belongs. What stands in more than two fifths of a piece does not pass: there the
/// amplitude of that piece is wrong, and it would stay so were its intervals given up.
pub(crate) fn distrust(sums: &mut Sums, pieces: &[usize]) {
    const LIMIT: f64 = 14.0;
    const TAIL: f64 = 2.5;
    let (n, intervals) = (sums.orders, sums.gram.len());
    let mut trust = vec![1.0f32; n * intervals];
    let mut flagged = vec![false; n * intervals];
    let (mut powers, mut usual) = (Vec::with_capacity(n), Vec::with_capacity(n));
    for o in 0..n {
        let series: Vec<f64> = (0..intervals)
            .map(|i| {
                let sum = sums.left[i * n + o] + sums.right[i * n + o];
                sum.norm_sqr() / total(sums.gram[i]).max(1e-300)
            })
            .collect();
        let median = usual_power(&mut series.clone());
        for (i, power) in series.iter().enumerate() {
            flagged[i * n + o] = *power > LIMIT * median;
        }
        powers.push(series);
        usual.push(median);
    }
    // What changes many orders at once is the hum itself.
    if n >= 4 {
        for interval in flagged.chunks_mut(n) {
            if interval.iter().filter(|f| **f).count() * 5 > 2 * n {
                interval.fill(false);
            }
        }
    }
    let last = pieces.iter().copied().max().unwrap_or(0);
    let mut lengths = vec![0; last + 1];
    pieces.iter().for_each(|piece| lengths[*piece] += 1);
    for o in 0..n {
        let mut high: Vec<usize> = (0..intervals).filter(|i| flagged[*i * n + o]).collect();
        let mut counts = vec![0; last + 1];
        high.iter().for_each(|i| counts[pieces[*i]] += 1);
        high.retain(|i| counts[pieces[*i]] * 5 <= lengths[pieces[*i]] * 2);
        for i in high {
            let raised = |j: usize| powers[o][j] > TAIL * usual[o];
            let mut from = i;
            while from > 0 && raised(from - 1) {
                from -= 1;
            }
            let mut to = i + 1;
            while to < intervals && raised(to) {
                to += 1;
            }
            for j in from.saturating_sub(3)..(to + 3).min(intervals) {
                trust[j * n + o] = 0.0;
            }
        }
    }
    for (i, t) in trust.iter().enumerate() {
        if *t == 0.0 {
            sums.left[i] = Complex64::default();
            sums.right[i] = Complex64::default();
        }
    }
    sums.trust = trust;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums of six orders in 100 intervals: 1 everywhere, and 10 of the third order in so many from the first on.
    fn sums(high: usize) -> Sums {
        let mut sums = Sums::empty(6, 100);
        for i in 0..100 {
            sums.gram.push([0.25; 3]);
            for o in 0..6 {
                let stands = if o == 2 && i < high { 10.0 } else { 1.0 };
                sums.left.push(Complex64::new(0.5 * stands, 0.0));
                sums.right.push(Complex64::new(0.5 * stands, 0.0));
            }
        }
        sums
    }

    #[test]
    fn what_passes_is_given_up_and_a_whole_piece_is_not() {
        let two = |i: usize| usize::from(i >= 35);
        for (high, pieces, given_up) in [
            (10, vec![0; 100], 13),
            (10, (0..100).map(two).collect(), 13),
            // More than a third of the record, but not of it as one piece.
            (35, vec![0; 100], 38),
            (35, (0..100).map(two).collect(), 0),
            (60, vec![0; 100], 0),
        ] {
            let mut sums = sums(high);
            distrust(&mut sums, &pieces);
            let own = (0..100).filter(|i| sums.trust[i * 6 + 2] == 0.0).count();
            let all = sums.trust.iter().filter(|t| **t == 0.0).count();
            assert_eq!((own, all), (given_up, given_up), "{high}");
        }
    }

    /// Noise of ±1, and a peak of 50 at the same place of every cycle up to a sample: the hum's own in its piece, but not what
    /// comes with the cycle in a small part of a piece.
    #[test]
    fn what_comes_with_the_cycle_of_a_piece_keeps_its_weight() {
        let (cycle, intervals) = (128, 100);
        let count = cycle * intervals;
        let residual = |until: usize| -> Vec<f64> {
            let peak = |i: usize| i % cycle == 40 && i < until * cycle;
            let plain = |i: usize| if i.is_multiple_of(2) { 1.0 } else { -1.0 };
            (0..count)
                .map(|i| if peak(i) { 50.0 } else { plain(i) })
                .collect()
        };
        let model = |changes_at: usize| HumModel {
            edges: (0..=intervals).map(|i| i * cycle).collect(),
            phase: (0..=intervals).map(|i| i as f64).collect(),
            piece: (0..intervals)
                .map(|i| usize::from(i >= changes_at))
                .collect(),
            constants: vec![Vec::new(); 2],
            ..HumModel::default()
        };
        let given_up = |changes_at: usize, until: usize| {
            let residual = residual(until);
            far_from_noise(&residual, &residual, None, &model(changes_at), cycle)
                .map_or(0, |weights| weights.iter().filter(|w| **w == 0.0).count())
        };
        assert_eq!(given_up(25, 25), 0);
        assert!(given_up(80, 10) >= 10);
    }
}
