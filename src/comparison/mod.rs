//! Comparison: what the loop adds to the floor and what the remedy takes away.
//!
//! Like is compared with like: each figure is read from the captures that can speak of it, in a band
//! and with harmonics common to all. Several captures of a condition carry their spread as the
//! uncertainty; a single one only its own scatter, and the result says so. Ratios near the floor come
//! from the whole confidence distributions of both readings, so that no more is claimed than the floor
//! supports, and verdicts hold for the table as a whole.

mod expanded;
mod figure;
mod limit;
mod mismatch;
mod options;
mod outlook;
mod plan;
mod reading;
mod repeats;
mod result;
mod selection;
mod sentences;
mod simulated;
mod verdict;

pub use limit::{Acceptance, Bounded, Judgement, Limit};
pub use options::{CompareOptions, InstrumentLimits};
pub use outlook::{SignalErrors, SignalOutlook, WantedSignal};
pub use plan::CommonGround;
pub use repeats::Repeats;
pub use result::{
    Basis, CaptureCounts, ComparedQuantity, Comparison, DecibelRatio, ExpandedUncertainties,
    ExpandedUncertainty, LeftOut, Verdict,
};
#[doc(hidden)]
pub use simulated::Simulated;

use crate::analysis::Measurement;
use crate::stats::{
    ConfidenceDistribution, Estimate, excess_ratio_quantiles, normal_quantile, welch_satterthwaite,
};
use crate::{Condition, Error, ErrorKind};
use expanded::Expansion;
use figure::Figure;
use rayon::prelude::*;
use reading::{Ratio, Reading, pooled_spread};
use selection::Selection;
use std::collections::BTreeMap;

const CONDITIONS: [Condition; 3] = [Condition::Baseline, Condition::Looped, Condition::Isolated];

/// Compares the captures of two or three conditions.
///
/// The measurements should share band, number of harmonics and nominal mains frequency: see
/// [`CommonGround`]. The order within a condition is the order in which its captures were taken.
///
/// # Errors
/// `BadOption` where a setting is out of range, fewer than two conditions have captures, or the
/// captures' units differ.
///
/// ```
/// use humsieve::comparison::{CompareOptions, compare};
/// use humsieve::{Capture, Condition, MeasureOptions, analysis::measure, capture::MemorySource};
/// use std::collections::BTreeMap;
///
/// let measured = |hum: f64| {
///     let samples: Vec<f64> = (0..5000)
///         .map(|n| f64::from(n) / 5000.0)
///         .map(|t| hum * (std::f64::consts::TAU * 50.02 * t).cos() + 1e-4 * (1e6 * t * t).sin())
///         .collect();
///     let capture = Capture::from_samples("bench", 5000.0, &samples)?;
///     measure(&mut MemorySource::new(&capture), &MeasureOptions::default())
/// };
/// let captures = BTreeMap::from([
///     (Condition::Looped, measured(20e-3)?),
///     (Condition::Isolated, measured(0.2e-3)?),
/// ]);
/// let comparison = compare(&captures, &CompareOptions::default())?;
/// let improvement = comparison.quantity("harmonic_1_rms").and_then(|q| q.improvement_db);
/// assert!(improvement.is_some_and(|ratio| (39.0..40.0).contains(&ratio.low)));
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn compare(
    measurements: &BTreeMap<Condition, Vec<Measurement>>,
    options: &CompareOptions,
) -> Result<Comparison, Error> {
    options.check()?;
    let mut left_out = Vec::new();
    let captures = same_channel(measurements, &mut left_out)?;
    let selections: BTreeMap<Condition, Selection<'_>> = captures
        .iter()
        .map(|(&condition, all)| (condition, Selection::of(condition, all, &mut left_out)))
        .collect();
    let everything = || captures.values().flatten().copied();
    let Some(ground) = CommonGround::of(everything()) else {
        return Err(too_few_conditions());
    };
    let table = Table {
        selections: &selections,
        ground,
        unit: everything().next().map_or("V", |m| m.unit.as_str()),
        options,
    };
    let figures = Figure::table(ground.harmonics);
    let mut rows: Vec<Row> = figures.par_iter().map(|&f| table.row(f)).collect();
    settle_verdicts(
        &mut rows,
        options.confidence,
        captures.contains_key(&Condition::Isolated),
    );

    let count = |condition| captures.get(&condition).map_or(0, Vec::len);
    let counts = CaptureCounts {
        baseline: count(Condition::Baseline),
        looped: count(Condition::Looped),
        isolated: count(Condition::Isolated),
    };
    let quantities = rows.into_iter().map(|row| row.quantity).collect();
    let mut comparison = Comparison::new(
        options.confidence,
        ground.mains_nominal_hz,
        ground.band_hz.unwrap_or((0.0, 0.0)),
        counts,
        quantities,
    );
    let (warnings, notes) = mismatch::find(&selections);
    comparison.warnings = warnings;
    comparison.left_out = left_out;
    comparison.repeats = table.repeats();
    comparison.notes = sentences::notes(&comparison);
    comparison.notes.extend(notes);
    comparison.signal = options
        .signal
        .map(|signal| SignalOutlook::of(&signal, &comparison.quantities));
    comparison.limits = options
        .limits
        .iter()
        .map(|limit| limit.judge(&comparison))
        .collect();
    Ok(comparison)
}

