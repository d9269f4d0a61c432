//! Noise below the record's resolution, which governs its mean.
//!
//! The offset's variance is ∫S(f)|W(f)|²df with W the transform of the fit's window, and most of that lies
//! below 1/T, where the record shows nothing. What it shows above is read in two ways: by the Legendre
//! polynomials of degree 2 and up over the record, orthogonal to offset and drift, whose responses are
//! (2l+1)·j_l²(πfT) (NIST DLMF 10.60), and by the density's bins above them. To both a law
//! S(f) = S₀·(1 + (f_c/f)^a) is fitted, averaged over f_c, a and S₀ by their posterior (Whittle likelihood,
//! chi-square with the known degrees of freedom): white noise at odds of eleven to one, else f_c
//! evenly in its logarithm and a near 1. Below 1/(60 T) the density is held: slower variations
//! are not in the interval, which so holds for offsets told again within some sixty record lengths.

use super::noise_floor::NoiseFloor;
use crate::numeric::vectorised;
use crate::stats::{coverage_factor, normal_cdf, normal_quantile};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Highest degree of the polynomials.
const HIGHEST: usize = 24;
/// Blocks into which the record is averaged first.
const BLOCKS: usize = 4096;
/// Bins of the density that join the fit, and most degrees of freedom granted to each.
const BINS: usize = 24;
const MOST_DOF: f64 = 8.0;
/// Lowest frequency up to which the law rises, in 1/T.
const HELD_BELOW: f64 = 1.0 / 60.0;
/// Exponents of the law with their odds.
const EXPONENTS: [(f64, f64); 4] = [(0.8, 0.2), (1.0, 0.58), (1.25, 0.2), (2.0, 0.02)];
/// Odds that noise is white.
const WHITE: f64 = 0.92;
/// Data whose shapes share one logarithm: each is below 1e7.
const LOGARITHM_OF: usize = 32;

/// How a mean was taken over the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MeanWindow {
    Even,
    Hann,
}

impl MeanWindow {
    /// |W|² at x = fT, 1 at 0.
    fn response(self, x: f64) -> f64 {
        let sinc = if x < 1e-6 {
            1.0
        } else {
            (PI * x).sin() / (PI * x)
        };
        match self {
            Self::Even => sinc * sinc,
            Self::Hann if (x - 1.0).abs() < 1e-6 => 0.25,
            Self::Hann => (sinc / (1.0 - x * x)).powi(2),
        }
    }

    /// 2∫|W|²dx: noise of a mean over the window against an even one.
    fn spread(self) -> f64 {
        match self {
            Self::Even => 1.0,
            Self::Hann => 1.5,
        }
    }

    /// [`MeanWindow::rise`] of each exponent.
    fn rises(self) -> [f64; EXPONENTS.len()] {
        static RISES: [OnceLock<[f64; EXPONENTS.len()]>; 2] = [OnceLock::new(), OnceLock::new()];
        let [even, hann] = &RISES;
        let slot = match self {
            Self::Even => even,
            Self::Hann => hann,
        };
        *slot.get_or_init(|| EXPONENTS.map(|(a, _)| self.rise(a)))
    }

    /// 2∫|W|² max(x, 1/60)^-a dx over `spread`: what a rise adds to the mean's variance.
    fn rise(self, exponent: f64) -> f64 {
        let steps = 400;
        let (low, high) = (HELD_BELOW.ln(), 30f64.ln());
        let width = (high - low) / f64::from(steps);
        let above: f64 = (0..steps)
            .map(|i| {
                let x = (low + (f64::from(i) + 0.5) * width).exp();
                self.response(x) * x.powf(1.0 - exponent) * width
            })
            .sum();
        2.0 * (above + HELD_BELOW.powf(1.0 - exponent)) / self.spread()
    }
}

/// One datum: a power with its degrees of freedom and what each exponent's rise adds to it at f_c = 1/T.
struct Datum {
    power: f64,
    dof: f64,
    rises: [f64; EXPONENTS.len()],
}

/// One law: f_c·T to the power a, its exponent, weight and scale.
#[derive(Debug, Clone, Copy)]
struct Law {
    strength: f64,
    exponent: usize,
    weight: f64,
    level: f64,
}

