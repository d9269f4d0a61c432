//! The rows of the table: each figure under its conditions and the ratios between them.

use super::expanded::Expansion;
use super::figure::Figure;
use super::options::CompareOptions;
use super::plan::CommonGround;
use super::reading::{Ratio, Reading, pooled_spread};
use super::repeats::{self, Repeats};
use super::result::{ComparedQuantity, DecibelRatio};
use super::selection::Selection;
use crate::Condition;
use crate::analysis::Measurement;
use crate::stats::{
    ConfidenceDistribution, Estimate, excess_ratio_quantiles, normal_quantile, welch_satterthwaite,
};
use std::collections::BTreeMap;

/// What the rows of the table are made from.
pub(super) struct Table<'a> {
    pub selections: &'a BTreeMap<Condition, Selection<'a>>,
    pub ground: CommonGround,
    pub unit: &'a str,
    pub options: &'a CompareOptions,
}

/// A row with what its verdict rests on.
pub(super) struct Row {
    pub figure: Figure,
    pub quantity: ComparedQuantity,
    /// Whether the last reading cannot be told from the baseline, or from nothing.
    pub at_floor: bool,
}

impl Table<'_> {
    /// The captures of a condition that speak of a figure.
    fn captures(&self, figure: Figure, condition: Condition) -> Vec<&Measurement> {
        let Some(selection) = self.selections.get(&condition) else {
            return Vec::new();
        };
        let chosen = match figure {
            Figure::DcOffset => &selection.offset,
            _ => &selection.alternating,
        };
        let of_mains = matches!(figure, Figure::HumRms | Figure::Harmonic(_));
        chosen
            .iter()
            .copied()
            .filter(|m| !of_mains || at_nominal(m, self.ground.mains_nominal_hz))
            .collect()
    }

    pub(super) fn row(&self, figure: Figure) -> Row {
        let confidence = self.options.confidence;
        let captures = super::CONDITIONS.map(|condition| self.captures(figure, condition));
        let spread = pooled_spread(figure, &captures.each_ref().map(Vec::as_slice));
        let readings = captures
            .each_ref()
            .map(|captures| Reading::combine(figure, captures, spread, confidence));
        let pair = Pair {
            figure,
            readings,
            has_isolated: self.selections.contains_key(&Condition::Isolated),
            confidence,
        };
        let obstacle = self.obstacle(figure, &captures);
        let mut row = pair.row(&figure.name(), self.unit, obstacle.is_none());
        row.quantity.not_compared = obstacle;
        if self.options.instrument.any() {
            let expansion = Expansion {
                limits: &self.options.instrument,
                confidence,
                common_range: one_range(&captures),
                is_offset: figure == Figure::DcOffset,
            };
            row.quantity.expanded_uncertainty =
                Some(expansion.of(pair.readings.each_ref().map(Option::as_ref), pair.ends()));
        }
        row
    }

    /// Why a figure is not compared: figures of unequal bandwidths are not.
    fn obstacle(&self, figure: Figure, captures: &[Vec<&Measurement>; 3]) -> Option<String> {
        let all = || captures.iter().flatten();
        let bands_agree = || {
            all().all(|m| {
                let (low, high) = m.noise.band_hz;
                self.ground.band_hz.is_some_and(|(l, h)| {
                    (low - l).abs() <= 1e-3 * h && (high - h).abs() <= 1e-3 * h
                })
            })
        };
        let rates = || all().map(|m| m.sample_rate_hz);
        let rates_agree =
            || rates().fold(0.0, f64::max) <= (1.0 + 1e-3) * rates().fold(f64::INFINITY, f64::min);
        match figure {
            Figure::NoiseRms if !bands_agree() => {
                Some("the captures' noise bands differ; measure all in one band".into())
            }
            Figure::AcRms | Figure::PeakToPeak if !rates_agree() => Some(
                "the captures' bandwidths differ; hum_rms, harmonics and noise_rms have a common one"
                    .into(),
            ),
            _ => None,
        }
    }

    /// Agreement of repeated captures in the offset, the hum and the noise.
    pub(super) fn repeats(&self) -> Vec<Repeats> {
        let mut found = Vec::new();
        for condition in super::CONDITIONS {
            for figure in [Figure::DcOffset, Figure::HumRms, Figure::NoiseRms] {
                found.extend(Repeats::of(
                    figure,
                    condition,
                    &self.captures(figure, condition),
                    &repeats::runs(&self.options.sequence, condition),
                    self.options.confidence,
                ));
            }
        }
        found
    }
}

/// The readings of one figure and what they are compared by.
pub(super) struct Pair {
    pub figure: Figure,
    /// Baseline, looped, isolated.
    pub readings: [Option<Reading>; 3],
    pub has_isolated: bool,
    pub confidence: f64,
}