/// One channel's captures by condition: the first channel of the looped (else the first) capture.
fn same_channel<'a>(
    measurements: &'a BTreeMap<Condition, Vec<Measurement>>,
    left_out: &mut Vec<LeftOut>,
) -> Result<BTreeMap<Condition, Vec<&'a Measurement>>, Error> {
    let first = measurements
        .get(&Condition::Looped)
        .and_then(|m| m.first())
        .or_else(|| measurements.values().flatten().next());
    let Some(first) = first else {
        return Err(too_few_conditions());
    };
    let mut captures: BTreeMap<Condition, Vec<&Measurement>> = BTreeMap::new();
    for (&condition, all) in measurements {
        let several = all.iter().any(|m| m.channel == first.channel);
        for m in all {
            if m.unit != first.unit {
                return Err(Error::new(
                    ErrorKind::BadOption,
                    format!(
                        "its values are in {}, those of {} in {}; give the unit of all captures",
                        m.unit, first.file, first.unit
                    ),
                )
                .in_file(&m.file));
            }
            // where no capture of a condition has that channel, the condition's own channel counts
            if several && m.channel != first.channel {
                left_out.push(LeftOut {
                    file: m.file.clone(),
                    channel: m.channel.clone(),
                    condition,
                    figures: "all".into(),
                    reason: format!("channel '{}' is compared", first.channel),
                });
            } else {
                captures.entry(condition).or_default().push(m);
            }
        }
    }
    if captures.len() < 2 {
        return Err(too_few_conditions());
    }
    Ok(captures)
}

fn too_few_conditions() -> Error {
    Error::new(
        ErrorKind::BadOption,
        "a comparison needs captures of at least two of the conditions baseline, looped, isolated",
    )
}

/// What single captures must differ by before a change is called, dB: grid and loads change hum and
/// offset by several percent from one capture to the next (common practice, no source), which a single
/// capture cannot show.
pub const SINGLE_CAPTURE_MARGIN_DB: f64 = 1.0;

/// What the rows of the table are made from.
struct Table<'a> {
    selections: &'a BTreeMap<Condition, Selection<'a>>,
    ground: CommonGround,
    unit: &'a str,
    options: &'a CompareOptions,
}