/// All laws that are weighed: strength, exponent and the logarithm of the odds.
fn possible_laws() -> &'static [(f64, usize, f64)] {
    static LAWS: OnceLock<Vec<(f64, usize, f64)>> = OnceLock::new();
    LAWS.get_or_init(|| {
        let mut laws = vec![(0.0, 0, WHITE.ln())];
        let corners: Vec<f64> = (-1..=12).map(|i| 10f64.powf(0.25 * f64::from(i))).collect();
        for (e, &(a, odds)) in EXPONENTS.iter().enumerate() {
            laws.extend(corners.iter().map(|x| {
                let prior = (1.0 - WHITE) * odds / corners.len() as f64;
                (x.powf(a), e, prior.ln())
            }));
        }
        laws
    })
}

/// The posterior of the density near 0 Hz.
#[derive(Debug, Clone)]
pub(crate) struct SlowNoise {
    laws: Vec<Law>,
    dof: f64,
    duration_s: f64,
}

impl SlowNoise {
    /// From a residual of `rate_hz` without its lines (`lines_hz`, ascending or not), the noise in it
    /// being `present` of the whole, and its density.
    pub(crate) fn new(
        residual: &[f64],
        rate_hz: f64,
        lines_hz: &[f64],
        present: f64,
        floor: &NoiseFloor,
    ) -> Self {
        let duration_s = residual.len() as f64 / rate_hz;
        let lowest_line = lines_hz
            .iter()
            .fold(f64::INFINITY, |low, &f| low.min(f.abs()));
        // A polynomial of degree l stands about f = l/2T: those below the lowest line, by a cell.
        let degrees = ((2.0 * lowest_line * duration_s - 2.0).max(0.0) as usize).min(HIGHEST);
        let mut data: Vec<Datum> = legendre_powers(residual, degrees)
            .iter()
            .enumerate()
            .skip(2)
            .map(|(l, power)| Datum {
                power: power * 2.0 / rate_hz / present,
                dof: 1.0,
                rises: legendre_rises()[l],
            })
            .collect();
        let from = (0.5 * degrees as f64 + 1.0) / duration_s;
        let first = ((from / floor.bin_hz).ceil() as usize)
            .max((0.5 * floor.tapers()) as usize + 1)
            .max(1);
        data.extend(
            (first..floor.density.len())
                .filter(|&b| floor.weight[b] > 0.3)
                .take(BINS)
                .map(|b| {
                    let x = b as f64 * floor.bin_hz * duration_s;
                    Datum {
                        power: floor.density[b],
                        dof: (floor.bin_dof * floor.weight[b]).min(MOST_DOF),
                        rises: EXPONENTS.map(|(a, _)| x.powf(-a)),
                    }
                }),
        );
        let dof = data.iter().map(|d| d.dof).sum::<f64>();
        // Marginal over S₀ with prior 1/S₀: −½Σν ln s − ½Σν·ln Σν(P/s).
        let mut laws: Vec<Law> = possible_laws()
            .iter()
            .map(|&(strength, exponent, prior)| {
                let (mut log, mut sum) = (prior, 0.0);
                for data in data.chunks(LOGARITHM_OF) {
                    let mut product = 1.0;
                    for d in data {
                        let shape = 1.0 + strength * d.rises[exponent];
                        if d.dof == 1.0 {
                            product *= shape;
                        } else if strength > 0.0 {
                            log -= 0.5 * d.dof * shape.ln();
                        }
                        sum += d.dof * d.power / shape;
                    }
                    log -= 0.5 * product.ln();
                }
                Law {
                    strength,
                    exponent,
                    weight: log - 0.5 * dof * sum.max(f64::MIN_POSITIVE).ln(),
                    level: sum / dof.max(1.0),
                }
            })
            .collect();
        let best = laws
            .iter()
            .fold(f64::NEG_INFINITY, |best, l| best.max(l.weight));
        for law in &mut laws {
            law.weight = (law.weight - best).exp();
        }
        laws.retain(|l| l.weight > 1e-4);
        let total: f64 = laws.iter().map(|l| l.weight).sum();
        for law in &mut laws {
            law.weight /= total;
        }
        Self {
            laws,
            dof: dof.max(1.0),
            duration_s,
        }
    }

