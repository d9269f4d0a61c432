//! One segment of a record: the joint fit with its fundamental refined.

use super::design::{Design, FrequencyStep};
use super::fit::SeriesFit;
use super::remainder::Transform;
use crate::spectrum::Weighting;

/// |c|² over its variance a component from which a harmonic guides the frequency: one noise-only
/// order in 800 passes.
const GUIDING: f64 = 13.4;

/// The fit of one segment.
#[derive(Debug, Clone)]
pub(crate) struct SegmentFit {
    /// Middle of the segment, in samples from the record's start.
    pub(crate) centre: f64,
    pub(crate) fit: SeriesFit,
    /// What the residual still says of the frequency, and its variance.
    pub(crate) step: FrequencyStep,
    /// Of a record of one segment: what its variances follow from.
    pub(crate) design: Option<Design>,
    /// The leading order and the noise beside it (variance a sample, V²), where segments differ in it.
    pub(crate) noise_beside: Option<(usize, f64)>,
}

/// How segments are fitted.
#[derive(Debug, Clone)]
pub(crate) struct FitSettings {
    pub(crate) weighting: Weighting,
    pub(crate) orders: usize,
    /// Noise variance a sample beside offset (index 0) and each order, V².
    pub(crate) noise: Vec<f64>,
    /// Range of the fundamental, cycles per sample.
    pub(crate) range: (f64, f64),
    /// Prior of the fundamental (value, variance), where the record is too short to tell it.
    pub(crate) prior: Option<(f64, f64)>,
    /// Orders whose line does not (or not surely) follow the series: they do not tell the fundamental.
    pub(crate) aside: Vec<usize>,
    /// Those of them whose line is another's: they are not fitted.
    pub(crate) muted: Vec<usize>,
    /// Power left beside each order over the noise's, where that is more than noise gives, else 1; empty where nowhere.
    pub(crate) moved: Vec<f64>,
}

impl FitSettings {
    /// For so many orders in this noise, the fundamental within `range`.
    pub(crate) fn new(orders: usize, noise: Vec<f64>, range: (f64, f64)) -> Self {
        Self {
            weighting: Weighting::Rectangular,
            orders,
            noise,
            range,
            prior: None,
            aside: Vec::new(),
            muted: Vec::new(),
            moved: Vec::new(),
        }
    }

    /// For one line in noise of so much variance a sample.
    pub(crate) fn of_line(noise: f64, range: (f64, f64)) -> Self {
        Self {
            weighting: Weighting::Hann,
            ..Self::new(1, vec![noise; 2], range)
        }
    }

    /// Variance of a cosine or sine coefficient of order k over `length` samples.
    pub(crate) fn coefficient_variance(&self, order: usize, length: usize) -> f64 {
        spread(self.weighting) * 2.0 * self.noise[order] / length as f64
    }

    /// Highest order that may guide the frequency. Where strong surroundings call for Hann weights, lines that
    /// are no harmonics stand near high multiples: the nine lowest are trusted there.
    pub(crate) fn highest_guide(&self) -> usize {
        match self.weighting {
            Weighting::Rectangular => self.orders,
            Weighting::Hann => 9,
        }
    }

    /// Inverse noise variances of the orders that stand above the noise, 0 for the others; the
    /// strongest where none does.
    fn weights(&self, fit: &SeriesFit) -> Vec<f64> {
        let ratio = |k: usize| {
            fit.harmonics[k - 1].norm_sqr()
                / self
                    .coefficient_variance(k, fit.length)
                    .max(f64::MIN_POSITIVE)
        };
        let mut weights = vec![0.0; self.orders];
        for k in self.guiding(&ratio, fit.length) {
            weights[k - 1] = 1.0 / self.noise[k].max(f64::MIN_POSITIVE);
        }
        weights
    }

    /// Orders that may guide the frequency. Order k was seen at the best of as many places as the frequency is
    /// open by, in its cells: its threshold rises by twice their logarithm. First against the whole range,
    /// then against what the orders found so far leave open, var ν = 3/(π²L²Σk²r).
    fn guiding(&self, ratio: &dyn Fn(usize) -> f64, length: usize) -> Vec<usize> {
        let highest = self.orders.min(self.highest_guide());
        let mut open = (self.range.1 - self.range.0) * length as f64;
        let beyond = |k: usize, open: f64| ratio(k) - GUIDING - 2.0 * (1.0 + k as f64 * open).ln();
        let mut guiding: Vec<usize> = Vec::new();
        loop {
            let found: Vec<usize> = (1..=highest)
                .filter(|k| beyond(*k, open) > 0.0 && !self.aside.contains(k))
                .collect();
            if found.len() <= guiding.len() {
                break;
            }
            guiding = found;
            let information: f64 = guiding.iter().map(|&k| (k * k) as f64 * ratio(k)).sum();
            open = open.min(6.0 * (3.0 / information).sqrt() / std::f64::consts::PI);
        }
        if guiding.is_empty() {
            let free = (1..=highest).filter(|k| !self.aside.contains(k));
            guiding.extend(free.max_by(|&a, &b| beyond(a, open).total_cmp(&beyond(b, open))));
        }
        guiding
    }

    /// Fits at a fundamental held fixed.
    pub(crate) fn fit_at(
        &self,
        transform: &impl Transform,
        centre: f64,
        fundamental: f64,
    ) -> Option<SegmentFit> {
        let design = Design::new(
            transform.length(),
            self.weighting,
            fundamental,
            self.orders,
            &self.muted,
        )?;
        let weights = |fit: &SeriesFit| self.weights(fit);
        let (fit, step) = design.fit_with_step(transform, weights, self.prior);
        Some(SegmentFit {
            centre,
            fit,
            step,
            design: Some(design),
            noise_beside: None,
        })
    }

    /// Fits with the fundamental refined by up to `rounds` Gauss-Newton steps from `start`.
    pub(crate) fn refine(
        &self,
        transform: &impl Transform,
        centre: f64,
        start: f64,
        rounds: usize,
    ) -> Option<SegmentFit> {
        let mut current = self.fit_at(transform, centre, start)?;
        let cell = 1.0 / transform.length() as f64;
        for _ in 0..rounds {
            let limit = 0.4 * cell / self.top_guide(&current.fit);
            let step = current.step.step.clamp(-limit, limit);
            let next = (current.fit.fundamental + step).clamp(self.range.0, self.range.1);
            let moved = next - current.fit.fundamental;
            if moved.abs() < (1e-3 * current.step.variance.sqrt()).max(1e-12 * next) {
                break;
            }
            current = self.fit_at(transform, centre, next)?;
        }
        Some(current)
    }

    /// Highest order that guides the frequency: it sets how narrow the likelihood's peak is.
    fn top_guide(&self, fit: &SeriesFit) -> f64 {
        let weights = self.weights(fit);
        (1..=self.orders)
            .rev()
            .find(|&k| weights[k - 1] > 0.0)
            .unwrap_or(1) as f64
    }
}

/// Variance of a weighted fit's coefficient over that with even weights: Σv²·L/(Σv)².
pub(crate) fn spread(weighting: Weighting) -> f64 {
    match weighting {
        Weighting::Rectangular => 1.0,
        Weighting::Hann => 1.5,
    }
}

/// Mean fundamental of segments, cycles per sample.
pub(crate) fn mean_fundamental(segments: &[SegmentFit]) -> Option<f64> {
    (!segments.is_empty())
        .then(|| segments.iter().map(|s| s.fit.fundamental).sum::<f64>() / segments.len() as f64)
}
