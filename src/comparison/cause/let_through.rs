//! What a remedy lets through of each order of the loop's hum, as a power of order.

use crate::comparison::options::SINGLE_CAPTURE_MARGIN_DB;
use crate::comparison::result::{Basis, ComparedQuantity, Comparison};
use crate::quantity::Quantity;
use crate::stats::{Estimate, coverage_factor, median, rectangular};

/// Fewest orders, and how far they reach, that tell a slope.
const FEWEST: usize = 4;
const LEAST_REACH: f64 = 4.0;
/// Orders that lie off the fit by more than this part of it, noise apart, are no share of the loop's: 3 dB.
const MOST_SCATTER: f64 = 0.4;
/// Exponents of order that are tried, and their step.
const STEEPEST: f64 = 3.0;
const STEP: f64 = 0.01;

/// The share c·k^s of order k that comes through.
#[derive(Debug, Clone, Copy)]
pub(super) struct LetThrough {
    /// Share of order 1 by the fit.
    pub share: f64,
    /// Rise with order, dB per doubling: value and interval.
    pub slope_db: (f64, f64, f64),
    /// Orders that stand above the noise, the first and the last of them.
    pub orders: (usize, usize, usize),
    /// Root mean square distance of these from the fit, noise apart, as a part of it.
    pub scatter: f64,
}

/// One order: what the loop brings, and what is left of it.
struct Order {
    order: f64,
    looped: f64,
    /// Relative variance of the share that is not noise: the loop's own scatter.
    relative: f64,
    left: f64,
    /// Variance of what is left: noise, and the floor's own hum, which adds to it at a phase that is not known: 2eb cos φ
    /// in the power of e beside b.
    variance: f64,
}

impl Order {
    fn of(quantity: &ComparedQuantity, tau: f64) -> Option<Self> {
        let Quantity::Harmonic(order) = quantity.name else {
            return None;
        };
        let (looped, left) = above_floor(quantity)?;
        let clear = looped.low > 0.0 && looped.value > 4.0 * looped.standard_uncertainty;
        let floor = quantity
            .baseline
            .map_or(0.0, |b| b.value.hypot(b.standard_uncertainty));
        let relative = looped.standard_uncertainty / looped.value;
        let noise = deviation(&left);
        let order = Self {
            order: order as f64,
            looped: looped.value,
            relative: relative * relative + tau * tau,
            left: left.value,
            variance: noise * noise + 0.5 * floor * floor,
        };
        let usable = clear && order.left.is_finite() && order.variance.is_finite();
        (usable && order.variance > 0.0).then_some(order)
    }

    fn expected(&self, share: f64, exponent: f64) -> f64 {
        share * self.looped * self.order.powf(exponent)
    }

    fn variance(&self, expected: f64) -> f64 {
        self.variance + self.relative * expected * expected
    }
}

/// Loop and rest above the floor; the readings where there is no floor.
fn above_floor(quantity: &ComparedQuantity) -> Option<(Estimate, Estimate)> {
    match quantity.baseline {
        Some(_) => quantity.loop_excess.zip(quantity.residual_excess),
        None => quantity.looped.zip(quantity.isolated),
    }
}

/// Standard deviation of an amplitude; where it is not resolved, by the upper end alone.
fn deviation(e: &Estimate) -> f64 {
    let width = e.high - e.low;
    if e.low > 0.0 || !(width > 0.0) {
        return e.standard_uncertainty;
    }
    e.standard_uncertainty * (2.0 * (e.high - e.value) / width).max(1.0)
}

