//! Which orders are there.

use crate::separation::fit::fitted::Excess;
use crate::separation::fit::model::{
    HumModel, chance, differences, fold, group_bounds, mean_power, pairs, pool, total,
};
use crate::separation::fit::settings::FitSettings;
use rustfft::num_complex::Complex64;
use statrs::function::gamma::checked_gamma_ur;

/// Independent tracks that search and smoothing choose from, a second: the factor by which the plain
/// tail probabilities fell short on white and pink noise of 0.3 to 30 s (measured).
const TRACKS: f64 = 1000.0;

/// Deviations of what noise leaves from which more is left.
const CLEARLY: f64 = 3.0;
/// Share of the groups, one in so many, in which what passes counts for nothing.
const PASSING: usize = 16;

/// Probability at which a series is taken for one.
pub(crate) const FALSE_ALARM: f64 = 0.01;

/// What stands above the noise beside it.
pub(crate) struct Detection {
    pub(crate) orders: Vec<usize>,
    /// Probability that a record without mains shows as much.
    pub(crate) false_alarm: f64,
    pub(crate) excess: Excess,
}

/// Which orders stand above the noise beside them in what a model leaves (weighted).
pub(crate) fn detect(
    model: &HumModel,
    residual: &[f64],
    weights: Option<&[f32]>,
    settings: &FitSettings,
) -> Detection {
    let top = settings.highest_order;
    let groups = group_bounds(model.intervals());
    let count = groups.len() - 1;
    let mut phasors = vec![vec![(Complex64::default(), 0.0); count]; top];
    let known: Vec<Option<usize>> = (1..=top)
        .map(|k| model.orders.iter().position(|o| *o == k))
        .collect();
    let mut group = 0;
    fold(model, residual, weights, top, |f| {
        while f.interval >= groups[group + 1] {
            group += 1;
        }
        let mass = total(f.gram);
        for (k, cells) in phasors.iter_mut().enumerate() {
            let cell = &mut cells[group];
            cell.0 += f.left[k + 1] + f.right[k + 1];
            cell.1 += mass;
        }
    });
    let mut noise: Vec<f64> = phasors
        .iter()
        .map(|g| mean_power(&differences(g)))
        .collect();
    pool(&mut noise, count);
    let pairs = pairs(count);
    let ratios: Vec<f64> = phasors
        .iter()
        .enumerate()
        .map(|(k, cells)| {
            let (sum, mass) = cells
                .iter()
                .fold((Complex64::default(), 0.0), |(s, m), c| (s + c.0, m + c.1));
            let present = known[k].map_or(Complex64::default(), |o| {
                let pieces = model.constants.iter().map(|c| c[o]);
                pieces.fold(Complex64::default(), |a, b| {
                    if b.norm_sqr() > a.norm_sqr() { b } else { a }
                })
            });
            let mass = f64::max(mass, 1e-300);
            (sum / mass + present).norm_sqr() * mass / noise[k].max(1e-300)
        })
        .collect();
    let duration = residual.len() as f64 / settings.rate_hz;
    let tried = 1.0 + duration;
    let lowest = ratios
        .iter()
        .take(3)
        .map(|r| chance(*r, pairs))
        .fold(1.0, f64::min);
    let together: f64 = ratios.iter().take(12).map(|r| r.min(9.0)).sum();
    // The sum of unit exponentials is a gamma variable.
    let shape = ratios.len().min(12) as f64;
    let false_alarm = (TRACKS * tried * 3.0 * lowest)
        .min(TRACKS * tried * checked_gamma_ur(shape, together).unwrap_or(1.0))
        .min(1.0);
    if false_alarm > FALSE_ALARM {
        return Detection {
            orders: Vec::new(),
            false_alarm,
            excess: Excess::default(),
        };
    }
    let barred = settings.barred_of(model, 0.0);
    // Family-wise 1 % over all orders; below the highest so found, 1 % each.
    let chances: Vec<f64> = ratios.iter().map(|r| chance(*r, pairs)).collect();
    let strict = 0.01 / top as f64;
    let highest = chances
        .iter()
        .rposition(|p| *p < strict)
        .map_or(0, |k| k + 1);
    let orders = (1..=top)
        .filter(|k| {
            let p = chances[k - 1];
            (p < strict || (*k <= highest + 4 && p < 0.01)) && !barred.contains(k)
        })
        .collect();
    Detection {
        excess: excess_of(model, &phasors, &noise),
        orders,
        false_alarm,
    }
}

