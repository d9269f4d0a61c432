//! First, rough alignment of the phase track.

use super::fit::Fitter;
use super::model::HumModel;
use super::sums::total;
use crate::stats::median;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Power of an order's phasors over their noise from which it can be followed.
const CLEARLY: f64 = 10.0;

impl Fitter<'_> {
    /// First, rough alignment of the phase track: interval groups tracked one after the other on a
    /// small grid of shifts, all low orders together. Returns whether there is anything to follow.
    pub(super) fn align(&mut self, model: &mut HumModel) -> bool {
        let top = self.settings.highest_order.min(20);
        model.set_orders((1..=top).collect());
        let group = (0.08 / self.interval_s).round().max(1.0) as usize;
        let sums = self.sums(model);
        let intervals = model.intervals();
        let count = intervals.div_ceil(group);
        if count < 4 {
            return false;
        }
        let mut phasors = vec![vec![Complex64::default(); top]; count];
        let mut mass = vec![0.0; count];
        for i in 0..intervals {
            for (o, phasor) in phasors[i / group].iter_mut().enumerate() {
                *phasor += sums.left[i * top + o] + sums.right[i * top + o];
            }
            mass[i / group] += total(sums.gram[i]);
        }
        let noise: Vec<f64> = (0..top)
            .map(|o| {
                // Magnitudes, since a frequency that is off turns the phasors; their differences carry
                // half of the noise, as a chi-square variable of one degree of freedom.
                let mut changes: Vec<f64> = (1..count)
                    .map(|g| {
                        let size = |g: usize| phasors[g][o].norm() / f64::max(mass[g], 1.0);
                        (size(g) - size(g - 1)).powi(2)
                    })
                    .collect();
                (2.0 * std::f64::consts::LN_2 / 0.455 * median(&mut changes)).max(1e-300)
            })
            .collect();
        let strength: f64 = (0..top)
            .map(|o| {
                let power: f64 = (0..count)
                    .map(|g| (phasors[g][o] / mass[g].max(1.0)).norm_sqr())
                    .sum::<f64>()
                    / count as f64;
                (power / noise[o] - 1.0).max(0.0)
            })
            .sum();
        if strength < CLEARLY {
            return false;
        }
        let mut reference: Vec<Complex64> =
            (0..top).map(|o| phasors[0][o] / mass[0].max(1.0)).collect();
        let mut shifts = vec![0.0; count];
        let step = 1.0 / 400.0;
        for g in 1..count {
            if mass[g] <= 0.0 {
                shifts[g] = shifts[g - 1];
                continue;
            }
            let predicted = if g >= 3 {
                shifts[g - 1] + 0.5 * (shifts[g - 1] - shifts[g - 3])
            } else {
                shifts[g - 1]
            };
            let mut best = (f64::NEG_INFINITY, predicted);
            for i in -24..=24 {
                let shift = predicted + f64::from(i) * step;
                let turn = Complex64::from_polar(1.0, -2.0 * PI * shift);
                let mut rotation = Complex64::new(1.0, 0.0);
                let mut value = -f64::from(i * i) * 1e-3;
                for o in 0..top {
                    rotation *= turn;
                    value +=
                        (reference[o].conj() * phasors[g][o] * rotation).re / (noise[o] * mass[g]);
                }
                if value > best.0 {
                    best = (value, shift);
                }
            }
            shifts[g] = best.1;
            let rate = (1.0 / (g as f64 + 1.0)).max(0.1);
            for o in 0..top {
                let turn = Complex64::from_polar(1.0, -2.0 * PI * (o + 1) as f64 * shifts[g]);
                let aligned = phasors[g][o] / mass[g] * turn;
                let change = rate * (aligned - reference[o]);
                reference[o] += change;
            }
        }
        for i in 0..=intervals {
            let at = (i as f64 / group as f64 - 0.5).clamp(0.0, (count - 1) as f64);
            let low = (at as usize).min(count.saturating_sub(2));
            let share = at - low as f64;
            model.phase[i] += shifts[low] * (1.0 - share) + shifts[low + 1] * share;
        }
        true
    }
}
