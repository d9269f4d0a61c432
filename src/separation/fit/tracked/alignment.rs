//! First, rough alignment of the phase track.

use crate::separation::fit::model::{HumModel, Sums, total};
use crate::separation::fit::settings::FitSettings;
use crate::stats::normal_variance;
use rustfft::num_complex::Complex64;
use std::f64::consts::{LN_2, PI};

/// Power of an order's phasors over their noise from which it can be followed.
const CLEARLY: f64 = 10.0;
/// Orders that are followed at most.
const MOST_ORDERS: usize = 20;
/// Time that one step of the track takes together, s.
const GROUP_S: f64 = 0.08;
/// Shifts tried on either side of the predicted one, their step in cycles, and what the square of a step costs.
const STEPS: i32 = 24;
const STEP: f64 = 1.0 / 400.0;
const PRICE: f64 = 1e-3;

/// Highest order that the alignment follows.
pub(super) fn highest_aligned(settings: &FitSettings) -> usize {
    settings.highest_order.min(MOST_ORDERS)
}

/// First, rough alignment of the phase track of a model of orders 1, 2 and so on, whose phasor sums are given: groups of
/// intervals tracked one after the other on a small grid of shifts, all orders together. Returns whether there is
/// anything to follow.
pub(super) fn align(model: &mut HumModel, sums: &Sums, interval_s: f64) -> bool {
    let group = (GROUP_S / interval_s).round().max(1.0) as usize;
    let intervals = model.intervals();
    let count = intervals.div_ceil(group);
    if count < 4 {
        return false;
    }
    let groups = Groups::new(sums, intervals, group);
    let noise = groups.noise();
    if groups.strength(&noise) < CLEARLY {
        return false;
    }
    let shifts = groups.shifts(&noise);
    for i in 0..=intervals {
        let at = (i as f64 / group as f64 - 0.5).clamp(0.0, (count - 1) as f64);
        let low = (at as usize).min(count.saturating_sub(2));
        let share = at - low as f64;
        model.phase[i] += shifts[low] * (1.0 - share) + shifts[low + 1] * share;
    }
    true
}

/// Phasors of the orders in groups of intervals.
struct Groups {
    orders: usize,
    phasors: Vec<Vec<Complex64>>,
    mass: Vec<f64>,
}

impl Groups {
    fn new(sums: &Sums, intervals: usize, group: usize) -> Self {
        let orders = sums.orders;
        let count = intervals.div_ceil(group);
        let mut phasors = vec![vec![Complex64::default(); orders]; count];
        let mut mass = vec![0.0; count];
        for i in 0..intervals {
            for (o, phasor) in phasors[i / group].iter_mut().enumerate() {
                *phasor += sums.left[i * orders + o] + sums.right[i * orders + o];
            }
            mass[i / group] += total(sums.gram[i]);
        }
        Self {
            orders,
            phasors,
            mass,
        }
    }

    /// Noise of each order. Magnitudes, since a frequency that is off turns the phasors; their differences carry half
    /// of the noise, as a chi-square variable of one degree of freedom.
    fn noise(&self) -> Vec<f64> {
        let size = |g: usize, o: usize| self.phasors[g][o].norm() / f64::max(self.mass[g], 1.0);
        (0..self.orders)
            .map(|o| {
                let mut changes: Vec<f64> = (1..self.mass.len())
                    .map(|g| (size(g, o) - size(g - 1, o)).powi(2))
                    .collect();
                (2.0 * LN_2 * normal_variance(&mut changes)).max(1e-300)
            })
            .collect()
    }

    /// Power of all orders over their noise.
    fn strength(&self, noise: &[f64]) -> f64 {
        let count = self.mass.len();
        (0..self.orders)
            .map(|o| {
                let power: f64 = (0..count)
                    .map(|g| (self.phasors[g][o] / self.mass[g].max(1.0)).norm_sqr())
                    .sum::<f64>()
                    / count as f64;
                (power / noise[o] - 1.0).max(0.0)
            })
            .sum()
    }

    /// Shift of each group, cycles: the best about a predicted one, against the mean of the groups before it.
    fn shifts(&self, noise: &[f64]) -> Vec<f64> {
        let mut reference: Vec<Complex64> = (0..self.orders)
            .map(|o| self.phasors[0][o] / self.mass[0].max(1.0))
            .collect();
        let mut shifts = vec![0.0; self.mass.len()];
        for g in 1..self.mass.len() {
            if self.mass[g] <= 0.0 {
                shifts[g] = shifts[g - 1];
                continue;
            }
            let predicted = if g >= 3 {
                shifts[g - 1] + 0.5 * (shifts[g - 1] - shifts[g - 3])
            } else {
                shifts[g - 1]
            };
            let mut best = (f64::NEG_INFINITY, predicted);
            for i in -STEPS..=STEPS {
                let shift = predicted + f64::from(i) * STEP;
                let turn = Complex64::from_polar(1.0, -2.0 * PI * shift);
                let mut rotation = Complex64::new(1.0, 0.0);
                let mut value = -f64::from(i * i) * PRICE;
                for o in 0..self.orders {
                    rotation *= turn;
                    value += (reference[o].conj() * self.phasors[g][o] * rotation).re
                        / (noise[o] * self.mass[g]);
                }
                if value > best.0 {
                    best = (value, shift);
                }
            }
            shifts[g] = best.1;
            let rate = (1.0 / (g as f64 + 1.0)).max(0.1);
            for o in 0..self.orders {
                let turn = Complex64::from_polar(1.0, -2.0 * PI * (o + 1) as f64 * shifts[g]);
                let aligned = self.phasors[g][o] / self.mass[g] * turn;
                let change = rate * (aligned - reference[o]);
                reference[o] += change;
            }
        }
        shifts
    }
}
