//! Shift and gain on which most orders of a template and of a record agree.

use super::series::{Template, series};
use crate::separation::fit::Fit;
use crate::{Error, ErrorKind};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the aligned orders' power that may be left unexplained.
const WORST_MISFIT: f64 = 0.1;
/// Share of the template's power that has to agree.
const LEAST_AGREED: f64 = 0.5;
/// Relative misfit of one order that is put down to the template itself.
const TOLERANCE: f64 = 0.03;
/// Squared misfit over its variance from which an order's say is cut down, and beyond which it disagrees.
const BOUNDED: f64 = 9.0;
const DISAGREES: f64 = 16.0;
/// Shifts tried in a cycle of the highest order, and rounds of refinement.
const SHIFTS: f64 = 24.0;
const ROUNDS: usize = 20;

/// How a template lies on a series.
pub(super) struct Alignment {
    pub(super) shift_cycles: f64,
    pub(super) gain: f64,
    /// Orders (indices into the template) that agree.
    pub(super) agreeing: Vec<usize>,
    /// Unexplained share of the agreeing orders' power.
    pub(super) misfit: f64,
    /// Share of the template's orders that agree.
    pub(super) share: f64,
    gain_variance: f64,
    shift_variance: f64,
}

impl Alignment {
    /// Finds the shift and gain on which most orders agree.
    ///
    /// # Errors
    /// `BadValue` where too few do.
    pub(super) fn new(template: &Template, fitted: &Fit) -> Result<Self, Error> {
        let pairs = Pairs::new(template, fitted);
        if pairs.0.is_empty() {
            return Err(refusal("they have no harmonic in common"));
        }
        let found = pairs.refined(pairs.rough());
        let agrees = |p: &&Pair| {
            let (squares, scale) = p.misfit(found.shift, found.gain);
            squares < DISAGREES * scale
        };
        let agreeing: Vec<&Pair> = pairs.0.iter().filter(agrees).collect();
        let (mut left, mut power) = (0.0, 1e-300);
        for p in &agreeing {
            left += p.misfit(found.shift, found.gain).0;
            power += p.record.norm_sqr();
        }
        let whole: f64 = pairs.0.iter().map(|p| p.template.norm_sqr()).sum();
        let agreed: f64 = agreeing.iter().map(|p| p.template.norm_sqr()).sum();
        let misfit = left / power;
        let all = pairs.0.len();
        if agreed < LEAST_AGREED * whole {
            return Err(refusal(&format!(
                "{} of {all} harmonics disagree by more than their noise",
                all - agreeing.len(),
            )));
        }
        if misfit > WORST_MISFIT || found.gain <= 0.0 {
            return Err(refusal(&format!(
                "{:.0} % of the harmonics' power is left unexplained",
                100.0 * misfit
            )));
        }
        Ok(Self {
            shift_cycles: found.shift.rem_euclid(1.0),
            gain: found.gain,
            share: agreeing.len() as f64 / all as f64,
            agreeing: agreeing.iter().map(|p| p.index).collect(),
            misfit,
            gain_variance: 1.0 / found.certain.0.max(1e-300),
            shift_variance: 1.0 / found.certain.1.abs().max(1e-300),
        })
    }

    /// Mean square by which the aligned template is wrong for want of knowing gain and shift.
    pub(super) fn doubt(&self, template: &Template) -> f64 {
        let orders = template.orders.iter().zip(&template.amplitudes);
        orders
            .map(|(k, a)| {
                let turn = (2.0 * PI * *k as f64 * self.gain).powi(2) * self.shift_variance;
                0.5 * a.norm_sqr() * (self.gain_variance + turn)
            })
            .sum()
    }
}

fn refusal(why: &str) -> Error {
    ErrorKind::BadValue.error(format!(
        "the template does not fit the record: {why}; take the template on the same set-up \
             in the same state, or separate without it"
    ))
}

