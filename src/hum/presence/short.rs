//! Whether a record of few cycles is better described by a mains series than by what else passes in as short a time.
//!
//! Its lines are not apart, so that nothing beside the hum can be seen by itself, and noise that is white where the series is looked
//! for is not known to be. What can be asked is whether the series leaves less of the record than series of other fundamentals
//! and polynomials of as many coefficients do: a step, a settling or a sweep is described by one of those as well or better.
//! The ratio of what two leave is weighed as a likelihood of as many independent values as what is left holds (M. S. Bartlett,
//! J. R. Stat. Soc. 98, 1935, for the number).

use crate::numeric::{dot, sum};
use std::f64::consts::TAU;

/// Samples of a cycle that are kept.
const PER_CYCLE: f64 = 40.0;
/// Highest orders of the series that are compared.
const ORDERS: [usize; 5] = [1, 2, 3, 5, MOST_ORDERS];
const MOST_ORDERS: usize = 8;
/// Degrees of a polynomial that stands beside every series: a constant, and what settles or drifts.
const BESIDE: [usize; 2] = [0, 4];
/// Places of the fundamental, shares of nominal.
const PLACES: [f64; 3] = [0.99, 1.0, 1.01];
/// Least distance of another fundamental from nominal, as a share and in cells of 1/T, steps, and the lowest one, cells.
const APART: (f64, f64) = (0.2, 0.45);
const STEP: f64 = 0.08;
const STEPS: usize = 10;
const LEAST_CELLS: f64 = 0.3;
/// Difference of the logarithms of likelihood that the best of ten comparisons needs.
const NEEDED: f64 = 6.0;
/// Fewest samples beyond coefficients that tell.
const LEAST_FREE: usize = 4;
/// Share of a column that has to be no other's.
const OWN_SHARE: f64 = 1e-8;

/// Whether one of `nominals_hz` describes the samples better than what is no mains.
pub(super) fn is_best_described(samples: &[f64], rate_hz: f64, nominals_hz: &[f64]) -> bool {
    let highest_hz = nominals_hz.iter().copied().fold(0.0, f64::max);
    let block = ((rate_hz / (PER_CYCLE * highest_hz)) as usize).max(1);
    let averages = samples
        .chunks_exact(block)
        .map(|own| sum(own) / block as f64);
    let record = Record {
        samples: averages.collect(),
        rate_hz: rate_hz / block as f64,
    };
    nominals_hz
        .iter()
        .any(|&hz| record.is_best_at(hz, nominals_hz))
}

/// Coefficients of a series of so many orders beside a polynomial.
fn coefficients(orders: usize, degree: usize) -> usize {
    2 * orders + degree + 1
}

struct Record {
    samples: Vec<f64>,
    rate_hz: f64,
}

impl Record {
    fn is_best_at(&self, nominal_hz: f64, nominals_hz: &[f64]) -> bool {
        if self.samples.len() <= LEAST_FREE {
            return false;
        }
        let most = BESIDE.into_iter().fold(0, usize::max);
        let polynomials = self.left_by(self.polynomial(coefficients(MOST_ORDERS, most) - 1));
        BESIDE
            .iter()
            .any(|&degree| self.leads(nominal_hz, nominals_hz, degree, &polynomials))
    }

    /// Whether a series beside a polynomial of a degree is more likely than every other of as many coefficients by what is needed;
    /// `polynomials`: what those alone leave. The first that is not ends the comparison: in noise alone that is nearly always the
    /// polynomial.
    fn leads(
        &self,
        nominal_hz: f64,
        nominals_hz: &[f64],
        degree: usize,
        polynomials: &[Left],
    ) -> bool {
        let own = PLACES.map(|place| self.left_by(self.series(place * nominal_hz, degree)));
        let others_hz = self.others_hz(nominal_hz, nominals_hz);
        let mut others: Vec<Vec<Left>> = Vec::new();
        ORDERS.iter().any(|&orders| {
            let size = coefficients(orders, degree);
            let of = |fit: &Vec<Left>| fit.get(size - 1).copied();
            let best = own.iter().filter_map(of);
            let Some(best) = best.min_by(|a, b| a.power.total_cmp(&b.power)) else {
                return false;
            };
            if orders as f64 * nominal_hz >= 0.45 * self.rate_hz
                || self.samples.len() <= size + LEAST_FREE
            {
                return false;
            }
            let is_less_likely = |other: &Left| {
                let ratio = other.power / best.power.max(f64::MIN_POSITIVE);
                0.5 * best.independent * ratio.ln() > NEEDED
            };
            let polynomial = polynomials.get(size - 1);
            if !polynomial.is_none_or(is_less_likely) {
                return false;
            }
            let mut compared = usize::from(polynomial.is_some());
            for (place, &hz) in others_hz.iter().enumerate() {
                if place == others.len() {
                    others.push(self.left_by(self.series(hz, degree)));
                }
                let Some(other) = of(&others[place]) else {
                    continue;
                };
                if !is_less_likely(&other) {
                    return false;
                }
                compared += 1;
            }
            compared > 0
        })
    }

