//! Where hum begins, ends or steps, to the sample.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Cycles either side of a coarse edge within which it is placed, and most that tell how the hum goes on there, and fewest.
pub(super) const EDGE_CYCLES: f64 = 1.5;
const MODEL_CYCLES: (usize, usize) = (2, 4);
/// Highest order of that.
const MOST_ORDERS: usize = 40;

/// What a record holds on one side of an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Hum {
    None,
    /// What so many cycles next to the edge tell.
    Told(usize),
}

/// The cycles that tell how hum goes on in a section of so many: none within reach of another edge.
pub(super) fn model_cycles(section: usize) -> usize {
    let clear = section.saturating_sub((2.0 * EDGE_CYCLES) as usize);
    clear.clamp(MODEL_CYCLES.0, MODEL_CYCLES.1)
}

/// The place of an edge, and the variance of that: the likelihood of each sample being the first that goes with the cycles
/// after it, not with those before. `None` where the record ends before the cycles that tell.
pub(super) fn edge(
    samples: &[f64],
    cycle: f64,
    near: usize,
    (before, after): (Hum, Hum),
) -> Option<(usize, f64)> {
    let reach = (EDGE_CYCLES * cycle) as usize;
    let (from, to) = (
        near.saturating_sub(reach),
        (near + reach).min(samples.len()),
    );
    // The cycles that tell lie wholly within the hum.
    let lines = |range: Range<usize>| Some(Lines::of(samples, range, cycle));
    let length = |cycles: usize| (cycles as f64 * cycle).round() as usize;
    let before = match before {
        Hum::None => None,
        Hum::Told(cycles) => lines(from.checked_sub(length(cycles))?..from),
    };
    let after = match after {
        Hum::None => None,
        Hum::Told(cycles) if to + length(cycles) > samples.len() => return None,
        Hum::Told(cycles) => lines(to..to + length(cycles)),
    };
    let told: Vec<&Lines> = [&before, &after].into_iter().flatten().collect();
    let count = told.len().max(1) as f64;
    let mean = told.iter().map(|lines| lines.mean).sum::<f64>() / count;
    let left = told.iter().map(|lines| lines.left).sum::<f64>() / count;
    let swing = told.iter().map(|lines| lines.swing()).fold(0.0, f64::max);
    let noise = left.max(1e-9 * swing).max(f64::MIN_POSITIVE);
    let levelled: Vec<f64> = samples[from..to].iter().map(|x| x - mean).collect();
    let (at, variance) = place(
        &levelled,
        cycle,
        from,
        (before.as_ref(), after.as_ref()),
        noise,
    );
    Some((at, variance))
}

/// The place of an edge among samples about 0, the first of which is the record's sample `from`, and the variance of that.
pub(super) fn place(
    samples: &[f64],
    cycle: f64,
    from: usize,
    (before, after): (Option<&Lines>, Option<&Lines>),
    noise: f64,
) -> (usize, f64) {
    // Gain of the log likelihood by taking each sample for one behind the edge.
    let gains: Vec<f64> = samples
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let at = |lines: Option<&Lines>| lines.map_or(0.0, |l| l.at(from + i, cycle));
            ((x - at(before)).powi(2) - (x - at(after)).powi(2)) / (2.0 * noise)
        })
        .collect();
    let mut behind: f64 = gains.iter().sum();
    let mut scores: Vec<f64> = vec![behind];
    for gain in &gains {
        behind -= gain;
        scores.push(behind);
    }
    let best = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (mut sum, mut place, mut square) = (0.0, 0.0, 0.0);
    for (i, score) in scores.iter().enumerate() {
        let p = (score - best).exp();
        sum += p;
        place += p * i as f64;
        square += p * (i * i) as f64;
    }
    let mean_place = place / sum;
    let variance = (square / sum - mean_place * mean_place).max(0.0) + 1.0 / 12.0;
    (from + mean_place.round() as usize, variance)
}

/// The series in whole cycles of a record.
pub(super) struct Lines {
    mean: f64,
    /// Orders with their phasors at the record's first sample.
    orders: Vec<(usize, Complex64)>,
    /// Variance of what it leaves.
    left: f64,
}

impl Lines {
    /// Orders of known phasors about 0.
    pub(super) fn new(orders: &[usize], phasors: Vec<Complex64>) -> Self {
        Self {
            mean: 0.0,
            orders: orders.iter().copied().zip(phasors).collect(),
            left: 0.0,
        }
    }

    fn of(samples: &[f64], told: Range<usize>, cycle: f64) -> Self {
        let count = told.len();
        let orders = ((0.45 * cycle) as usize).clamp(1, MOST_ORDERS);
        let mean = samples[told.clone()].iter().sum::<f64>() / count as f64;
        let amplitude = |order: usize| {
            let sum: Complex64 = told
                .clone()
                .map(|n| {
                    Complex64::from_polar(samples[n] - mean, -TAU * order as f64 * turns(n, cycle))
                })
                .sum();
            (order, 2.0 * sum / count as f64)
        };
        let mut lines = Self {
            mean,
            orders: (1..=orders).map(amplitude).collect(),
            left: 0.0,
        };
        let squares: f64 = told
            .map(|n| (samples[n] - mean - lines.at(n, cycle)).powi(2))
            .sum();
        lines.left = squares / (count.saturating_sub(2 * orders + 1)).max(1) as f64;
        lines
    }

    fn swing(&self) -> f64 {
        self.orders.iter().map(|(_, c)| 0.5 * c.norm_sqr()).sum()
    }

    fn at(&self, n: usize, cycle: f64) -> f64 {
        self.orders
            .iter()
            .map(|(o, c)| (c * Complex64::cis(TAU * *o as f64 * turns(n, cycle))).re)
            .sum()
    }
}

/// Cycles since the first sample, of which whole ones do not matter.
fn turns(sample: usize, cycle: f64) -> f64 {
    (sample as f64 / cycle).fract()
}
