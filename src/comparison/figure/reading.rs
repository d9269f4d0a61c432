//! One figure under one condition, from one capture or several.

use super::observation::Observation;
use crate::analysis::{LinePower, Measurement};
use crate::comparison::result::Basis;
use crate::quantity::{Figure, Quantity};
use crate::stats::{
    ConfidenceDistribution, Estimate, chi_square_scale_interval, mean, standard_deviation,
    welch_satterthwaite,
};

/// A figure under one condition.
#[derive(Debug, Clone)]
pub(in crate::comparison) struct Reading {
    pub estimate: Estimate,
    /// Of the square of the figure; of an offset, of its size.
    pub square: ConfidenceDistribution,
    /// Logarithm, its standard uncertainty and degrees of freedom, where the spread between captures
    /// carries the uncertainty.
    pub logarithm: Option<(f64, f64, f64)>,
    /// Whether it knows of changes from one capture to the next.
    pub basis: Basis,
}

/// Relative spread between captures of one condition: standard deviation of the logarithm and its
/// degrees of freedom.
#[derive(Debug, Clone, Copy)]
pub(in crate::comparison) struct Spread {
    pub deviation: f64,
    pub dof: f64,
}

impl Reading {
    /// Combines captures of one condition.
    ///
    /// With several captures the spread between them is the uncertainty; the scatter within captures
    /// bounds it from below. Amplitudes are combined on the logarithmic scale (their geometric mean is
    /// the value) as long as each is resolved; else their powers are pooled, a sum of noncentral
    /// chi-squares being one again. A single capture borrows the spread seen under the other
    /// conditions, where it is larger than its own scatter.
    pub(in crate::comparison) fn combine(
        quantity: Quantity,
        captures: &[&Measurement],
        borrowed: Option<Spread>,
        confidence: f64,
    ) -> Option<Self> {
        let mut observations: Vec<Observation> = captures
            .iter()
            .filter_map(|capture| Observation::of(quantity, capture))
            .collect();
        // sums over a fixed order: the captures' own order changes nothing
        observations.sort_by(Observation::compare);
        // the capture's own figure
        let printed = captures.first().and_then(|m| match quantity.of(m) {
            Figure::Estimate(estimate) => Some(estimate),
            _ => None,
        });
        Self::of(&observations, printed, borrowed, confidence)
    }

    /// Combines what captures say, in a fixed order; `printed` is what a single one states itself.
    pub(in crate::comparison) fn of(
        observations: &[Observation],
        printed: Option<Estimate>,
        borrowed: Option<Spread>,
        confidence: f64,
    ) -> Option<Self> {
        match observations {
            [] => None,
            [single] => Some(Self::single(single, printed, borrowed, confidence)),
            several => Some(Self::several(several, confidence)),
        }
    }

    fn single(
        observation: &Observation,
        printed: Option<Estimate>,
        borrowed: Option<Spread>,
        confidence: f64,
    ) -> Self {
        if let (Some(spread), Some((log, within))) = (borrowed, observation.logarithm())
            && spread.deviation > within
        {
            let u = spread.deviation.hypot(within);
            let dof =
                welch_satterthwaite(&[(spread.deviation, spread.dof), (within, f64::INFINITY)]);
            return Self::logarithmic(log, u, dof, confidence);
        }
        let square = observation.square(confidence);
        let estimate = match observation {
            Observation::Offset(e) => Estimate::student(
                e.value,
                e.standard_uncertainty,
                e.degrees_of_freedom,
                confidence,
            ),
            Observation::Noise { rms, dof } => chi_square_scale_interval(*rms, *dof, confidence),
            _ => {
                let root = square.clone().map(f64::sqrt);
                root.estimate(f64::INFINITY, confidence)
            }
        };
        // where it is at the same level
        let estimate = printed
            .filter(|e| (e.confidence - confidence).abs() < 1e-12)
            .unwrap_or(estimate);
        Self {
            estimate,
            square,
            logarithm: None,
            basis: Basis::WithinCaptures,
        }
    }