    /// Density (V²/Hz) and degrees of freedom that give the mean over `window` its interval: the Student
    /// distribution that meets the mixture over the laws at 68.3 % and 95 %.
    pub(crate) fn of_mean(&self, window: MeanWindow) -> (f64, f64) {
        let rises = window.rises();
        let parts: Vec<(f64, f64)> = self
            .laws
            .iter()
            .map(|l| {
                let level = l.level * (1.0 + l.strength * rises[l.exponent]);
                (l.weight, level.max(f64::MIN_POSITIVE).sqrt())
            })
            .collect();
        let (one, two) = (self.quantile(&parts, 0.683), self.quantile(&parts, 0.95));
        let (z_one, z_two) = (normal_quantile(0.8415), normal_quantile(0.975));
        let (mut low, mut high) = (0f64, 1e4f64.ln());
        for _ in 0..24 {
            let dof = (0.5 * (low + high)).exp();
            if student_at(z_two, dof) / student_at(z_one, dof) > two / one {
                low = dof.ln();
            } else {
                high = dof.ln();
            }
        }
        let dof = high.exp();
        let scale = two / coverage_factor(0.95, dof);
        (scale * scale, dof)
    }

    /// Where the mixture's two-sided probability is reached.
    fn quantile(&self, parts: &[(f64, f64)], probability: f64) -> f64 {
        let (mut low, mut high) = parts.iter().fold((f64::INFINITY, 0.0f64), |(l, h), p| {
            (l.min(0.1 * p.1), h.max(30.0 * p.1))
        });
        for _ in 0..22 {
            let middle = (low * high).sqrt();
            let beyond: f64 = parts
                .iter()
                .map(|(w, scale)| 2.0 * w * normal_cdf(-score_of(middle / scale, self.dof)))
                .sum();
            if beyond > 1.0 - probability {
                low = middle;
            } else {
                high = middle;
            }
        }
        (low * high).sqrt()
    }

    /// Mean density at a frequency where the noise rises towards 0 Hz beyond doubt (white at odds below
    /// 1 in 1000).
    pub(crate) fn rising(&self, frequency_hz: f64) -> Option<f64> {
        let white = self
            .laws
            .iter()
            .filter(|l| l.strength == 0.0)
            .map(|l| l.weight)
            .sum::<f64>();
        let x = frequency_hz * self.duration_s;
        (white < 1e-3).then(|| {
            self.laws
                .iter()
                .map(|l| {
                    let rise = l.strength * x.max(HELD_BELOW).powf(-EXPONENTS[l.exponent].0);
                    l.weight * l.level * (1.0 + rise)
                })
                .sum()
        })
    }
}

/// Normal score of a Student variable: (8ν+1)/(8ν+3)·√(ν·ln(1+t²/ν)) (D. L. Wallace, Ann. Math. Stat. 30(4), 1959).
fn score_of(t: f64, dof: f64) -> f64 {
    (8.0 * dof + 1.0) / (8.0 * dof + 3.0) * (dof * (t * t / dof).ln_1p()).sqrt()
}

/// The inverse of [`score_of`].
fn student_at(score: f64, dof: f64) -> f64 {
    let z = score * (8.0 * dof + 3.0) / (8.0 * dof + 1.0);
    (dof * (z * z / dof).exp_m1()).sqrt()
}