impl LetThrough {
    /// By the likelihood of all orders that the loop brings, resolved with the remedy or not: to choose those that are
    /// would favour those that noise lifted. `None` where no line is told.
    pub(super) fn of(comparison: &Comparison) -> Option<Self> {
        let orders = orders(comparison);
        let count = (2.0 * STEEPEST / STEP).round() as usize;
        let fits: Vec<(f64, f64, f64)> = (0..=count)
            .map(|i| i as f64 * STEP - STEEPEST)
            .map(|exponent| {
                let share = share(&orders, exponent);
                (exponent, share, misfit(&orders, share, exponent))
            })
            .collect();
        let &(exponent, share, least) = fits.iter().min_by(|a, b| a.2.total_cmp(&b.2))?;
        let told: Vec<&Order> = orders
            .iter()
            .filter(|o| o.expected(share, exponent) > 3.0 * o.variance.sqrt())
            .collect();
        let (first, last) = told.first().zip(told.last())?;
        if told.len() < FEWEST || last.order < LEAST_REACH * first.order {
            return None;
        }
        let free = (told.len() - 2) as f64;
        let squares: f64 = told
            .iter()
            .map(|o| {
                let expected = o.expected(share, exponent);
                (o.left - expected).powi(2) / o.variance(expected)
            })
            .sum();
        let reach =
            coverage_factor(comparison.confidence, free).powi(2) * (squares / free).max(1.0);
        let mut within = fits.iter().filter(|fit| fit.2 - least <= reach);
        let low = within.next()?.0;
        let high = within.next_back().map_or(low, |fit| fit.0);
        if low <= -STEEPEST || high >= STEEPEST - STEP {
            return None;
        }
        let beyond_noise = told.iter().map(|o| {
            let expected = o.expected(share, exponent);
            ((o.left - expected).powi(2) - o.variance) / (expected * expected)
        });
        let square = beyond_noise.sum::<f64>() / told.len() as f64;
        let scatter = square.max(0.0).sqrt();
        let per_doubling = |exponent: f64| 20.0 * exponent * 2f64.log10();
        (scatter < MOST_SCATTER).then_some(Self {
            share,
            slope_db: (
                per_doubling(exponent),
                per_doubling(low),
                per_doubling(high),
            ),
            orders: (told.len(), first.order as usize, last.order as usize),
            scatter,
        })
    }
}

/// The orders that the loop brings. Between captures each moves by itself: by as much as the middle one's scatter, of
/// single captures by what these differ without cause.
fn orders(comparison: &Comparison) -> Vec<Order> {
    let quantities = || comparison.quantities.iter();
    let single = comparison
        .quantity(Quantity::HumRms)
        .is_some_and(|hum| hum.basis == Some(Basis::WithinCaptures));
    let tau = if single {
        rectangular(10f64.powf(0.05 * SINGLE_CAPTURE_MARGIN_DB) - 1.0)
    } else {
        let mut relative: Vec<f64> = quantities()
            .filter(|q| matches!(q.name, Quantity::Harmonic(_)))
            .filter_map(|q| q.looped)
            .filter(|e| e.low > 0.0)
            .map(|e| e.standard_uncertainty / e.value)
            .collect();
        if relative.is_empty() {
            return Vec::new();
        }
        median(&mut relative)
    };
    quantities().filter_map(|q| Order::of(q, tau)).collect()
}

/// The share that fits best at an exponent, by least squares weighted with the variances that follow from it.
fn share(orders: &[Order], exponent: f64) -> f64 {
    const ROUNDS: usize = 6;
    let mut share = 0.0;
    for _ in 0..ROUNDS {
        let (mut product, mut square) = (0.0, 0.0);
        for o in orders {
            let unit = o.expected(1.0, exponent);
            let weight = unit / o.variance(share * unit);
            product += weight * o.left;
            square += weight * unit;
        }
        share = if square > 0.0 {
            (product / square).max(0.0)
        } else {
            0.0
        };
    }
    share
}

/// -2 ln of the likelihood, normal with a variance that grows with what is expected.
fn misfit(orders: &[Order], share: f64, exponent: f64) -> f64 {
    let terms = orders.iter().map(|o| {
        let expected = o.expected(share, exponent);
        let variance = o.variance(expected);
        (o.left - expected).powi(2) / variance + variance.ln()
    });
    terms.sum()
}
