//! Gains and delays of several channels in one target at once.

use super::delay::hold;
use super::ends::add_beyond_ends;
use super::pair::Pair;
use super::parts::{Part, apply};
use crate::numeric::Cholesky;
use crate::separation::left_power::LeftPower;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Rounds of weighting by what is left, and those after which samples far from the noise are left out.
const ROUNDS: usize = 6;
const CLEARED: [usize; 2] = [0, 2];
/// Steps of a round at most, and the largest change of a delay in one, samples.
const STEPS: usize = 8;
const LARGEST_STEP: f64 = 0.4;
const TOGETHER: usize = 256;

/// A target and the channels that may have brought what is in it.
#[derive(Clone, Copy)]
pub(crate) struct Record<'a> {
    pub(crate) target: &'a [f64],
    /// Whether a sample is present, in all channels.
    pub(crate) there: &'a dyn Fn(usize) -> bool,
    pub(crate) others: &'a [&'a [f64]],
    /// Longest delay, samples.
    pub(crate) longest: usize,
}

/// What is known of gains and delays before a fit: their inverse covariance about where they start.
#[derive(Debug, Clone)]
pub(crate) struct Known {
    precision: Vec<f64>,
}

/// Gains and delays of several channels, and how well they are known together.
#[derive(Debug, Clone)]
pub(crate) struct Joint {
    pub(crate) parts: Vec<Part>,
    /// Inverse covariance of all gains, then all delays; a full square.
    information: Vec<f64>,
    /// Mean square that changes of them bring in, in the same order.
    products: Vec<f64>,
    /// Mean negative logarithm of the likelihood of what is left by frequency.
    pub(crate) cost: f64,
}

impl Joint {
    /// What the channels bring to the target.
    pub(crate) fn apply(&self, others: &[&[f64]]) -> Vec<f64> {
        apply(&self.parts, others)
    }

    /// What is wrong for want of knowing gains and delays, and what the channels held before and after the record.
    ///
    /// With the covariance C of the parameters and the mean products P of what they change, tr(CP) is expected.
    pub(crate) fn doubt(&self, others: &[&[f64]]) -> LeftPower {
        let mut left = LeftPower::default();
        if let Some(by_pairs) = self.covariance_by_products() {
            add_trace(&mut left, &by_pairs, 2 * self.parts.len());
        }
        add_beyond_ends(&mut left, &self.parts, others);
        left
    }

    /// The same but for a gain and a delay that all of them share, of which the second part tells the variances.
    pub(crate) fn doubt_beside_common(&self) -> (LeftPower, [f64; 2]) {
        let n = self.parts.len();
        let common = |values: &[f64]| -> [f64; 4] {
            let of = |a: usize, b: usize| -> f64 {
                let mut sum = 0.0;
                for i in 0..n {
                    for j in 0..n {
                        sum += self.along(a, i)
                            * self.along(b, j)
                            * values[(a * n + i) * 2 * n + b * n + j];
                    }
                }
                sum
            };
            [of(0, 0), of(0, 1), of(1, 0), of(1, 1)]
        };
        let [a, b, c, d] = common(&self.information);
        let determinant = (a * d - b * c).max(1e-300);
        let inverse = [
            d / determinant,
            -b / determinant,
            -c / determinant,
            a / determinant,
        ];
        let [e, f, g, h] = common(&self.products);
        let shared = inverse[0] * e + inverse[1] * g + inverse[2] * f + inverse[3] * h;
        let mut left = LeftPower::default();
        if let Some(by_pairs) = self.covariance_by_products() {
            add_trace(&mut left, &by_pairs, 2 * n);
        }
        let share = ((left.power - shared) / left.power.max(1e-300)).clamp(0.0, 1.0);
        (left.times(share), [inverse[0], inverse[3]])
    }

    /// How a common gain (0) or delay (1) changes a channel's own.
    fn along(&self, which: usize, part: usize) -> f64 {
        match which {
            0 => self.parts[part].fit.gain,
            _ => 1.0,
        }
    }