/// Squared coefficients of the orthonormal Legendre polynomials of degree 0 to `degrees` over the record, in
/// units in which white noise has its variance a sample.
fn legendre_powers(samples: &[f64], degrees: usize) -> Vec<f64> {
    const LANES: usize = 8;
    let block = samples.len().div_ceil(BLOCKS).max(1);
    let count = samples.len() as f64;
    // (l)P_l = (2l−1)xP_{l−1} − (l−1)P_{l−2}.
    let factors: Vec<(f64, f64)> = (0..=degrees)
        .map(|l| l.max(1) as f64)
        .map(|l| ((2.0 * l - 1.0) / l, (l - 1.0) / l))
        .collect();
    let mut sums = vec![[0.0; LANES]; degrees + 1];
    vectorised(
        #[inline(always)]
        || {
            for (i, parts) in samples.chunks(block * LANES).enumerate() {
                let (mut sum, mut x) = ([0.0; LANES], [0.0; LANES]);
                for (lane, part) in parts.chunks(block).enumerate() {
                    let middle = ((i * LANES + lane) * block) as f64 + 0.5 * part.len() as f64;
                    sum[lane] = part.iter().sum();
                    x[lane] = 2.0 * middle / count - 1.0;
                }
                let (mut before, mut value) = ([0.0; LANES], [1.0; LANES]);
                for (l, sums) in sums.iter_mut().enumerate() {
                    if l > 0 {
                        let (rise, fall) = factors[l];
                        for lane in 0..LANES {
                            let next = rise * x[lane] * value[lane] - fall * before[lane];
                            (before[lane], value[lane]) = (value[lane], next);
                        }
                    }
                    for lane in 0..LANES {
                        sums[lane] += sum[lane] * value[lane];
                    }
                }
            }
        },
    );
    sums.iter()
        .map(|lanes| lanes.iter().sum::<f64>())
        .enumerate()
        .map(|(l, s)| s * s * (2 * l + 1) as f64 / count)
        .collect()
}

/// [`legendre_rise`] of each degree and exponent.
fn legendre_rises() -> &'static [[f64; EXPONENTS.len()]; HIGHEST + 1] {
    static RISES: OnceLock<[[f64; EXPONENTS.len()]; HIGHEST + 1]> = OnceLock::new();
    // The integral is finite for degrees from 1 up.
    RISES
        .get_or_init(|| std::array::from_fn(|l| EXPONENTS.map(|(a, _)| legendre_rise(l.max(2), a))))
}

/// 2(2l+1)∫j_l²(πx)x^-a dx over all x > 0: what a rise of f_c = 1/T adds to a polynomial's power.
///
/// From ∫J_ν²(t)t^-λ dt = Γ(λ)Γ(ν+(1−λ)/2)/(2^λ Γ²((1+λ)/2)Γ(ν+(1+λ)/2)) (Watson, Bessel Functions, 13.41).
fn legendre_rise(degree: usize, exponent: f64) -> f64 {
    let (nu, lambda) = (degree as f64 + 0.5, exponent + 1.0);
    let log = ln_gamma(lambda) + ln_gamma(nu + 0.5 * (1.0 - lambda))
        - lambda * std::f64::consts::LN_2
        - 2.0 * ln_gamma(0.5 * (1.0 + lambda))
        - ln_gamma(nu + 0.5 * (1.0 + lambda));
    (2 * degree + 1) as f64 * PI.powf(exponent) * log.exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Multitaper;
    use approx::assert_relative_eq;
    use rand::{RngExt, SeedableRng};

    /// NIST DLMF 10.22.57 gives 2(2l+1)∫j_l²(πx)dx = 1, and for a = 1 the integral is 1/(2l(l+1)).
    #[test]
    fn rises_are_those_of_the_bessel_integrals() {
        for degree in [2, 5, 24] {
            let l = degree as f64;
            assert_relative_eq!(legendre_rise(degree, 0.0), 1.0, max_relative = 1e-9);
            let expected = (2.0 * l + 1.0) / (l * (l + 1.0));
            assert_relative_eq!(legendre_rise(degree, 1.0), expected, max_relative = 1e-9);
        }
    }

    /// White noise: the level is the density's own within the scatter of 400 records (0.5 %/√.. of 60 degrees of
    /// freedom each: 0.9 %; five of them) and a tenth for what cannot be ruled out.
    #[test]
    fn white_noise_is_hardly_widened() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let estimator = Multitaper::new(2000, 2);
        let (mut sum, count) = (0.0, 400);
        for _ in 0..count {
            let x: Vec<f64> = (0..2000).map(|_| rng.random::<f64>() - 0.5).collect();
            let density = estimator.density(&x, 1000.0);
            let floor = NoiseFloor::new(&estimator, &density, &[]);
            let slow = SlowNoise::new(&x, 1000.0, &[], 1.0, &floor);
            sum += slow.of_mean(MeanWindow::Even).0.sqrt();
        }
        let ratio = sum / f64::from(count) / (2.0 / 12.0 / 1000.0f64).sqrt();
        assert!((0.95..1.15).contains(&ratio), "{ratio}");
    }
}
