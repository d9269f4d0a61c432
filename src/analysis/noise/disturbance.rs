//! Where a residual holds more than noise for a while: what a step, a settling or a pulse leaves of itself.

use super::bulk;
use super::noise_floor::NoiseFloor;
use crate::spectrum::fft;
use crate::stats::{chi_square_ratio_quantile, median};
use realfft::num_complex::Complex64;

/// Fewest samples of a block, and fewest blocks of a record that is looked at.
const LEAST_BLOCK: usize = 8;
const LEAST_BLOCKS: usize = 16;
/// Probability that noise alone is taken for a disturbance in a record, or its level for one that moves.
const BY_CHANCE: f64 = 1e-3;
/// Shortest blocks that tell what most of the record is like.
const SHORT: usize = 16;
/// Blocks whose scatter shows whether the level moves.
const LEVELS: usize = 32;

/// The squares of a residual whose frequencies are weighted by the inverse of its floor, so that all tell alike.
pub(crate) struct Powers {
    squares: Vec<f64>,
    /// Degrees of freedom a sample: what lines cover is left out.
    free: f64,
}

impl Powers {
    /// `None` where the residual is too short.
    pub(crate) fn new(residual: &[f64], floor: &NoiseFloor) -> Option<Self> {
        if residual.len() < LEAST_BLOCK * LEAST_BLOCKS {
            return None;
        }
        let (squares, free) = whitened(residual, floor)?;
        Some(Self { squares, free })
    }

    /// Marks blocks of any length that stand out of the usual power; samples that are `out` do not count.
    pub(crate) fn mark_loud(&self, out: &mut [bool]) {
        let (squares, free) = (&self.squares, self.free);
        let count = squares.len();
        let Some(usual) = usual_level(squares, out, free) else {
            return;
        };
        let lengths = || {
            std::iter::successors(Some(LEAST_BLOCK), |l| Some(2 * l))
                .take_while(|l| l * LEAST_BLOCKS <= count)
        };
        let looks = lengths().count() as f64;
        for length in lengths() {
            let blocks = count.div_ceil(length) as f64;
            let tail = 1.0 - BY_CHANCE / (looks * blocks);
            let limit = usual * chi_square_ratio_quantile(tail, free * length as f64);
            let loud: Vec<usize> = (0..count)
                .step_by(length)
                .filter(|&from| {
                    let to = (from + length).min(count);
                    let (power, own) = power(squares, out, from, to);
                    2 * own >= length && power > limit
                })
                .collect();
            for from in loud {
                let to = (from + length + length / 2).min(count);
                out[from.saturating_sub(length / 2)..to].fill(true);
            }
        }
    }

    /// Variance of the level from block to block over that of noise whose level stays; 1 where it does not stand out.
    pub(crate) fn dispersion(&self, out: &[bool]) -> f64 {
        dispersion(&self.squares, out, self.free)
    }

    /// Share of the power that most blocks agree on; 1 where it is not proved to be less.
    pub(crate) fn bulk(&self, out: &[bool]) -> f64 {
        let length = SHORT.max(self.squares.len() / 256);
        let mut powers = powers(&self.squares, out, length);
        bulk::in_time(&mut powers, self.free * length as f64)
    }
}

/// Mean square of the samples from one place to another that are not out, and how many these are.
fn power(squares: &[f64], out: &[bool], from: usize, to: usize) -> (f64, usize) {
    let own = (from..to).filter(|&i| !out[i]);
    let (sum, count) = own.fold((0.0, 0), |(s, c), i| (s + squares[i], c + 1));
    (sum / f64::from(count.max(1)), count as usize)
}

/// The residual's squares with every frequency weighted by the floor's inverse, what lines cover left out; degrees of freedom
/// a sample.
fn whitened(residual: &[f64], floor: &NoiseFloor) -> Option<(Vec<f64>, f64)> {
    let padded = fft::good_length_from(residual.len());
    let (there, back) = (fft::forward(padded), fft::inverse(padded));
    let mut samples = residual.to_vec();
    samples.resize(padded, 0.0);
    let mut bins = there.make_output_vec();
    fft::run_forward(
        &*there,
        &mut samples,
        &mut bins,
        &mut there.make_scratch_vec(),
    );
    let smooth = floor.smoothed();
    let last = bins.len() - 1;
    let ratio = (smooth.len() - 1) as f64 / last as f64;
    let mut kept = 0usize;
    for (b, bin) in bins.iter_mut().enumerate() {
        let at = (b as f64 * ratio).round() as usize;
        if b == 0 || b == last || floor.weight[at] == 0.0 || !(smooth[at] > 0.0) {
            *bin = Complex64::default();
        } else {
            *bin /= smooth[at].sqrt();
            kept += 1;
        }
    }
    fft::run_inverse(
        &*back,
        &mut bins,
        &mut samples,
        &mut back.make_scratch_vec(),
    );
    samples.truncate(residual.len());
    for x in &mut samples {
        *x *= *x;
    }
    (kept > 0).then(|| (samples, kept as f64 / last as f64))
}