    /// What another fit may start from, each gain with a doubt in its own size on top, each delay with one in samples.
    pub(crate) fn known(&self, doubt: f64, delay_doubt: f64) -> Option<Known> {
        let size = 2 * self.parts.len();
        let mut covariance = inverse(&self.information)?;
        for (i, part) in self.parts.iter().enumerate() {
            covariance[i * size + i] += (doubt * part.fit.gain).powi(2);
            let at = self.parts.len() + i;
            covariance[at * size + at] += delay_doubt * delay_doubt;
        }
        inverse(&covariance).map(|precision| Known { precision })
    }

    fn covariance_by_products(&self) -> Option<Vec<f64>> {
        let size = 2 * self.parts.len();
        let covariance = inverse(&self.information)?;
        let mut product = vec![0.0; size * size];
        for i in 0..size {
            for j in 0..size {
                product[i * size + j] = (0..size)
                    .map(|k| covariance[i * size + k] * self.products[k * size + j])
                    .sum();
            }
        }
        Some(product)
    }

    /// The channel that is least needed beside the others, where it is not needed: what leaving it out would cost, by its gain's own
    /// variance, is less than chance makes of so many delays once in a thousand.
    fn idle(&self, longest: usize) -> Option<usize> {
        let worth =
            |part: &Part| part.fit.gain.powi(2) / (2.0 * part.fit.gain_variance).max(1e-300);
        let least = (0..self.parts.len())
            .min_by(|a, b| worth(&self.parts[*a]).total_cmp(&worth(&self.parts[*b])))?;
        let tried = 2.0 * longest as f64 + 1.0;
        (worth(&self.parts[least]) < 2.0 * (11.0 + tried.ln())).then_some(least)
    }

    /// The channels that are needed, fitted by themselves.
    pub(super) fn without_idle(mut self, record: &Record<'_>) -> Option<Self> {
        while let Some(idle) = self.idle(record.longest) {
            let mut starts = self.parts;
            starts.remove(idle);
            self = fit(record, &starts, None)?;
        }
        Some(self)
    }
}

/// Adds the trace of a covariance times products; the terms' own scatter tells the degrees of freedom.
fn add_trace(left: &mut LeftPower, product: &[f64], size: usize) {
    let (mut trace, mut squares) = (0.0, 0.0);
    for i in 0..size {
        trace += product[i * size + i];
        for j in 0..size {
            squares += product[i * size + j] * product[j * size + i];
        }
    }
    if squares > 0.0 {
        left.add(trace, trace * trace / squares, f64::INFINITY);
    }
}

/// Inverse of a symmetric positive matrix, by way of one whose diagonal is 1.
fn inverse(matrix: &[f64]) -> Option<Vec<f64>> {
    let size = matrix.len().isqrt();
    let scales: Vec<f64> = (0..size).map(|i| scale(matrix[i * size + i])).collect();
    let mut out = factor(matrix, &scales)?.inverse();
    for i in 0..size {
        for j in 0..size {
            out[i * size + j] *= scales[i] * scales[j];
        }
    }
    out.iter().all(|v| v.is_finite()).then_some(out)
}

fn scale(diagonal: f64) -> f64 {
    1.0 / diagonal.max(1e-300).sqrt()
}

fn factor(matrix: &[f64], scales: &[f64]) -> Option<Cholesky> {
    const RIDGE: f64 = 1e-9;
    let size = scales.len();
    let mut scaled = vec![0.0; size * size];
    for i in 0..size {
        for j in 0..size {
            scaled[i * size + j] = matrix[i * size + j] * scales[i] * scales[j];
        }
        scaled[i * size + i] += RIDGE;
    }
    Cholesky::new(size, scaled)
}

