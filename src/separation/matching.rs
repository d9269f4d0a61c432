//! Matching one channel to another: gain and delay, or a short filter, from their correlations.

use crate::analysis::Cholesky;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Half the taps of a fractional delay.
const DELAY_HALF: i64 = 48;
/// Half-lengths of the filters tried.
const FILTER_HALVES: [i64; 7] = [0, 1, 2, 4, 8, 16, 32];
const BLOCK: usize = 1 << 14;

/// Taps applied to the other channel: output n is the sum of taps[i] × other[n - first - i].
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Filter {
    pub(super) first: i64,
    pub(super) taps: Vec<f64>,
    /// Gain and delay (samples) where that is all the filter does.
    pub(super) gain: f64,
    pub(super) delay: f64,
    /// Share of the target's power that is explained.
    pub(super) explained: f64,
    /// Free parameters.
    parameters: f64,
}

impl Filter {
    /// Filters `other`; beyond its ends it is taken to go on at its first and last value.
    pub(super) fn apply(&self, other: &[f64]) -> Vec<f64> {
        let last = other.len() as i64 - 1;
        (0..other.len() as i64)
            .map(|n| {
                let newest = n - self.first;
                let oldest = newest - self.taps.len() as i64 + 1;
                if oldest >= 0 && newest <= last {
                    let part = &other[oldest as usize..=newest as usize];
                    return self
                        .taps
                        .iter()
                        .zip(part.iter().rev())
                        .map(|(t, v)| t * v)
                        .sum();
                }
                self.taps
                    .iter()
                    .enumerate()
                    .map(|(i, t)| t * other[(newest - i as i64).clamp(0, last) as usize])
                    .sum()
            })
            .collect()
    }
}

/// Correlations of a target with another channel over a range of lags.
pub(super) struct Correlations {
    longest: i64,
    samples: f64,
    target_power: f64,
    /// Sum of target[n] other[n - m], by m + longest.
    cross: Vec<f64>,
    /// Sum of other[n] other[n - m], by |m|.
    own: Vec<f64>,
}

impl Correlations {
    pub(super) fn new(target: &[f64], other: &[f64], longest_lag: usize) -> Self {
        let lag = longest_lag + 2 * DELAY_HALF as usize + 2;
        let n = target.len();
        let size = (BLOCK + 2 * lag).next_power_of_two();
        let mut planner = FftPlanner::new();
        let (forward, inverse) = (
            planner.plan_fft_forward(size),
            planner.plan_fft_inverse(size),
        );
        let mut cross_spectrum = vec![Complex64::default(); size];
        let mut own_spectrum = cross_spectrum.clone();
        let padded = |x: &[f64], from: i64, length: usize| {
            let mut block = vec![Complex64::default(); size];
            for (i, b) in block.iter_mut().enumerate().take(length) {
                let at = from + i as i64;
                if (0..n as i64).contains(&at) {
                    b.re = x[at as usize];
                }
            }
            forward.process(&mut block);
            block
        };
        for start in (0..n).step_by(BLOCK) {
            // other's block against a wider stretch of target and of itself.
            let length = BLOCK.min(n - start);
            let narrow = padded(other, start as i64, length);
            let from = start as i64 - lag as i64;
            let wide_target = padded(target, from, length + 2 * lag);
            let wide_other = padded(other, from, length + 2 * lag);
            for i in 0..size {
                cross_spectrum[i] += wide_target[i] * narrow[i].conj();
                own_spectrum[i] += wide_other[i] * narrow[i].conj();
            }
        }
        inverse.process(&mut cross_spectrum);
        inverse.process(&mut own_spectrum);
        let scale = 1.0 / size as f64;
        Self {
            longest: lag as i64,
            samples: n as f64,
            target_power: target.iter().map(|v| v * v).sum(),
            cross: cross_spectrum[..=2 * lag]
                .iter()
                .map(|c| c.re * scale)
                .collect(),
            own: own_spectrum[lag..=2 * lag]
                .iter()
                .map(|c| c.re * scale)
                .collect(),
        }
    }

