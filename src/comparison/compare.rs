//! Conditions held against each other.

use super::cause;
use super::ground::CommonGround;
use super::options::CompareOptions;
use super::result::{CaptureCounts, ComparedLine, Comparison, LeftOut, SignalOutlook};
use super::selection::{Selection, mismatch, mistakes, same_channel, too_few_conditions};
use super::sentences;
use super::table::{Line, Row, Table, at_nominal, settle};
use crate::analysis::Measurement;
use crate::parallel::*;
use crate::quantity::Quantity;
use crate::{Condition, Error};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Compares the captures of two or three conditions.
///
/// The measurements should share band, number of harmonics and nominal mains frequency: see
/// [`CommonGround`]. The order within a condition is the order in which its captures were taken. Of captures with several
/// channels those of one channel are compared.
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
    let measurements = &at_one_mains(measurements);
    let captures = same_channel(measurements, &mut left_out)?;
    let selections: BTreeMap<Condition, Selection<'_>> = captures
        .iter()
        .map(|(&condition, all)| (condition, Selection::of(condition, all, &mut left_out)))
        .collect();
    let everything = || captures.values().flatten().copied();
    let Some(ground) = CommonGround::of(everything()) else {
        return Err(too_few_conditions());
    };
    tell_other_mains(&selections, ground.mains_nominal_hz, &mut left_out);
    let table = Table {
        selections: &selections,
        ground,
        unit: everything().next().map_or("V", |m| m.unit.as_str()),
        options,
    };
    let figures = Quantity::compared(ground.harmonics);
    let mut rows: Vec<Row> = figures.par_iter().map(|&f| table.row(f)).collect();
    let has_isolated = captures.contains_key(&Condition::Isolated);
    let lines = Line::all(&selections, options.confidence);
    rows.extend(
        lines
            .iter()
            .map(|line| line.row(table.unit, has_isolated, options.confidence)),
    );
    settle(&mut rows, options.confidence, has_isolated);
    let mut line_rows = rows.split_off(figures.len()).into_iter();

    let count = |condition| captures.get(&condition).map_or(0, Vec::len);
    let counts = CaptureCounts::by(count);
    let quantities = rows.into_iter().map(|row| row.quantity).collect();
    let mut comparison = Comparison::new(
        options.confidence,
        ground.mains_nominal_hz,
        ground.band_hz.unwrap_or((0.0, 0.0)),
        counts,
        quantities,
    );
    comparison.lines = lines
        .into_iter()
        .zip(line_rows.by_ref())
        .map(|(line, row)| ComparedLine {
            frequency_hz: line.frequency_hz,
            quantity: row.quantity,
        })
        .collect();
    let (warnings, notes) = mismatch::find(&selections);
    comparison.warnings = mistakes::find(&captures, &comparison);
    comparison.warnings.extend(warnings);
    comparison.left_out = left_out;
    comparison.repeats = table.repeats();
    comparison.notes = sentences::notes(&comparison);
    comparison.notes.extend(notes);
    comparison.evidence = cause::evidence(&comparison, &selections);
    comparison.signal = options
        .signal
        .map(|signal| SignalOutlook::of(&signal, &comparison.quantities));
    comparison.limits = options
        .limits
        .iter()
        .map(|limit| comparison.judge(limit))
        .collect();
    Ok(comparison)
}

/// Takes what was measured at the others' nominal mains where a capture holds that too.
fn at_one_mains(
    measurements: &BTreeMap<Condition, Vec<Measurement>>,
) -> Cow<'_, BTreeMap<Condition, Vec<Measurement>>> {
    let mut measurements = Cow::Borrowed(measurements);
    let Some(ground) = CommonGround::of(measurements.values().flatten()) else {
        return measurements;
    };
    let there = |m: &Measurement| {
        let other = m.other_mains.as_deref();
        !at_nominal(m, ground.mains_nominal_hz)
            && other.is_some_and(|mains| (mains.nominal_hz - ground.mains_nominal_hz).abs() < 0.1)
    };
    if measurements.values().flatten().any(there) {
        for m in measurements.to_mut().values_mut().flatten() {
            if there(m)
                && let Some(other) = m.other_mains.take()
            {
                m.mains = *other;
            }
        }
    }
    measurements
}

/// Captures without hum figures at the mains frequency that is compared.
fn tell_other_mains(
    selections: &BTreeMap<Condition, Selection<'_>>,
    nominal_hz: f64,
    left_out: &mut Vec<LeftOut>,
) {
    for (&condition, selection) in selections {
        for &m in &selection.alternating {
            let why = if !at_nominal(m, nominal_hz) {
                format!(
                    "measured at a nominal mains of {} Hz, the others at {nominal_hz} Hz; measure it \
                     again at that",
                    m.mains.nominal_hz
                )
            } else if m.mains.hum_rms.is_none() {
                "shorter than a mains cycle, or its rate is below the mains".to_owned()
            } else {
                continue;
            };
            left_out.extend(LeftOut::of(
                (&m.file, &m.channel),
                condition,
                &[Quantity::HumRms],
                &why,
            ));
        }
    }
}
