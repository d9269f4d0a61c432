//! The rows of the table: each quantity under its conditions and the ratios between them.

use super::expanded::Expansion;
use crate::Condition;
use crate::analysis::Measurement;
use crate::comparison::figure::repeats;
use crate::comparison::figure::{Ratio, Reading, pooled_spread};
use crate::comparison::ground::CommonGround;
use crate::comparison::options::CompareOptions;
use crate::comparison::result::{ComparedQuantity, DecibelRatio, Repeats};
use crate::comparison::selection::Selection;
use crate::quantity::Quantity;
use crate::stats::{
    ConfidenceDistribution, Estimate, excess_ratio_quantiles, normal_quantile, welch_satterthwaite,
};
use std::collections::BTreeMap;

/// What the rows of the table are made from.
pub(in crate::comparison) struct Table<'a> {
    pub selections: &'a BTreeMap<Condition, Selection<'a>>,
    pub ground: CommonGround,
    pub unit: &'a str,
    pub options: &'a CompareOptions,
}

/// A row with what its verdict rests on.
pub(in crate::comparison) struct Row {
    pub quantity: ComparedQuantity,
    /// Whether the last reading cannot be told from the baseline, or from nothing.
    pub at_floor: bool,
}

impl Table<'_> {
    /// The captures of a condition that speak of a quantity.
    fn captures(&self, quantity: Quantity, condition: Condition) -> Vec<&Measurement> {
        let Some(selection) = self.selections.get(&condition) else {
            return Vec::new();
        };
        let chosen = match quantity {
            Quantity::DcOffset => &selection.offset,
            _ => &selection.alternating,
        };
        let of_mains = matches!(quantity, Quantity::HumRms | Quantity::Harmonic(_));
        chosen
            .iter()
            .copied()
            .filter(|m| !of_mains || at_nominal(m, self.ground.mains_nominal_hz))
            .collect()
    }

    pub(in crate::comparison) fn row(&self, quantity: Quantity) -> Row {
        let confidence = self.options.confidence;
        let captures = Condition::ALL.map(|condition| self.captures(quantity, condition));
        let spread = pooled_spread(quantity, &captures.each_ref().map(Vec::as_slice));
        let readings = captures
            .each_ref()
            .map(|captures| Reading::combine(quantity, captures, spread, confidence));
        let pair = Pair {
            quantity,
            readings,
            has_isolated: self.selections.contains_key(&Condition::Isolated),
            confidence,
        };
        let obstacle = self.obstacle(quantity, &captures);
        let mut row = pair.row(self.unit, obstacle.is_none());
        row.quantity.not_compared = obstacle;
        if self.options.instrument.any() {
            let expansion = Expansion {
                limits: &self.options.instrument,
                confidence,
                common_range: one_range(&captures),
                is_offset: quantity == Quantity::DcOffset,
            };
            row.quantity.expanded_uncertainty =
                Some(expansion.of(pair.readings.each_ref().map(Option::as_ref), pair.ends()));
        }
        row
    }

    /// Why a quantity is not compared: figures of unequal bandwidths are not.
    fn obstacle(&self, quantity: Quantity, captures: &[Vec<&Measurement>; 3]) -> Option<String> {
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
        match quantity {
            Quantity::NoiseRms if !bands_agree() => {
                Some("the captures' noise bands differ; measure all in one band".into())
            }
            Quantity::AcRms | Quantity::PeakToPeak if !rates_agree() => Some(
                "the captures' bandwidths differ; hum_rms, harmonics and noise_rms have a common one"
                    .into(),
            ),
            _ => None,
        }
    }

    /// Agreement of repeated captures in the offset, the hum and the noise.
    pub(in crate::comparison) fn repeats(&self) -> Vec<Repeats> {
        let mut found = Vec::new();
        for condition in Condition::ALL {
            for quantity in [Quantity::DcOffset, Quantity::HumRms, Quantity::NoiseRms] {
                found.extend(Repeats::of(
                    quantity,
                    condition,
                    &self.captures(quantity, condition),
                    &repeats::runs(&self.options.sequence, condition),
                    self.options.confidence,
                ));
            }
        }
        found
    }
}

/// The readings of one quantity and what they are compared by.
pub(super) struct Pair {
    pub quantity: Quantity,
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

    pub(super) fn row(&self, unit: &str, comparable: bool) -> Row {
        let [baseline, looped, isolated] = &self.readings;
        let mut row = ComparedQuantity::new(self.quantity, unit);
        row.baseline = baseline.as_ref().map(|r| r.estimate);
        row.looped = looped.as_ref().map(|r| r.estimate);
        row.isolated = isolated.as_ref().map(|r| r.estimate);
        let excess = |reading: &Option<Reading>| {
            let (reading, floor) = reading.as_ref().zip(baseline.as_ref())?;
            Some(excess(self.quantity, reading, floor, self.confidence))
        };
        row.loop_excess = excess(looped);
        row.residual_excess = excess(isolated);
        if let Some((a, b)) = self.ends().filter(|_| comparable) {
            let ratio = Ratio::of(a, b, self.confidence);
            row.improvement_db = DecibelRatio::from_power_ratios(as_resolved(
                ratio.quantiles,
                &a.estimate,
                &b.estimate,
            ));
            row.p_value = Some(ratio.p_value);
            row.basis = Some(ratio.basis);
            if let (Some(floor), true) = (baseline, self.has_isolated) {
                row.excess_reduction_db =
                    excess_reduction(self.quantity, (a, b, floor), &row, self.confidence);
            }
        }
        let unresolved = |e: Option<Estimate>| e.is_some_and(|e| e.contains(0.0));
        Row {
            at_floor: unresolved(row.residual_excess) || unresolved(row.isolated),
            quantity: row,
        }
    }
}

/// Whether the mains was sought where the others sought it.
pub(in crate::comparison) fn at_nominal(m: &Measurement, nominal_hz: f64) -> bool {
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
fn excess(quantity: Quantity, reading: &Reading, floor: &Reading, confidence: f64) -> Estimate {
    let (a, b) = (&reading.estimate, &floor.estimate);
    let (u_a, u_b) = (a.standard_uncertainty, b.standard_uncertainty);
    let dof = welch_satterthwaite(&[(u_a, a.degrees_of_freedom), (u_b, b.degrees_of_freedom)]);
    if quantity == Quantity::DcOffset {
        Estimate::student(a.value - b.value, u_a.hypot(u_b), dof, confidence)
    } else {
        reading.square.excess_rms(&floor.square, dof, confidence)
    }
}

/// Loop excess over residual excess. For powers the floor is common to both and is integrated over as
/// such; offsets are taken as independent differences.
fn excess_reduction(
    of: Quantity,
    (looped, last, floor): (&Reading, &Reading, &Reading),
    row: &ComparedQuantity,
    confidence: f64,
) -> Option<DecibelRatio> {
    let ratios = if of == Quantity::DcOffset {
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let a = ConfidenceDistribution::squared(&row.loop_excess?);
        let b = ConfidenceDistribution::squared(&row.residual_excess?);
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