/// A row with what its verdict rests on.
struct Row {
    figure: Figure,
    quantity: ComparedQuantity,
    /// Whether the last reading cannot be told from the baseline, or from nothing.
    at_floor: bool,
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
            .filter(|m| {
                !of_mains || (m.mains.nominal_hz - self.ground.mains_nominal_hz).abs() < 0.1
            })
            .collect()
    }

    fn row(&self, figure: Figure) -> Row {
        let confidence = self.options.confidence;
        let captures = CONDITIONS.map(|condition| self.captures(figure, condition));
        let spread = pooled_spread(figure, &captures.each_ref().map(Vec::as_slice));
        let [baseline, looped, isolated] = captures
            .each_ref()
            .map(|captures| Reading::combine(figure, captures, spread, confidence));
        let mut quantity = ComparedQuantity::new(figure.name(), self.unit);
        quantity.baseline = baseline.as_ref().map(|r| r.estimate);
        quantity.looped = looped.as_ref().map(|r| r.estimate);
        quantity.isolated = isolated.as_ref().map(|r| r.estimate);

        let excess = |reading: Option<&Reading>| {
            let (reading, floor) = reading.zip(baseline.as_ref())?;
            Some(excess(figure, reading, floor, confidence))
        };
        quantity.loop_excess = excess(looped.as_ref());
        quantity.residual_excess = excess(isolated.as_ref());

        let has_isolated = self.selections.contains_key(&Condition::Isolated);
        let last = if has_isolated { &isolated } else { &baseline };
        let pair = looped.as_ref().zip(last.as_ref());
        if let Some((a, b)) = pair
            && self.comparable(figure, &captures)
        {
            let ratio = Ratio::of(a, b, confidence);
            quantity.improvement_db = DecibelRatio::from_power_ratios(as_resolved(
                ratio.quantiles,
                &a.estimate,
                &b.estimate,
            ));
            quantity.p_value = Some(ratio.p_value);
            quantity.basis = Some(ratio.basis);
            if let (Some(floor), true) = (&baseline, has_isolated) {
                quantity.excess_reduction_db =
                    excess_reduction(figure, (a, b, floor), &quantity, confidence);
            }
        }
        if self.options.instrument.any() {
            let expansion = Expansion {
                limits: &self.options.instrument,
                confidence,
                common_range: one_range(&captures),
                is_offset: figure == Figure::DcOffset,
            };
            quantity.expanded_uncertainty = Some(expansion.of(
                [baseline.as_ref(), looped.as_ref(), isolated.as_ref()],
                pair,
            ));
        }
        let unresolved = |e: Option<Estimate>| e.is_some_and(|e| e.contains(0.0));
        Row {
            figure,
            at_floor: unresolved(quantity.residual_excess) || unresolved(quantity.isolated),
            quantity,
        }
    }

    /// Noise of unequal bands is not compared.
    fn comparable(&self, figure: Figure, captures: &[Vec<&Measurement>; 3]) -> bool {
        figure != Figure::NoiseRms
            || captures.iter().flatten().all(|m| {
                let (low, high) = m.noise.band_hz;
                self.ground.band_hz.is_some_and(|(l, h)| {
                    (low - l).abs() <= 1e-3 * h && (high - h).abs() <= 1e-3 * h
                })
            })
    }

    /// Agreement of repeated captures in the offset, the hum and the noise.
    fn repeats(&self) -> Vec<Repeats> {
        let mut found = Vec::new();
        for condition in CONDITIONS {
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

/// Verdicts by the method that [`Comparison::verdict_method`] states.
fn settle_verdicts(rows: &mut [Row], confidence: f64, has_isolated: bool) {
    let harmonics = rows
        .iter()
        .filter(|row| matches!(row.figure, Figure::Harmonic(_)))
        .count();
    let headline = rows.len() - harmonics;
    let tested: Vec<usize> = (0..rows.len())
        .filter(|&i| {
            rows.get(i)
                .is_some_and(|row| row.quantity.p_value.is_some())
        })
        .collect();
    let hypotheses: Vec<(f64, f64)> = tested
        .iter()
        .filter_map(|&i| rows.get(i))
        .filter_map(|row| {
            let weight = match row.figure {
                Figure::Harmonic(_) => 0.5 / harmonics as f64,
                _ => 0.5 / headline as f64,
            };
            row.quantity.p_value.map(|p| (p, weight))
        })
        .collect();
    for (&i, adjusted) in tested.iter().zip(verdict::holm(&hypotheses)) {
        let Some(row) = rows.get_mut(i) else { continue };
        row.quantity.adjusted_p_value = Some(adjusted);
        let Some(ratio) = row.quantity.improvement_db else {
            continue;
        };
        if adjusted > 1.0 - confidence || !ratio.excludes_zero() {
            continue;
        }
        row.quantity.verdict = if ratio.low <= 0.0 {
            Verdict::Worse
        } else if has_isolated && row.at_floor {
            Verdict::AtFloor
        } else {
            Verdict::Improved
        };
    }
}
