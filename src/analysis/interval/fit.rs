//! Fit of a record whose samples only bound the input: rounded to coarse steps, or beyond a rail.
//!
//! Least squares takes rounding for white noise, which it is not where the noise is below half a step: the fit is
//! biased and its scatter understated (P. Carbone & J. Schoukens, IEEE Trans. Instrum. Meas. 63(5), 2014,
//! doi:10.1109/TIM.2013.2282220). With the steps known a fit by likelihood works (P. Carbone, J. Schoukens &
//! A. Moschitta, IEEE Trans. Instrum. Meas. 66(1), 2017, doi:10.1109/TIM.2016.2627298). A figure's interval is its
//! profile likelihood's, of the noise's deviation too: without noise that is the whole extent of what the steps allow.

use super::maximum::{Best, along};
use super::model::{Model, Point};
use super::observation::Said;
use crate::analysis::series::SeriesFit;
use crate::stats::student_quantile;
use rustfft::num_complex::Complex64;

/// |c|² over its variance from which a harmonic's own interval is sought, and most harmonics of which it is.
const RESOLVED: f64 = 16.0;
const MOST_RESOLVED: usize = 5;
/// Least deviation of the noise, in steps, or in the record's range where no step is known.
const LEAST_OF_STEP: f64 = 5e-3;
const LEAST_OF_RANGE: f64 = 2e-4;

/// Most samples times squared parameters that one step of the fit may cost: that of 40 orders in the longest clipped record.
/// Orders beyond are not fitted; what they may hold is bounded.
const MOST_COST: f64 = 4.6e8;

/// What is to be fitted, and where the fit starts.
#[derive(Debug)]
pub(crate) struct IntervalTask<'a> {
    pub(crate) said: &'a [Said],
    pub(crate) start: &'a SeriesFit,
    /// Tones beside the series: frequency (cycles per sample) and amplitude about the middle.
    pub(crate) tones: Vec<(f64, Complex64)>,
    /// The noise's deviation to start from.
    pub(crate) deviation: f64,
    pub(crate) step: Option<f64>,
    /// Largest less smallest sample.
    pub(crate) reach: f64,
    /// Whether the fundamental is fitted, its range and prior.
    pub(crate) free: bool,
    pub(crate) range: (f64, f64),
    pub(crate) prior: (f64, f64),
    /// Level of the intervals.
    pub(crate) confidence: f64,
}

/// One harmonic: amplitude about the record's middle, variances along and across it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct IntervalLine {
    pub(crate) amplitude: Complex64,
    pub(crate) along: f64,
    pub(crate) across: f64,
}

/// A figure between its bounds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Range {
    pub(crate) low: f64,
    pub(crate) value: f64,
    pub(crate) high: f64,
}

/// What the fit gives: values with variances, an interval's half being Student's quantile of them.
#[derive(Debug, Clone)]
pub(crate) struct IntervalFit {
    pub(crate) offset: (f64, f64),
    /// Fundamental, cycles per sample; no variance where it was held.
    pub(crate) fundamental: (f64, f64),
    pub(crate) harmonics: Vec<IntervalLine>,
    /// Root sum of squares of the amplitudes.
    pub(crate) hum: Range,
    pub(crate) degrees_of_freedom: f64,
    pub(crate) deviation: f64,
    /// The input without noise at every sample.
    pub(crate) means: Vec<f64>,
}

/// Fits; `None` where the record does not determine the model.
pub(crate) fn fit(task: &IntervalTask<'_>) -> Option<IntervalFit> {
    let mut model = Model {
        said: task.said,
        orders: affordable_orders(task),
        tones: task.tones.len(),
        free: task.free,
        prior: task.prior,
        range: task.range,
        reach: 2.0 * task.reach,
        floor: task
            .step
            .map_or(LEAST_OF_RANGE * task.reach, |q| LEAST_OF_STEP * q)
            .ln(),
        scaling: Vec::new(),
    };
    let start = Point {
        fundamental: task.start.fundamental,
        offset: task.start.offset,
        drift: task.start.drift,
        harmonics: task.start.harmonics[..model.orders].to_vec(),
        tones: task.tones.clone(),
        scale: task.deviation.ln(),
    };
    let size = model.size();
    let first = model.expand(&start).curvature;
    model.scaling = (0..size)
        .map(|i| first[i * size + i].abs() + f64::MIN_POSITIVE)
        .collect();
    let best = model.best(start)?;
    // Beside exact samples those beyond a rail say little.
    let told = task
        .said
        .iter()
        .filter(|s| match s {
            Said::Nothing => false,
            Said::Exactly(_) => true,
            Said::Within(low, high) => high - low < f64::INFINITY,
        })
        .count() as f64;
    let parameters = (model.size() - usize::from(!task.free)) as f64;
    let dof = told - parameters;
    if dof < 1.0 {
        return None;
    }
    let reader = Reader {
        quantile: student_quantile(0.5 + 0.5 * task.confidence, dof),
        // The most likely deviation is that of the residual over all samples, parameters not taken off.
        spread: told / dof,
        model: &model,
        best: &best,
        rounded: Rounded::new(task),
    };
    let mut found = reader.read(dof)?;
    let beyond = &task.start.harmonics[model.orders..];
    add_orders_beyond(&mut found, beyond, task.step, reader.quantile);
    Some(found)
}

