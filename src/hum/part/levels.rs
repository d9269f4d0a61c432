//! Level of a series in frames of a record.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Cycles of a frame, and frames that begin within one: orders do not leak into each other under a Hann window of two.
pub(super) const FRAME_CYCLES: f64 = 2.0;
pub(super) const FRAMES_A_CYCLE: f64 = 4.0;
/// Most cycles of a record that is looked through for changes: longer ones are followed piece by piece.
pub(super) const MOST_CYCLES: f64 = 650.0;
/// Orders that tell, at most, and the share of the strongest from which one does.
const MOST_ORDERS: usize = 12;
/// Multiples of half the fundamental up to half an order beyond, and what fills vector registers up.
const HALF_ORDERS: usize = 28;
const TELLING: f64 = 0.1;

/// Sum of squares about the mean of every cycle.
pub(super) fn swings(samples: &[f64], cycle: f64) -> Vec<f64> {
    samples
        .chunks_exact(cycle.round() as usize)
        .map(|part| {
            let mean = part.iter().sum::<f64>() / part.len() as f64;
            part.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
        })
        .collect()
}

/// Sums of a stretch's samples turned back by multiples of half the fundamental: of ½, 1, 1½, and so on.
#[derive(Debug, Clone, Copy)]
struct Turned {
    re: [f64; HALF_ORDERS],
    im: [f64; HALF_ORDERS],
}

impl Turned {
    const NOTHING: Self = Self {
        re: [0.0; HALF_ORDERS],
        im: [0.0; HALF_ORDERS],
    };

    fn at(&self, half_orders: usize) -> Complex64 {
        Complex64::new(self.re[half_orders - 1], self.im[half_orders - 1])
    }

    /// Unit vectors that turn back over so many samples of a cycle of that many.
    fn back(samples: f64, cycle: f64) -> Self {
        let mut turned = Self::NOTHING;
        for j in 0..HALF_ORDERS {
            let turns = 0.5 * (j + 1) as f64 * samples / cycle;
            (turned.im[j], turned.re[j]) = (-TAU * turns.fract()).sin_cos();
        }
        turned
    }

    /// The sums of `samples`, the first of which is the record's sample `from`.
    fn of(samples: &[f64], from: usize, cycle: f64) -> Self {
        let step = Self::back(1.0, cycle);
        let mut turn = Self::back(from as f64, cycle);
        let mut sums = Self::NOTHING;
        for x in samples {
            for j in 0..HALF_ORDERS {
                let (re, im) = (turn.re[j], turn.im[j]);
                sums.re[j] += x * re;
                sums.im[j] += x * im;
                turn.re[j] = re * step.re[j] - im * step.im[j];
                turn.im[j] = re * step.im[j] + im * step.re[j];
            }
        }
        sums
    }

    fn add(&mut self, other: &Self) {
        for j in 0..HALF_ORDERS {
            self.re[j] += other.re[j];
            self.im[j] += other.im[j];
        }
    }
}

/// Amplitude of each order in each frame. A Hann window of two cycles is a constant and lines half an order off, so that a frame's
/// orders are made of the sums of the quarter cycles in it.
pub(super) fn amplitudes(samples: &[f64], cycle: f64) -> Option<Vec<Vec<f64>>> {
    const BLOCKS: usize = (FRAME_CYCLES * FRAMES_A_CYCLE) as usize;
    let length = FRAME_CYCLES * cycle;
    let hop = cycle / FRAMES_A_CYCLE;
    let frames = (samples.len().checked_sub(length.round() as usize)? as f64 / hop) as usize + 1;
    let orders = ((0.4 * cycle) as usize).clamp(1, MOST_ORDERS);
    let edge = |block: usize| ((block as f64 * hop) as usize).min(samples.len());
    let blocks: Vec<Turned> = (0..frames - 1 + BLOCKS)
        .map(|b| Turned::of(&samples[edge(b)..edge(b + 1)], edge(b), cycle))
        .collect();
    let mut amplitudes = vec![vec![0.0; frames]; orders];
    for (frame, within) in blocks.windows(BLOCKS).enumerate() {
        let mut sums = Turned::NOTHING;
        within.iter().for_each(|block| sums.add(block));
        let shift = Complex64::cis(TAU * ((edge(frame) as f64 - 0.5) / length).fract());
        for (o, own) in amplitudes.iter_mut().enumerate() {
            let twice = 2 * (o + 1);
            let beside = shift.conj() * sums.at(twice - 1) + shift * sums.at(twice + 1);
            own[frame] = 4.0 * (0.5 * sums.at(twice) - 0.25 * beside).norm() / length;
        }
    }
    Some(amplitudes)
}

/// Parts of each order's phasors, a cycle each, referred to the record's first sample: real, imaginary, of each order in turn, each
/// with the largest amplitude of its order.
pub(super) fn phasors(samples: &[f64], cycle: f64, orders: &[usize]) -> Vec<(Vec<f64>, f64)> {
    let cycles = (samples.len() as f64 / cycle) as usize;
    let edge = |c: usize| ((c as f64 * cycle).round() as usize).min(samples.len());
    let of_cycle = |order: usize, c: usize| {
        let own = &samples[edge(c)..edge(c + 1)];
        let step = Complex64::cis(-TAU * order as f64 / cycle);
        let mut turn = Complex64::cis(-TAU * (order as f64 * edge(c) as f64 / cycle).fract());
        let mut sum = Complex64::default();
        for x in own {
            sum += x * turn;
            turn *= step;
        }
        2.0 * sum / own.len().max(1) as f64
    };
    orders
        .iter()
        .flat_map(|&order| {
            let own: Vec<Complex64> = (0..cycles).map(|c| of_cycle(order, c)).collect();
            let largest = own
                .iter()
                .map(|c| c.norm())
                .fold(f64::MIN_POSITIVE, f64::max);
            let parts: [Vec<f64>; 2] = [
                own.iter().map(|c| c.re).collect(),
                own.iter().map(|c| c.im).collect(),
            ];
            parts.map(|part| (part, largest))
        })
        .collect()
}

/// Level of the series in each frame; the `full` quantile of each order's amplitudes is about 1.
pub(super) fn levels(samples: &[f64], cycle: f64, full: f64) -> Option<Vec<f64>> {
    let amplitudes = amplitudes(samples, cycle)?;
    let full: Vec<f64> = amplitudes.iter().map(|own| quantile(own, full)).collect();
    let strongest = full.iter().copied().fold(0.0, f64::max);
    if !(strongest > 0.0) {
        return None;
    }
    let weights: Vec<f64> = full
        .iter()
        .map(|f| if *f > TELLING * strongest { *f } else { 0.0 })
        .collect();
    let norm: f64 = weights.iter().map(|w| w * w).sum();
    let level = |frame: usize| {
        let own = weights.iter().zip(&amplitudes);
        own.map(|(w, own)| w * own[frame]).sum::<f64>() / norm
    };
    Some((0..amplitudes[0].len()).map(level).collect())
}

pub(super) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}