/// Mean squares of the blocks that hold nothing that is out.
fn powers(squares: &[f64], out: &[bool], length: usize) -> Vec<f64> {
    (0..squares.len() + 1 - length)
        .step_by(length)
        .map(|from| power(squares, out, from, from + length))
        .filter(|own| own.1 == length)
        .map(|own| own.0)
        .collect()
}

/// Level of most blocks, to which a few loud ones mean nothing.
fn usual_level(squares: &[f64], out: &[bool], free: f64) -> Option<f64> {
    let length = LEAST_BLOCK.max(squares.len() / 1024);
    let mut powers = powers(squares, out, length);
    if powers.len() < LEAST_BLOCKS {
        return None;
    }
    let usual = median(&mut powers) / chi_square_ratio_quantile(0.5, free * length as f64);
    (usual > 0.0).then_some(usual)
}

/// Scatter of the blocks' levels over what chi-square gives, where it is more.
fn dispersion(squares: &[f64], out: &[bool], free: f64) -> f64 {
    let length = squares.len() / LEVELS;
    let levels: Vec<(f64, f64)> = (0..LEVELS)
        .map(|b| power(squares, out, b * length, (b + 1) * length))
        .filter(|own| 2 * own.1 >= length)
        .map(|(power, own)| (power, own as f64))
        .collect();
    let all: f64 = levels.iter().map(|l| l.1).sum();
    let mean = levels.iter().map(|(p, own)| p * own).sum::<f64>() / all;
    let scatter: f64 = levels
        .iter()
        .map(|(p, own)| 0.5 * free * own * (p / mean - 1.0).powi(2))
        .sum();
    let dof = levels.len() as f64 - 1.0;
    if dof >= 1.0 && scatter / dof > chi_square_ratio_quantile(1.0 - BY_CHANCE, dof) {
        scatter / dof
    } else {
        1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Multitaper;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const COUNT: usize = 6000;

    /// Noise whose density falls above a tenth of the rate.
    fn noise(rng: &mut ChaCha8Rng) -> Vec<f64> {
        let mut last = 0.0;
        let mut next = || {
            let draw: f64 = StandardNormal.sample(rng);
            last = 0.5 * last + draw;
            last
        };
        (0..COUNT).map(|_| next()).collect()
    }

    /// Samples found, and the dispersion of what is left.
    fn look(samples: &[f64]) -> (Vec<bool>, f64) {
        let estimator = Multitaper::new(COUNT, 5);
        let density = estimator.density(samples, 1000.0);
        let floor = NoiseFloor::new(&estimator, &density, &[]);
        let powers = Powers::new(samples, &floor).unwrap();
        let mut out = vec![false; COUNT];
        powers.mark_loud(&mut out);
        let dispersion = powers.dispersion(&out);
        (out, dispersion)
    }

    /// Two chances of 1e-3 a record: two of 100 records at most, which steady noise exceeds in one of 900 runs.
    #[test]
    fn steady_noise_holds_no_disturbance() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let seen = (0..100)
            .map(|_| look(&noise(&mut rng)))
            .filter(|(out, dispersion)| out.contains(&true) || *dispersion > 1.0);
        assert!(seen.count() <= 2);
    }

    #[test]
    fn what_passes_is_found_where_it_is() {
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let mut samples = noise(&mut rng);
        for (n, x) in samples[2000..2060].iter_mut().enumerate() {
            *x += if n % 20 < 10 { 12.0 } else { -12.0 };
        }
        let (out, _) = look(&samples);
        assert!(out[2000..2060].iter().all(|out| *out));
        let found = out.iter().filter(|out| **out).count();
        assert!(found < 400, "{found}");
    }

    /// A level that swings by 30 % of the power: 0.5·0.3² of its square between blocks of 187 samples, where chi-square gives
    /// 2/187; 5.2 of it in the mean.
    #[test]
    fn a_level_that_moves_is_told_by_its_scatter() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let samples: Vec<f64> = (noise(&mut rng).iter().enumerate())
            .map(|(n, x)| x * (1.0 + 0.3 * (n as f64 / 300.0).sin()).sqrt())
            .collect();
        let (_, dispersion) = look(&samples);
        assert!((3.0..9.0).contains(&dispersion), "{dispersion}");
    }
}