/// Orders of the series that the fit can afford.
fn affordable_orders(task: &IntervalTask<'_>) -> usize {
    let parameters = (MOST_COST / task.said.len().max(1) as f64).sqrt();
    let others = 4 + 2 * task.tones.len();
    let affordable = ((parameters - others as f64) / 2.0).max(1.0) as usize;
    task.start.harmonics.len().min(affordable)
}

/// Orders that were not fitted keep their least squares amplitudes. Rounding errors are no larger than half a step, so that all
/// orders together are off by no more than that (Parseval); of a clipped record they may be anything up to twice what they seem.
fn add_orders_beyond(
    found: &mut IntervalFit,
    beyond: &[Complex64],
    step: Option<f64>,
    quantile: f64,
) {
    if beyond.is_empty() {
        return;
    }
    let seen = beyond.iter().map(Complex64::norm_sqr).sum::<f64>().sqrt();
    let reach = |own: f64| step.map_or(own, |q| q / 2f64.sqrt());
    found.hum.high = found.hum.high.hypot(seen + reach(seen));
    found.harmonics.extend(beyond.iter().map(|c| {
        let variance = (reach(c.norm()) / quantile).powi(2);
        IntervalLine {
            amplitude: *c,
            along: variance,
            across: variance,
        }
    }));
}

struct Reader<'a> {
    model: &'a Model<'a>,
    best: &'a Best,
    quantile: f64,
    spread: f64,
    rounded: Option<Rounded>,
}

/// What rounding alone bounds: an input within half a step of every sample has coefficients within
/// half a step times Σ|h| of the least squares fit's, h what the fit weighs the samples by.
///
/// Over cycles Σ|h| is 1 for the offset, 4/π for one coefficient and at most √2 for a direction among several; a tenth is
/// added for broken cycles. Noise adds its own.
struct Rounded {
    /// Parameters of the least squares fit.
    start: Vec<f64>,
    step: f64,
    samples: f64,
}

impl Rounded {
    /// None where samples say more or less than their step, or too few cycles are there.
    fn new(task: &IntervalTask<'_>) -> Option<Self> {
        let samples = task.said.len() as f64;
        let all = task
            .said
            .iter()
            .all(|s| matches!(s, Said::Within(low, high) if (high - low).is_finite()));
        if !all || samples * task.start.fundamental < 2.5 {
            return None;
        }
        let mut start = vec![task.start.offset];
        start.extend(
            task.start.harmonics[..affordable_orders(task)]
                .iter()
                .flat_map(|c| [c.re, -c.im]),
        );
        Some(Self {
            start,
            step: task.step?,
            samples,
        })
    }

    /// Bounds of a linear figure of offset and amplitudes; `noise`: so many deviations.
    fn bounds(&self, figure: &[f64], noise: f64) -> (f64, f64) {
        if figure[self.start.len()..].iter().any(|u| *u != 0.0) {
            return (f64::NEG_INFINITY, f64::INFINITY);
        }
        let value: f64 = self.start.iter().zip(figure).map(|(p, u)| p * u).sum();
        let weighed = if figure[0] == 0.0 { 2f64.sqrt() } else { 1.0 };
        let reach = 0.55 * self.step * weighed + 1.2 * noise * weighed / self.samples.sqrt();
        (value - reach, value + reach)
    }
}