/// An order that template and record have in common.
struct Pair {
    /// Index into the template.
    index: usize,
    order: f64,
    template: Complex64,
    record: Complex64,
    /// Variance of both amplitudes.
    variance: f64,
}

impl Pair {
    /// Squared misfit at a shift and gain, and its scale.
    fn misfit(&self, shift: f64, gain: f64) -> (f64, f64) {
        let turned =
            self.template * gain * Complex64::from_polar(1.0, 2.0 * PI * self.order * shift);
        let scale = self.variance * (1.0 + gain * gain)
            + (TOLERANCE * gain).powi(2) * self.template.norm_sqr();
        ((self.record - turned).norm_sqr(), scale)
    }
}

/// Shift, cycles, and gain that were found, and the inverse variances of gain and shift.
struct Found {
    shift: f64,
    gain: f64,
    certain: (f64, f64),
}

struct Pairs(Vec<Pair>);

impl Pairs {
    fn new(template: &Template, fitted: &Fit) -> Self {
        let (amplitudes, variances) = series(fitted);
        let pairs = template.orders.iter().enumerate().filter_map(|(i, k)| {
            let j = fitted.model.orders.iter().position(|o| o == k)?;
            Some(Pair {
                index: i,
                order: *k as f64,
                template: template.amplitudes[i],
                record: amplitudes[j],
                variance: variances[j] + template.variances[i],
            })
        });
        Self(pairs.collect())
    }

    fn highest(&self) -> f64 {
        self.0.iter().map(|p| p.order).fold(1.0, f64::max)
    }

    /// The best of a grid of shifts and of gains that single orders ask for, under a bounded loss against signals on
    /// harmonics.
    fn rough(&self) -> (f64, f64) {
        let mut gains: Vec<f64> = self
            .0
            .iter()
            .map(|p| p.record.norm() / p.template.norm().max(1e-300))
            .collect();
        gains.sort_by(f64::total_cmp);
        let mut candidates: Vec<f64> = (1..=7).map(|q| gains[(gains.len() - 1) * q / 8]).collect();
        candidates.dedup();
        let loss = |shift: f64, gain: f64| -> f64 {
            self.0
                .iter()
                .map(|p| {
                    let (squares, scale) = p.misfit(shift, gain);
                    let r = squares / scale;
                    r / (1.0 + r / BOUNDED)
                })
                .sum()
        };
        let steps = (SHIFTS * self.highest()).ceil() as usize;
        let mut best = (f64::INFINITY, 0.0, 1.0);
        for gain in &candidates {
            for step in 0..steps {
                let shift = step as f64 / steps as f64;
                let value = loss(shift, *gain);
                if value < best.0 {
                    best = (value, shift, *gain);
                }
            }
        }
        (best.1, best.2)
    }

    /// Reweighted Gauss-Newton: gain along the turned template, shift across it.
    fn refined(&self, (mut shift, mut gain): (f64, f64)) -> Found {
        let highest = self.highest();
        let mut certain = (1e-300, 1e-300);
        for _ in 0..ROUNDS {
            let mut sums = [0.0; 4];
            for p in &self.0 {
                let (squares, scale) = p.misfit(shift, gain);
                let weight = 1.0 / (scale * (1.0 + squares / scale / BOUNDED).powi(2));
                let turned = p.template * Complex64::from_polar(1.0, 2.0 * PI * p.order * shift);
                let ratio = turned.conj() * p.record;
                let slope = 2.0 * PI * p.order;
                sums[0] += weight * ratio.re;
                sums[1] += weight * turned.norm_sqr();
                sums[2] += weight * slope * ratio.im;
                sums[3] += weight * slope * slope * gain * turned.norm_sqr();
            }
            // A complex misfit's variance is shared by its two parts.
            certain = (2.0 * sums[1], 2.0 * gain * sums[3]);
            gain = sums[0] / sums[1].max(1e-300);
            shift += (sums[2] / sums[3].abs().max(1e-300)).clamp(-0.1 / highest, 0.1 / highest);
        }
        Found {
            shift,
            gain,
            certain,
        }
    }
}
