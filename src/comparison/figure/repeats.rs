//! How well captures of one condition agree, and whether the interference comes back.

use super::observation::Observation;
use crate::Condition;
use crate::analysis::Measurement;
use crate::comparison::result::Repeats;
use crate::quantity::Quantity;
use crate::stats::{
    Estimate, chi_square_cdf, coverage_factor, mean, standard_deviation, welch_satterthwaite,
};

/// Values with their own standard uncertainties, in the order taken.
fn values(quantity: Quantity, captures: &[&Measurement]) -> Option<Vec<(f64, f64)>> {
    captures
        .iter()
        .map(|m| {
            let observation = Observation::of(quantity, m)?;
            match observation {
                Observation::Offset(e) => Some((e.value, e.standard_uncertainty)),
                _ => observation
                    .logarithm()
                    .map(|(log, u)| (100.0 * log, 100.0 * u)),
            }
        })
        .collect()
}

impl Repeats {
    /// `None` with fewer than two captures, or where one does not resolve the figure.
    ///
    /// Captures differ where Σ (xᵢ - x̄)²/uᵢ², x̄ the weighted mean, is beyond its chi-square
    /// distribution with n - 1 degrees of freedom (W. G. Cochran, Biometrics 10, 1954).
    pub(in crate::comparison) fn of(
        quantity: Quantity,
        condition: Condition,
        captures: &[&Measurement],
        runs: &[usize],
        confidence: f64,
    ) -> Option<Self> {
        let values = values(quantity, captures)?;
        if values.len() < 2 {
            return None;
        }
        let plain: Vec<f64> = values.iter().map(|(x, _)| *x).collect();
        let expected = mean(&values.iter().map(|(_, u)| u * u).collect::<Vec<_>>()).sqrt();
        let weights: f64 = values.iter().map(|(_, u)| 1.0 / (u * u)).sum();
        let centre = values.iter().map(|(x, u)| x / (u * u)).sum::<f64>() / weights;
        let q: f64 = values.iter().map(|(x, u)| ((x - centre) / u).powi(2)).sum();
        let free = (values.len() - 1) as f64;
        Some(Self {
            condition,
            quantity,
            captures: values.len(),
            spread: standard_deviation(&plain),
            expected_spread: expected,
            differ: chi_square_cdf(q, free) > confidence,
            drift: drift(&plain, confidence),
            came_back: came_back(&values, runs, confidence),
        })
    }
}

/// Change over a straight line fitted in the order taken, where its interval excludes 0.
fn drift(values: &[f64], confidence: f64) -> Option<f64> {
    let count = values.len() as f64;
    if values.len() < 4 {
        return None;
    }
    let middle = 0.5 * (count - 1.0);
    let level = mean(values);
    let at = |i: usize| i as f64 - middle;
    let squares: f64 = (0..values.len()).map(|i| at(i).powi(2)).sum();
    let slope = values
        .iter()
        .enumerate()
        .map(|(i, x)| at(i) * x)
        .sum::<f64>()
        / squares;
    let rest: f64 = values
        .iter()
        .enumerate()
        .map(|(i, x)| (x - level - slope * at(i)).powi(2))
        .sum();
    let u = (rest / (count - 2.0) / squares).sqrt();
    let told = slope.abs() > coverage_factor(confidence, count - 2.0) * u;
    told.then_some(slope * (count - 1.0))
}

/// Whether the last run of a repeated condition agrees with its first: the interval of their
/// difference, from the scatter within the captures and, with several a run, between them, holds 0.
fn came_back(values: &[(f64, f64)], runs: &[usize], confidence: f64) -> Option<bool> {
    if runs.len() < 2 || runs.iter().sum::<usize>() != values.len() {
        return None;
    }
    let first = values.get(..*runs.first()?)?;
    let last = values.get(values.len() - runs.last()?..)?;
    let side = |run: &[(f64, f64)]| {
        let x: Vec<f64> = run.iter().map(|(x, _)| *x).collect();
        let count = run.len() as f64;
        let within = run.iter().map(|(_, u)| u * u).sum::<f64>().sqrt() / count;
        let between = if run.len() > 1 {
            standard_deviation(&x) / count.sqrt()
        } else {
            0.0
        };
        if between > within {
            (mean(&x), between, count - 1.0)
        } else {
            (mean(&x), within, f64::INFINITY)
        }
    };
    let ((a, ua, da), (b, ub, db)) = (side(first), side(last));
    let dof = welch_satterthwaite(&[(ua, da), (ub, db)]);
    Some(Estimate::student(a - b, ua.hypot(ub), dof, confidence).contains(0.0))
}

/// Lengths of the runs of one condition within a sequence: looped, looped, isolated, looped gives 2, 1.
pub(in crate::comparison) fn runs(sequence: &[Condition], condition: Condition) -> Vec<usize> {
    sequence
        .chunk_by(|a, b| a == b)
        .filter(|run| run.first() == Some(&condition))
        .map(<[Condition]>::len)
        .collect()
}