/// Fits the gains and delays of these parts of a record at once, from where they are: weighted least squares over frequency
/// (multiple-input, single-output: J. S. Bendat & A. G. Piersol, Random Data, chapter on multiple-input systems, from memory), by
/// Gauss-Newton steps, the weights those of one channel's fit.
pub(crate) fn fit(record: &Record<'_>, starts: &[Part], known: Option<&Known>) -> Option<Joint> {
    let n = record.target.len();
    let first = starts.first()?;
    let mut spectra = Spectra::new(record, starts);
    let mut parts = starts.to_vec();
    let mut held = record.target.to_vec();
    let missing = (0..n).any(|i| !(record.there)(i));
    let mut fill = |spectra: &mut Spectra, parts: &[Part]| {
        let said = apply(parts, record.others);
        hold(&mut held, record.target, record.there, &said);
        spectra.load(&held, record.others[first.channel]);
    };
    if missing {
        fill(&mut spectra, &parts);
    }
    let (mut weights, mut cost) = spectra.weights(&parts);
    let mut sums = Sums::default();
    for round in 0..ROUNDS {
        for _ in 0..STEPS {
            sums = spectra.sums(&parts, &weights);
            sums.add_known(known, starts, &parts);
            if sums.step(&mut parts, record.longest)? < 1e-7 {
                break;
            }
        }
        if CLEARED.contains(&round) {
            fill(&mut spectra, &parts);
        }
        (weights, cost) = spectra.weights(&parts);
    }
    let covariance = inverse(&sums.information)?;
    for (i, part) in parts.iter_mut().enumerate() {
        let (count, size) = (starts.len(), 2 * starts.len());
        part.fit.gain_variance = covariance[i * size + i];
        part.fit.delay_variance = covariance[(count + i) * size + count + i];
    }
    let sound = |part: &Part| part.fit.gain.is_finite() && part.fit.delay.is_finite();
    parts.iter().all(sound).then_some(Joint {
        parts,
        information: sums.information,
        products: sums.products,
        cost,
    })
}

/// Spectra of the target and of the parts' channels.
struct Spectra {
    /// One for each part, whose target is what the others leave.
    pairs: Vec<Pair>,
    target: Vec<Complex64>,
}

/// Weights of frequencies, and of those the share that each part is coherent with.
struct Weights {
    plain: Vec<f64>,
    shares: Vec<Vec<f64>>,
}

impl Spectra {
    fn new(record: &Record<'_>, parts: &[Part]) -> Self {
        let pairs: Vec<Pair> = parts
            .iter()
            .map(|part| {
                let mut pair = Pair::new(record.target.len(), record.longest);
                pair.load(record.target, record.others[part.channel]);
                pair
            })
            .collect();
        let target = pairs.first().map_or(Vec::new(), |p| p.target.clone());
        Self { pairs, target }
    }

    fn load(&mut self, target: &[f64], first: &[f64]) {
        self.pairs[0].load(target, first);
        self.target.clone_from(&self.pairs[0].target);
    }

    fn turn(&self, part: &Part, bin: usize) -> Complex64 {
        let step = 2.0 * PI / self.pairs[0].size as f64;
        Complex64::from_polar(1.0, -(step * part.fit.delay * bin as f64) % (2.0 * PI))
    }

    /// What is left by all parts, weighted by its neighbourhood; each part's share is that of what the others leave.
    fn weights(&mut self, parts: &[Part]) -> (Weights, f64) {
        let bins = self.target.len();
        let mut rest = self.target.clone();
        let mut brought: Vec<Vec<Complex64>> = Vec::with_capacity(parts.len());
        for (part, pair) in parts.iter().zip(&self.pairs) {
            let own: Vec<Complex64> = (0..bins)
                .map(|i| part.fit.gain * self.turn(part, i) * pair.other[i])
                .collect();
            rest.iter_mut().zip(&own).for_each(|(r, v)| *r -= v);
            brought.push(own);
        }
        let left: Vec<f64> = rest.iter().map(Complex64::norm_sqr).collect();
        let (plain, logarithm) = self.pairs[0].weights(&left);
        // Of a Student variable of four degrees of freedom about the usual power u, -ln(u²/(2u + p)³).
        let depths: f64 = plain.iter().map(|w| (3.0 / w).ln()).sum();
        let cost = 3.0 * depths / bins as f64 - 2.0 * logarithm;
        let mut shares = Vec::with_capacity(parts.len());
        for ((part, pair), own) in parts.iter().zip(&mut self.pairs).zip(&brought) {
            pair.target.clear();
            pair.target.extend(rest.iter().zip(own).map(|(r, v)| r + v));
            shares.push(pair.coherent(part.fit.delay));
        }
        (Weights { plain, shares }, cost)
    }

