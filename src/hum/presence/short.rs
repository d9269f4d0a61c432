//! Whether a record of few cycles is better described by a mains series than by what else passes in as short a time.
//!
//! Its lines are not apart, so that nothing beside the hum can be seen by itself, and noise that is white where the series is looked
//! for is not known to be. What can be asked is whether the series leaves less of the record than series of other fundamentals
//! and polynomials of as many coefficients do: a step, a settling or a sweep is described by one of those as well or better.
//! The ratio of what two leave is weighed as a likelihood of as many independent values as what is left holds (M. S. Bartlett,
//! J. R. Stat. Soc. 98, 1935, for the number).

use crate::numeric::{Cholesky, dot, sum};
use std::f64::consts::TAU;

/// Samples of a cycle that are kept.
const PER_CYCLE: f64 = 40.0;
/// Highest orders of the series that are compared.
const ORDERS: [usize; 5] = [1, 2, 3, 5, 8];
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

/// A series of so many orders beside a polynomial.
#[derive(Debug, Clone, Copy)]
struct Shape {
    orders: usize,
    degree: usize,
}

impl Shape {
    fn coefficients(self) -> usize {
        2 * self.orders + self.degree + 1
    }
}

struct Record {
    samples: Vec<f64>,
    rate_hz: f64,
}

impl Record {
    fn is_best_at(&self, nominal_hz: f64, nominals_hz: &[f64]) -> bool {
        let shapes = ORDERS
            .iter()
            .flat_map(|&orders| BESIDE.map(|degree| Shape { orders, degree }));
        shapes
            .filter(|shape| {
                shape.orders as f64 * nominal_hz < 0.45 * self.rate_hz
                    && self.samples.len() > shape.coefficients() + LEAST_FREE
            })
            .any(|shape| self.leads(nominal_hz, nominals_hz, shape))
    }

    /// Whether a series of a shape is more likely than every other by what is needed. The first that is not ends the comparison:
    /// in noise alone that is nearly always the polynomial.
    fn leads(&self, nominal_hz: f64, nominals_hz: &[f64], shape: Shape) -> bool {
        let series = |hz: f64| self.left_by(&self.series(hz, shape));
        let own = PLACES.iter().filter_map(|place| series(place * nominal_hz));
        let Some(own) = own.min_by(|a, b| a.power.total_cmp(&b.power)) else {
            return false;
        };
        let polynomial = std::iter::once_with(|| self.polynomial(shape.coefficients() - 1));
        let others = polynomial.filter_map(|columns| self.left_by(&columns));
        let places = self.others_hz(nominal_hz, nominals_hz).into_iter();
        let mut others = others.chain(places.filter_map(series)).peekable();
        others.peek().is_some()
            && others.all(|other| {
                let ratio = other.power / own.power.max(f64::MIN_POSITIVE);
                0.5 * own.independent * ratio.ln() > NEEDED
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

    /// Columns of the polynomial and of the orders' cosines and sines.
    fn series(&self, hz: f64, shape: Shape) -> Vec<Vec<f64>> {
        let turn = TAU * hz / self.rate_hz;
        let column = |order: usize, quarter: f64| -> Vec<f64> {
            let phase = |n: usize| order as f64 * turn * n as f64 - quarter;
            (0..self.samples.len()).map(|n| phase(n).cos()).collect()
        };
        let lines = (1..=shape.orders).flat_map(|k| [column(k, 0.0), column(k, 0.25 * TAU)]);
        let mut columns = self.polynomial(shape.degree);
        columns.extend(lines);
        columns
    }

    /// Columns of Chebyshev polynomials up to a degree.
    fn polynomial(&self, degree: usize) -> Vec<Vec<f64>> {
        let middle = 0.5 * (self.samples.len() as f64 - 1.0);
        (0..=degree)
            .map(|k| {
                let angle = |n: usize| ((n as f64 - middle) / (middle + 1.0)).acos();
                (0..self.samples.len())
                    .map(|n| (k as f64 * angle(n)).cos())
                    .collect()
            })
            .collect()
    }

    /// What a fit of columns leaves; `None` where they are not apart.
    fn left_by(&self, columns: &[Vec<f64>]) -> Option<Left> {
        let size = columns.len();
        let mut normal = vec![0.0; size * size];
        for (i, one) in columns.iter().enumerate() {
            for (j, other) in columns[..=i].iter().enumerate() {
                normal[i * size + j] = dot(one, other);
            }
        }
        let mut solved: Vec<f64> = columns.iter().map(|c| dot(c, &self.samples)).collect();
        Cholesky::new(size, normal)?.solve(&mut solved);
        let mut left = self.samples.clone();
        for (column, c) in columns.iter().zip(&solved) {
            for (x, value) in left.iter_mut().zip(column) {
                *x -= c * value;
            }
        }
        let power = dot(&left, &left);
        let along = dot(&left[1..], &left[..left.len() - 1]) / power.max(f64::MIN_POSITIVE);
        let along = along.clamp(0.0, 0.99);
        let free = left.len().saturating_sub(size) as f64;
        Some(Left {
            power,
            independent: free * (1.0 - along) / (1.0 + along),
        })
    }
}

/// What a fit leaves: the sum of its squares, and how many independent values it holds.
struct Left {
    power: f64,
    independent: f64,
}