/// Excess of a model's own orders.
fn excess_of(model: &HumModel, phasors: &[Vec<(Complex64, f64)>], noise: &[f64]) -> Excess {
    let mut all = Excess::default();
    for k in &model.orders {
        let order = k.wrapping_sub(1);
        if let (Some(groups), Some(noise)) = (phasors.get(order), noise.get(order)) {
            let own = excess(groups, *noise);
            all.lasting += own.lasting;
            all.passing += own.passing;
        }
    }
    all
}

/// Mean square of an order left in groups, beyond what noise leaves there; nothing where it may be noise's. What passes within
/// a group or two may be a signal on its way through the orders.
fn excess(groups: &[(Complex64, f64)], noise: f64) -> Excess {
    let there = groups.iter().filter(|(_, mass)| *mass > 0.0);
    let mut cells: Vec<(f64, f64)> = there
        .map(|(sum, mass)| (sum.norm_sqr() / mass, *mass))
        .collect();
    cells.sort_by(|a, b| a.0.total_cmp(&b.0));
    let known = pairs(groups.len());
    let beyond = |cells: &[(f64, f64)]| {
        let sums = |(left, whole), cell: &(f64, f64)| (left + cell.0, whole + cell.1);
        let (left, whole) = cells.iter().fold((0.0, 0.0), sums);
        let count = cells.len() as f64;
        let scatter = noise * (count + count * count / known).sqrt();
        let beyond = left - noise * count;
        if beyond > CLEARLY * scatter {
            0.5 * beyond / whole
        } else {
            0.0
        }
    };
    let lasting = beyond(&cells[..cells.len() - cells.len() / PASSING]);
    Excess {
        lasting,
        passing: (beyond(&cells) - lasting).max(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::{Excess, excess};
    use crate::separation::fit::trials::{fitted, hum, made};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};
    use rustfft::num_complex::Complex64;

    /// Orders 1, 3 and 5 stand far above the noise of a cell; each of six others up to order 9 is taken once in a hundred: more than
    /// six of thirty records come in one of 400 runs.
    #[test]
    fn orders_that_are_there_are_found_and_few_others() {
        let mut exact = 0;
        for seed in 0..30 {
            let orders = fitted(&made(2.0, seed, 0.1, |t| hum(50.05 * t)))
                .model
                .orders;
            assert!([1, 3, 5].iter().all(|k| orders.contains(k)), "{orders:?}");
            exact += usize::from(orders.len() == 3);
        }
        assert!(exact >= 24, "{exact} of 30");
    }

    /// 32 groups of 100 samples with noise of 1 beside the order; an order of amplitude 0.8 in a quarter of them has a mean
    /// square of 0.08. Noise passes three deviations in less than one of a hundred sets.
    #[test]
    fn an_order_left_in_a_part_of_a_record_shows() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let mut groups = |amplitude: f64| -> Vec<(Complex64, f64)> {
            (0..32)
                .map(|g| {
                    let [re, im]: [f64; 2] =
                        std::array::from_fn(|_| StandardNormal.sample(&mut rng));
                    let there = if g < 8 { amplitude } else { 0.0 };
                    (Complex64::new(re, im) * 50f64.sqrt() + 100.0 * there, 100.0)
                })
                .collect()
        };
        let shows = |left: Excess| left.lasting + left.passing > 0.0;
        let noisy = (0..100)
            .filter(|_| shows(excess(&groups(0.0), 1.0)))
            .count();
        assert!(noisy <= 4, "{noisy} of 100");
        let left = excess(&groups(0.8), 1.0);
        let whole = left.lasting + left.passing;
        assert!((whole - 0.08).abs() < 0.03, "{left:?}");
        assert!(left.lasting > 0.5 * whole, "{left:?}");
    }

    /// One noise record in a hundred may show a series: two of twenty come in one of sixty runs.
    #[test]
    fn noise_shows_no_series() {
        let taken = (0..20)
            .filter(|seed| {
                !fitted(&made(4.0, 100 + seed, 1.0, |_| 0.0))
                    .model
                    .orders
                    .is_empty()
            })
            .count();
        assert!(taken <= 1, "{taken} of 20");
    }
}