    /// As [`Correlations::new`], every frequency weighted by the inverse of what is not explained there
    /// (`unexplained` is the target less a first match): the wanted signal then hardly counts. Lags
    /// are about `centre`.
    pub(super) fn whitened(
        target: &[f64],
        other: &[f64],
        unexplained: &[f64],
        centre: i64,
        rate_hz: f64,
    ) -> Option<Self> {
        let last = other.len() as i64 - 1;
        let moved: Vec<f64> = (0..=last)
            .map(|n| other[(n - centre).clamp(0, last) as usize])
            .collect();
        let spectra = CrossSpectra::new(target, &moved, rate_hz);
        let rest = CrossSpectra::new(unexplained, unexplained, rate_hz);
        let bins = spectra.target.len();
        let size = 2 * (bins - 1);
        let lag = 4 * DELAY_HALF as usize;
        if spectra.segments < 4 || size < 8 * lag {
            return None;
        }
        let floor = 1e-6 * rest.target.iter().sum::<f64>() / bins as f64;
        let weight = |i: usize| {
            let near = i.saturating_sub(2)..(i + 3).min(bins);
            let count = near.len() as f64;
            1.0 / (rest.target[near].iter().sum::<f64>() / count + floor).max(1e-300)
        };
        let mut cross = vec![Complex64::default(); size];
        let mut own = cross.clone();
        let mut target_power = 0.0;
        for i in 1..bins {
            let w = weight(i);
            target_power += 2.0 * w * spectra.target[i];
            cross[i] = spectra.cross[i] * w;
            own[i] = Complex64::new(spectra.other[i] * w, 0.0);
            if i < size - i {
                cross[size - i] = cross[i].conj();
                own[size - i] = own[i];
            }
        }
        let inverse = FftPlanner::new().plan_fft_inverse(size);
        inverse.process(&mut cross);
        inverse.process(&mut own);
        let at = |m: i64| cross[m.rem_euclid(size as i64) as usize].re;
        Some(Self {
            longest: lag as i64,
            samples: 0.5 * target.len() as f64,
            target_power,
            cross: (-(lag as i64)..=lag as i64).map(at).collect(),
            own: own[..=lag].iter().map(|c| c.re).collect(),
        })
    }

    fn cross(&self, m: i64) -> f64 {
        self.cross
            .get((m + self.longest) as usize)
            .copied()
            .unwrap_or(0.0)
    }

    fn own(&self, m: i64) -> f64 {
        self.own
            .get(m.unsigned_abs() as usize)
            .copied()
            .unwrap_or(0.0)
    }

    fn is_empty(&self) -> bool {
        self.own(0) <= 0.0 || self.target_power <= 0.0
    }

    fn best_lag(&self) -> i64 {
        let reach = (self.longest - 2 * DELAY_HALF - 2).max(0);
        (-reach..=reach)
            .max_by(|a, b| {
                let nearer = |m: i64| self.cross(m).abs() * (1.0 - 1e-6 * m.abs() as f64);
                nearer(*a).total_cmp(&nearer(*b))
            })
            .unwrap_or(0)
    }

    /// Least squares over gain and a delay of any fraction of a sample.
    pub(super) fn gain_and_delay(&self) -> Option<Filter> {
        if self.is_empty() {
            return None;
        }
        let fit = |delay: f64| {
            let (first, taps) = delay_taps(delay);
            let linear: f64 = taps
                .iter()
                .enumerate()
                .map(|(i, t)| t * self.cross(first + i as i64))
                .sum();
            let mut square = 0.0;
            for (i, a) in taps.iter().enumerate() {
                for (j, b) in taps.iter().enumerate() {
                    square += a * b * self.own(i as i64 - j as i64);
                }
            }
            (
                linear * linear / square.max(1e-300),
                linear / square.max(1e-300),
            )
        };
        let lag = self.best_lag() as f64;
        let (mut low, mut high) = (lag - 1.0, lag + 1.0);
        let ratio = 0.5 * (5f64.sqrt() - 1.0);
        let (mut a, mut b) = (high - ratio * (high - low), low + ratio * (high - low));
        let (mut at_a, mut at_b) = (fit(a).0, fit(b).0);
        for _ in 0..48 {
            if at_a > at_b {
                high = b;
                (b, at_b) = (a, at_a);
                a = high - ratio * (high - low);
                at_a = fit(a).0;
            } else {
                low = a;
                (a, at_a) = (b, at_b);
                b = low + ratio * (high - low);
                at_b = fit(b).0;
            }
        }
        let delay = 0.5 * (low + high);
        let (gained, gain) = fit(delay);
        let (first, mut taps) = delay_taps(delay);
        taps.iter_mut().for_each(|t| *t *= gain);
        Some(Filter {
            first,
            taps,
            gain,
            delay,
            explained: gained / self.target_power,
            parameters: 2.0,
        })
    }

    /// The filter, of gain and delay or of a few taps, that the data support (Akaike 1974); `None`
    /// where none improves on nothing.
    pub(super) fn filter(&self) -> Option<Filter> {
        let mut best = self.gain_and_delay()?;
        let cost =
            |f: &Filter| self.samples * (1.0 - f.explained).max(1e-15).ln() + 4.0 * f.parameters;
        let lag = best.delay.round() as i64;
        for half in FILTER_HALVES {
            let taps = self.solve(lag, half);
            let explained: f64 = taps
                .iter()
                .enumerate()
                .map(|(i, t)| t * self.cross(lag - half + i as i64))
                .sum::<f64>()
                / self.target_power;
            let candidate = Filter {
                first: lag - half,
                gain: best.gain,
                delay: best.delay,
                parameters: taps.len() as f64,
                taps,
                explained,
            };
            if cost(&candidate) < cost(&best) {
                best = candidate;
            }
        }
        // The lag is the best of many.
        let tried = 2.0 * self.longest as f64;
        (cost(&best) < -6.0 - 2.0 * tried.ln()).then_some(best)
    }