    /// Fundamentals that are no grid's, as near as the record tells apart.
    fn others_hz(&self, nominal_hz: f64, nominals_hz: &[f64]) -> Vec<f64> {
        let cell_hz = self.rate_hz / self.samples.len() as f64;
        let apart_hz = (APART.0 * nominal_hz).max(APART.1 * cell_hz);
        let places = (0..STEPS).flat_map(|step| {
            let distance = apart_hz + step as f64 * STEP * nominal_hz;
            [nominal_hz - distance, nominal_hz + distance]
        });
        let is_grids = |hz: f64| {
            let mut others = nominals_hz.iter().filter(|other| **other != nominal_hz);
            others.any(|other| (hz - other).abs() < 0.5 * APART.0 * nominal_hz)
        };
        places
            .filter(|hz| *hz > LEAST_CELLS * cell_hz && !is_grids(*hz))
            .collect()
    }

    /// Columns of a polynomial and then of the orders' cosines and sines.
    fn series(&self, hz: f64, degree: usize) -> Vec<Vec<f64>> {
        let turn = TAU * hz / self.rate_hz;
        let first: Vec<(f64, f64)> = (0..self.samples.len())
            .map(|n| (turn * n as f64).sin_cos())
            .collect();
        let mut columns = self.polynomial(degree);
        let mut order = vec![(0.0, 1.0); first.len()];
        for _ in 0..MOST_ORDERS {
            for ((sin, cos), (s, c)) in order.iter_mut().zip(&first) {
                (*sin, *cos) = (*sin * c + *cos * s, *cos * c - *sin * s);
            }
            columns.push(order.iter().map(|(_, cos)| *cos).collect());
            columns.push(order.iter().map(|(sin, _)| *sin).collect());
        }
        columns
    }

    /// Columns of Chebyshev polynomials up to a degree.
    fn polynomial(&self, degree: usize) -> Vec<Vec<f64>> {
        let length = self.samples.len();
        let middle = 0.5 * (length as f64 - 1.0);
        let places: Vec<f64> = (0..length)
            .map(|n| (n as f64 - middle) / (middle + 1.0))
            .collect();
        let mut columns = vec![vec![1.0; length], places.clone()];
        while columns.len() <= degree {
            let [.., before, last] = columns.as_slice() else {
                break;
            };
            let next = places.iter().zip(last).zip(before);
            columns.push(next.map(|((x, t), u)| 2.0 * x * t - u).collect());
        }
        columns.truncate(degree + 1);
        columns
    }

    /// What fits of the first, the first two, the first three columns and so on leave, as far as they are apart.
    fn left_by(&self, columns: Vec<Vec<f64>>) -> Vec<Left> {
        let mut left = self.samples.clone();
        let mut axes: Vec<Vec<f64>> = Vec::with_capacity(columns.len());
        let mut all = Vec::with_capacity(columns.len());
        for mut column in columns {
            let whole = dot(&column, &column);
            for axis in &axes {
                remove(axis, &mut column);
            }
            let own = dot(&column, &column);
            if own.is_nan() || own <= OWN_SHARE * whole {
                break;
            }
            let scale = own.sqrt().recip();
            column.iter_mut().for_each(|x| *x *= scale);
            remove(&column, &mut left);
            axes.push(column);
            all.push(self.left(&left, axes.len()));
        }
        all
    }

    fn left(&self, left: &[f64], size: usize) -> Left {
        let power = dot(left, left);
        let along = dot(&left[1..], &left[..left.len() - 1]) / power.max(f64::MIN_POSITIVE);
        let along = along.clamp(0.0, 0.99);
        let free = left.len().saturating_sub(size) as f64;
        Left {
            power,
            independent: free * (1.0 - along) / (1.0 + along),
        }
    }
}

/// Takes what lies along an axis of length 1 out of a column (the modified Gram-Schmidt process).
fn remove(axis: &[f64], column: &mut [f64]) {
    let along = dot(axis, column);
    for (x, a) in column.iter_mut().zip(axis) {
        *x -= along * a;
    }
}

/// What a fit leaves: the sum of its squares, and how many independent values it holds.
#[derive(Debug, Clone, Copy)]
struct Left {
    power: f64,
    independent: f64,
}