    /// Normal equations about where the parts are.
    fn sums(&self, parts: &[Part], weights: &Weights) -> Sums {
        let count = parts.len();
        let size = 2 * count;
        let step = 2.0 * PI / self.pairs[0].size as f64;
        let turns: Vec<Complex64> = parts
            .iter()
            .map(|p| Complex64::from_polar(1.0, -step * p.fit.delay))
            .collect();
        let mut sums = Sums::new(size);
        let mut columns = vec![Complex64::default(); size];
        let mut rotations = vec![Complex64::default(); count];
        let mut roots = vec![0.0; size];
        for i in 0..self.target.len() {
            if i % TOGETHER == 0 {
                let exact = parts.iter().map(|p| self.turn(p, i));
                rotations.iter_mut().zip(exact).for_each(|(r, e)| *r = e);
            }
            let omega = i as f64 * step;
            let mut rest = self.target[i];
            for (j, part) in parts.iter().enumerate() {
                let own = rotations[j] * self.pairs[j].other[i];
                rotations[j] *= turns[j];
                rest -= part.fit.gain * own;
                columns[j] = own;
                columns[count + j] = Complex64::new(0.0, -omega * part.fit.gain) * own;
                let share = weights.plain[i] * weights.shares[j][i];
                roots[j] = share.sqrt();
                roots[count + j] = roots[j];
            }
            for a in 0..size {
                sums.along[a] += roots[a] * roots[a] * (columns[a].conj() * rest).re;
                for b in 0..=a {
                    let product = (columns[a].conj() * columns[b]).re;
                    sums.information[a * size + b] += roots[a] * roots[b] * product;
                    sums.products[a * size + b] += product;
                }
            }
        }
        // Bins of both signs, of which padding makes more than are independent.
        let independent = 2.0 / self.pairs[0].padding();
        sums.scale(independent, 2.0 / self.pairs[0].size as f64);
        sums
    }
}

/// Normal equations of gains, then delays.
#[derive(Default)]
struct Sums {
    information: Vec<f64>,
    along: Vec<f64>,
    products: Vec<f64>,
}

impl Sums {
    fn new(size: usize) -> Self {
        Self {
            information: vec![0.0; size * size],
            along: vec![0.0; size],
            products: vec![0.0; size * size],
        }
    }

    /// Scales, and fills the upper triangles.
    fn scale(&mut self, information: f64, products: f64) {
        let size = self.along.len();
        self.along.iter_mut().for_each(|v| *v *= information);
        for (values, by) in [
            (&mut self.information, information),
            (&mut self.products, products),
        ] {
            for a in 0..size {
                for b in 0..=a {
                    values[a * size + b] *= by;
                    values[b * size + a] = values[a * size + b];
                }
            }
        }
    }

    fn add_known(&mut self, known: Option<&Known>, starts: &[Part], parts: &[Part]) {
        let Some(known) = known else { return };
        let size = self.along.len();
        let mut back = vec![0.0; size];
        for (i, (start, part)) in starts.iter().zip(parts).enumerate() {
            back[i] = start.fit.gain - part.fit.gain;
            back[size / 2 + i] = start.fit.delay - part.fit.delay;
        }
        for a in 0..size {
            for b in 0..size {
                self.along[a] += known.precision[a * size + b] * back[b];
                self.information[a * size + b] += known.precision[a * size + b];
            }
        }
    }

    /// Moves the parts by one step; returns how far, in standard deviations and samples.
    fn step(&self, parts: &mut [Part], longest: usize) -> Option<f64> {
        let size = self.along.len();
        let scales: Vec<f64> = (0..size)
            .map(|i| scale(self.information[i * size + i]))
            .collect();
        let factor = factor(&self.information, &scales)?;
        let mut by: Vec<f64> = self.along.iter().zip(&scales).map(|(v, s)| v * s).collect();
        factor.solve(&mut by);
        let mut moved = 0.0f64;
        let longest = longest as f64 + 2.0;
        for (i, part) in parts.iter_mut().enumerate() {
            let at = size / 2 + i;
            let gain = by[i] * scales[i];
            let delay = (by[at] * scales[at]).clamp(-LARGEST_STEP, LARGEST_STEP);
            moved = moved.max(by[i].abs() * 1e-3).max(delay.abs());
            part.fit.gain += gain;
            part.fit.delay = (part.fit.delay + delay).clamp(-longest, longest);
        }
        moved.is_finite().then_some(moved)
    }
}