    fn several(observations: &[Observation], confidence: f64) -> Self {
        let count = observations.len() as f64;
        let offsets: Vec<Estimate> = observations
            .iter()
            .filter_map(|o| match o {
                Observation::Offset(e) => Some(*e),
                _ => None,
            })
            .collect();
        if offsets.len() == observations.len() {
            let values: Vec<f64> = offsets.iter().map(|e| e.value).collect();
            let within: Vec<(f64, f64)> = offsets
                .iter()
                .map(|e| (e.standard_uncertainty, e.degrees_of_freedom))
                .collect();
            let (u, dof) = spread_over_scatter(&values, &within);
            let estimate = Estimate::student(mean(&values), u, dof, confidence);
            // far from 0 the size of an offset is compared as any other amplitude
            let size = estimate.value.abs();
            let clear = 0.5 * (estimate.high - estimate.low) < 0.5 * size;
            return Self {
                estimate,
                square: ConfidenceDistribution::squared(&estimate),
                logarithm: clear.then(|| (size.ln(), u / size, dof)),
                basis: Basis::BetweenCaptures,
            };
        }
        let logarithms: Vec<(f64, f64)> = observations
            .iter()
            .filter_map(Observation::logarithm)
            .collect();
        if logarithms.len() == observations.len() {
            let values: Vec<f64> = logarithms.iter().map(|(log, _)| *log).collect();
            let within = logarithms.iter().map(|(_, u)| (*u, f64::INFINITY));
            let within: Vec<(f64, f64)> = within.collect();
            let (u, dof) = spread_over_scatter(&values, &within);
            return Self::logarithmic(mean(&values), u, dof, confidence);
        }
        let bounds: Vec<Estimate> = observations
            .iter()
            .filter_map(|o| match o {
                Observation::Bounded(e) => Some(*e),
                _ => None,
            })
            .collect();
        if !bounds.is_empty() {
            return Self::bounded(observations, &bounds, confidence);
        }
        let lines = observations.iter().filter_map(|o| match o {
            Observation::Line { power, .. } => Some(*power),
            Observation::Level { value, .. } => {
                Some(LinePower::new(value * value, 0.0, 2.0, f64::INFINITY))
            }
            _ => None,
        });
        let pooled = lines.fold(LinePower::default(), |sum, line| {
            LinePower::new(
                sum.observed_v2 + line.observed_v2 / count,
                sum.noise_v2 + line.noise_v2 / count,
                sum.components + line.components,
                sum.noise_dof + line.noise_dof,
            )
        });
        let square = ConfidenceDistribution::line_power(&pooled, confidence);
        let root = square.clone().map(f64::sqrt);
        Self {
            estimate: root.estimate(pooled.noise_dof, confidence),
            square,
            logarithm: None,
            basis: Basis::BetweenCaptures,
        }
    }

    /// Where one capture gives bounds only, all of them together do: the widest.
    fn bounded(observations: &[Observation], bounds: &[Estimate], confidence: f64) -> Self {
        let others = observations.iter().filter_map(Observation::logarithm);
        let values: Vec<f64> = others
            .map(|(log, _)| log.exp())
            .chain(bounds.iter().map(|e| e.value))
            .collect();
        let low = bounds.iter().map(|e| e.low).fold(f64::INFINITY, f64::min);
        let high = bounds.iter().map(|e| e.high).fold(0.0, f64::max);
        let high = values.iter().copied().fold(high, f64::max);
        Self {
            estimate: Estimate::new(
                mean(&values),
                (low, high),
                (high - low) / 12.0_f64.sqrt(),
                f64::INFINITY,
                confidence,
            ),
            square: ConfidenceDistribution::bounded(low * low, high * high, confidence),
            logarithm: None,
            basis: Basis::BetweenCaptures,
        }
    }

    fn logarithmic(log: f64, u: f64, dof: f64, confidence: f64) -> Self {
        let on_log = Estimate::student(log, u, dof, confidence);
        Self {
            estimate: Estimate::new(
                log.exp(),
                (on_log.low.exp(), on_log.high.exp()),
                log.exp() * u,
                dof,
                confidence,
            ),
            square: ConfidenceDistribution::log_student((2.0 * log).exp(), 2.0 * u, dof),
            logarithm: Some((log, u, dof)),
            basis: Basis::BetweenCaptures,
        }
    }
}

/// Standard uncertainty and degrees of freedom of a mean: by the spread between the values, or by the
/// scatter within them where that is larger.
fn spread_over_scatter(values: &[f64], within: &[(f64, f64)]) -> (f64, f64) {
    let count = values.len() as f64;
    let between = standard_deviation(values) / count.sqrt();
    let scatter = within.iter().map(|(u, _)| u * u).sum::<f64>().sqrt() / count;
    if between > scatter {
        (between, count - 1.0)
    } else {
        (scatter, welch_satterthwaite(within))
    }
}

/// Relative spread between captures, pooled over the conditions that have several.
pub(in crate::comparison) fn pooled_spread(
    quantity: Quantity,
    conditions: &[&[&Measurement]],
) -> Option<Spread> {
    let (mut squares, mut dof) = (0.0, 0.0);
    for captures in conditions {
        let mut logarithms: Vec<f64> = captures
            .iter()
            .filter_map(|capture| Observation::of(quantity, capture)?.logarithm())
            .map(|(log, _)| log)
            .collect();
        logarithms.sort_by(f64::total_cmp);
        if logarithms.len() > 1 && logarithms.len() == captures.len() {
            let free = (logarithms.len() - 1) as f64;
            squares += standard_deviation(&logarithms).powi(2) * free;
            dof += free;
        }
    }
    (dof > 0.0).then(|| Spread {
        deviation: (squares / dof).sqrt(),
        dof,
    })
}