    /// Taps about a lag from the normal equations; none where they are singular.
    fn solve(&self, lag: i64, half: i64) -> Vec<f64> {
        let p = (2 * half + 1) as usize;
        let mut taps: Vec<f64> = (0..p).map(|i| self.cross(lag - half + i as i64)).collect();
        let mut matrix = vec![0.0; p * p];
        for i in 0..p {
            for j in 0..=i {
                let ridge = if i == j { 1.0 + 1e-9 } else { 1.0 };
                matrix[i * p + j] = self.own(i as i64 - j as i64) * ridge;
            }
        }
        match Cholesky::new(p, matrix) {
            Some(factor) => factor.solve(&mut taps),
            None => taps.fill(0.0),
        }
        taps
    }
}

impl Filter {
    /// The same filter with its lags counted from 0 instead of from `centre`.
    fn moved(mut self, centre: i64) -> Self {
        self.first += centre;
        self.delay += centre as f64;
        self
    }
}

/// Matches twice: plainly, then with every frequency weighted by what the first match left there.
pub(super) fn match_channels(
    target: &[f64],
    other: &[f64],
    longest_lag: usize,
    rate_hz: f64,
    solve: impl Fn(&Correlations) -> Option<Filter>,
) -> Option<Filter> {
    let mut filter = solve(&Correlations::new(target, other, longest_lag))?;
    for _ in 0..2 {
        let rest: Vec<f64> = target
            .iter()
            .zip(filter.apply(other))
            .map(|(x, v)| x - v)
            .collect();
        let centre = filter.delay.round() as i64;
        let Some(weighted) = Correlations::whitened(target, other, &rest, centre, rate_hz) else {
            break;
        };
        // A strong narrow signal can feign a match; with its frequencies down-weighted it cannot.
        let better = solve(&weighted)?;
        filter = better.moved(centre);
    }
    Some(filter)
}

/// Taps of a delay: a sinc under a Kaiser-like (cosine-squared) window, unit gain at 0 Hz.
fn delay_taps(delay: f64) -> (i64, Vec<f64>) {
    let centre = delay.round() as i64;
    let fraction = delay - centre as f64;
    let mut taps: Vec<f64> = (-DELAY_HALF..=DELAY_HALF)
        .map(|i| {
            let t = i as f64 - fraction;
            let sinc = if t.abs() < 1e-12 {
                1.0
            } else {
                (PI * t).sin() / (PI * t)
            };
            sinc * (0.5 * PI * t / (DELAY_HALF + 1) as f64).cos().powi(2)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    (centre - DELAY_HALF, taps)
}

/// Averaged spectra of two channels (Welch 1967): powers and the cross spectrum by frequency.
pub(super) struct CrossSpectra {
    pub(super) bin_hz: f64,
    pub(super) target: Vec<f64>,
    pub(super) other: Vec<f64>,
    pub(super) cross: Vec<Complex64>,
    pub(super) segments: usize,
}

impl CrossSpectra {
    pub(super) fn new(target: &[f64], other: &[f64], rate_hz: f64) -> Self {
        let wanted = (target.len() / 8).clamp(16, 1 << 14);
        let size = if wanted.is_power_of_two() {
            wanted
        } else {
            wanted.next_power_of_two() / 2
        };
        let size = size.min(target.len().max(2));
        let fft = FftPlanner::new().plan_fft_forward(size);
        let window: Vec<f64> = (0..size)
            .map(|n| 0.5 - 0.5 * (2.0 * PI * n as f64 / size as f64).cos())
            .collect();
        let bins = size / 2 + 1;
        let mut spectra = Self {
            bin_hz: rate_hz / size as f64,
            target: vec![0.0; bins],
            other: vec![0.0; bins],
            cross: vec![Complex64::default(); bins],
            segments: 0,
        };
        let mut start = 0;
        while start + size <= target.len() {
            let transform = |x: &[f64]| {
                let part = &x[start..start + size];
                let mean = part.iter().sum::<f64>() / size as f64;
                let mut block: Vec<Complex64> = part
                    .iter()
                    .zip(&window)
                    .map(|(v, w)| Complex64::new((v - mean) * w, 0.0))
                    .collect();
                fft.process(&mut block);
                block
            };
            let (a, b) = (transform(target), transform(other));
            for i in 0..bins {
                spectra.target[i] += a[i].norm_sqr();
                spectra.other[i] += b[i].norm_sqr();
                spectra.cross[i] += a[i] * b[i].conj();
            }
            spectra.segments += 1;
            start += (size / 2).max(1);
        }
        spectra
    }

    /// Power-weighted coherence: share of the target's power that the other channel explains, less
    /// what chance explains.
    pub(super) fn coherence(&self) -> f64 {
        let (mut explained, mut whole) = (0.0, 1e-300);
        for i in 1..self.target.len() {
            if self.other[i] > 0.0 {
                explained += self.cross[i].norm_sqr() / self.other[i];
            }
            whole += self.target[i];
        }
        let raw = explained / whole;
        // Half-overlapped Hann segments count for about 0.6 independent ones each.
        let chance = 1.0 / (0.6 * self.segments as f64).max(1.0);
        ((raw - chance) / (1.0 - chance).max(1e-3)).clamp(0.0, 1.0)
    }
}