impl Pair {
    /// What the ratio is of: looped and isolated, without isolated captures looped and baseline.
    fn ends(&self) -> Option<(&Reading, &Reading)> {
        let [baseline, looped, isolated] = &self.readings;
        let last = if self.has_isolated {
            isolated
        } else {
            baseline
        };
        looped.as_ref().zip(last.as_ref())
    }

    pub(super) fn row(&self, name: &str, unit: &str, comparable: bool) -> Row {
        let [baseline, looped, isolated] = &self.readings;
        let mut quantity = ComparedQuantity::new(name, unit);
        quantity.baseline = baseline.as_ref().map(|r| r.estimate);
        quantity.looped = looped.as_ref().map(|r| r.estimate);
        quantity.isolated = isolated.as_ref().map(|r| r.estimate);
        let excess = |reading: &Option<Reading>| {
            let (reading, floor) = reading.as_ref().zip(baseline.as_ref())?;
            Some(excess(self.figure, reading, floor, self.confidence))
        };
        quantity.loop_excess = excess(looped);
        quantity.residual_excess = excess(isolated);
        if let Some((a, b)) = self.ends().filter(|_| comparable) {
            let ratio = Ratio::of(a, b, self.confidence);
            quantity.improvement_db = DecibelRatio::from_power_ratios(as_resolved(
                ratio.quantiles,
                &a.estimate,
                &b.estimate,
            ));
            quantity.p_value = Some(ratio.p_value);
            quantity.basis = Some(ratio.basis);
            if let (Some(floor), true) = (baseline, self.has_isolated) {
                quantity.excess_reduction_db =
                    excess_reduction(self.figure, (a, b, floor), &quantity, self.confidence);
            }
        }
        let unresolved = |e: Option<Estimate>| e.is_some_and(|e| e.contains(0.0));
        Row {
            figure: self.figure,
            at_floor: unresolved(quantity.residual_excess) || unresolved(quantity.isolated),
            quantity,
        }
    }
}

/// Whether the mains was sought where the others sought it.
pub(super) fn at_nominal(m: &Measurement, nominal_hz: f64) -> bool {
    (m.mains.nominal_hz - nominal_hz).abs() < 0.1
}

/// A reading whose printed interval reaches 0 (by a test on several harmonics, or from the noise) bounds
/// no ratio on its side.
fn as_resolved(
    (low, middle, high): (f64, f64, f64),
    dividend: &Estimate,
    divisor: &Estimate,
) -> (f64, f64, f64) {
    (
        if dividend.contains(0.0) { 0.0 } else { low },
        middle,
        if divisor.contains(0.0) {
            f64::INFINITY
        } else {
            high
        },
    )
}

/// A reading above the floor: power difference, for an offset the plain difference.
fn excess(figure: Figure, reading: &Reading, floor: &Reading, confidence: f64) -> Estimate {
    let (a, b) = (&reading.estimate, &floor.estimate);
    let (u_a, u_b) = (a.standard_uncertainty, b.standard_uncertainty);
    let dof = welch_satterthwaite(&[(u_a, a.degrees_of_freedom), (u_b, b.degrees_of_freedom)]);
    if figure == Figure::DcOffset {
        Estimate::student(a.value - b.value, u_a.hypot(u_b), dof, confidence)
    } else {
        reading.square.excess_rms(&floor.square, dof, confidence)
    }
}

/// Loop excess over residual excess. For powers the floor is common to both and is integrated over as
/// such; offsets are taken as independent differences.
fn excess_reduction(
    figure: Figure,
    (looped, last, floor): (&Reading, &Reading, &Reading),
    quantity: &ComparedQuantity,
    confidence: f64,
) -> Option<DecibelRatio> {
    let ratios = if figure == Figure::DcOffset {
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let a = ConfidenceDistribution::squared(&quantity.loop_excess?);
        let b = ConfidenceDistribution::squared(&quantity.residual_excess?);
        (
            a.ratio_quantile(&b, -z),
            a.ratio_quantile(&b, 0.0),
            a.ratio_quantile(&b, z),
        )
    } else {
        excess_ratio_quantiles(&looped.square, &last.square, &floor.square, confidence)
    };
    DecibelRatio::from_power_ratios(ratios)
}

/// Whether all captures were taken on one known range.
fn one_range(captures: &[Vec<&Measurement>; 3]) -> bool {
    let mut ranges = captures
        .iter()
        .flatten()
        .map(|m| m.acquisition.full_scale_v);
    match ranges.next().flatten() {
        Some(first) => ranges.all(|r| r.is_some_and(|r| (r - first).abs() <= 0.01 * first)),
        None => false,
    }
}