impl Reader<'_> {
    /// Value and variance of a linear figure from its extent, and the same over what the curvature gives.
    fn figure(&self, figure: &[f64]) -> Option<(f64, f64, f64)> {
        let drop = 0.5 * self.quantile * self.quantile * self.spread;
        let (mut low, mut high) = self.model.extent(self.best, figure, drop)?;
        if let Some(rounded) = &self.rounded {
            let (least, most) = rounded.bounds(figure, self.quantile * self.best.point.scale.exp());
            if least.max(low) < most.min(high) {
                (low, high) = (least.max(low), most.min(high));
            }
        }
        let value = along(&self.best.point, figure);
        let at = self.model.fundamental_at();
        // Nothing lies beyond what is held of it beforehand.
        let (least, most) = if figure[at] == 0.0 {
            (
                value - 2.0 * self.model.reach,
                value + 2.0 * self.model.reach,
            )
        } else {
            self.model.range
        };
        (low, high) = (low.min(value).max(least), high.max(value).min(most));
        let variance = (0.5 * (high - low) / self.quantile).powi(2);
        let own = self.variance(figure) * self.spread;
        Some((
            0.5 * (low + high),
            variance,
            variance / own.max(f64::MIN_POSITIVE),
        ))
    }

    fn variance(&self, figure: &[f64]) -> f64 {
        let size = self.model.size();
        let used = || (0..size).filter(|&i| figure[i] != 0.0);
        used()
            .flat_map(|i| used().map(move |j| (i, j)))
            .map(|(i, j)| figure[i] * figure[j] * self.best.covariance[i * size + j])
            .sum()
    }

    /// The direction of an order's amplitude, turned by a quarter where `across`.
    fn direction(&self, order: usize, across: bool) -> Vec<f64> {
        let c = self.best.point.harmonics[order - 1];
        let unit = if c.norm() > 0.0 {
            c / c.norm()
        } else {
            Complex64::new(1.0, 0.0)
        };
        let turned = if across { unit * Complex64::i() } else { unit };
        let mut figure = vec![0.0; self.model.size()];
        figure[2 * order - 1] = turned.re;
        figure[2 * order] = -turned.im;
        figure
    }

    fn read(&self, dof: f64) -> Option<IntervalFit> {
        let point = &self.best.point;
        let size = self.model.size();
        let single = |at: usize| {
            let mut figure = vec![0.0; size];
            figure[at] = 1.0;
            figure
        };
        let offset = self.figure(&single(0))?;
        let mut wider = offset.2.max(1.0);
        let mut fundamental = (point.fundamental, self.model.prior.1);
        if self.model.free {
            let (value, variance, _) = self.figure(&single(self.model.fundamental_at()))?;
            fundamental = (value, variance);
        }
        let mut found: Vec<Option<(f64, f64)>> = vec![None; self.model.orders];
        for order in self.resolved() {
            let (value, variance, ratio) = self.figure(&self.direction(order, false))?;
            found[order - 1] = Some((value, variance));
            if order == 1 {
                wider = wider.max(ratio);
            }
        }
        let hum = self.hum(&found)?;
        let harmonics = found
            .iter()
            .enumerate()
            .map(|(i, own)| {
                let c = point.harmonics[i];
                let part =
                    |across| self.variance(&self.direction(i + 1, across)) * self.spread * wider;
                let (value, along) = own.unwrap_or_else(|| (c.norm(), part(false)));
                IntervalLine {
                    amplitude: if c.norm() > 0.0 {
                        c * (value / c.norm())
                    } else {
                        c
                    },
                    along,
                    across: part(true),
                }
            })
            .collect();
        Some(IntervalFit {
            offset: (offset.0, offset.1),
            fundamental,
            harmonics,
            hum,
            degrees_of_freedom: dof,
            deviation: point.scale.exp(),
            means: self.model.means(point),
        })
    }

    /// Root sum of squares of the amplitudes: of the orders that stand above their noise, along the direction of
    /// their amplitudes, and up to what the others may hold.
    fn hum(&self, found: &[Option<(f64, f64)>]) -> Option<Range> {
        let harmonics = &self.best.point.harmonics;
        let sum = |resolved: bool| -> f64 {
            let own = found.iter().zip(harmonics);
            own.filter(|(f, _)| f.is_some() == resolved)
                .map(|(_, c)| c.norm_sqr())
                .sum()
        };
        let total = sum(true).sqrt();
        let (mut value, mut half) = (0.0, 0.0);
        if total > 0.0 {
            let mut figure = vec![0.0; self.model.size()];
            for (i, c) in harmonics
                .iter()
                .enumerate()
                .filter(|(i, _)| found[*i].is_some())
            {
                (figure[2 * i + 1], figure[2 * i + 2]) = (c.re / total, -c.im / total);
            }
            let (middle, variance, _) = self.figure(&figure)?;
            (value, half) = (middle, self.quantile * variance.sqrt());
        }
        // Of an order that holds nothing |c|² is 2v with a variance of 4v².
        let (mut noise, mut spread) = (0.0, 0.0);
        for (i, c) in harmonics
            .iter()
            .enumerate()
            .filter(|(i, _)| found[*i].is_none())
        {
            let variance = self.variance(&self.direction(i + 1, false)) * self.spread;
            noise += 2.0 * variance;
            spread += 4.0 * variance * (variance + c.norm_sqr());
        }
        let seen = sum(false);
        let beside = (seen - noise).max(0.0) + self.quantile * spread.sqrt();
        let high = (value + half).hypot(beside.max(0.5 * seen).sqrt());
        Some(Range {
            low: (value - half).max(0.0),
            value: value.max(0.0).min(high),
            high,
        })
    }

    /// The strongest orders that stand above their noise.
    fn resolved(&self) -> Vec<usize> {
        let ratio = |order: usize| {
            let variance = self.variance(&self.direction(order, false)) * self.spread;
            self.best.point.harmonics[order - 1].norm_sqr() / variance.max(f64::MIN_POSITIVE)
        };
        let mut orders: Vec<usize> = (1..=self.model.orders)
            .filter(|&k| ratio(k) > RESOLVED)
            .collect();
        orders.sort_by(|&a, &b| {
            let power = |k: usize| self.best.point.harmonics[k - 1].norm_sqr();
            power(b).total_cmp(&power(a))
        });
        orders.truncate(MOST_RESOLVED);
        orders
    }
}
