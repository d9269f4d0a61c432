//! From captures to a comparison: measured, measured again on common ground, compared.

use super::compare::compare;
use super::ground::CommonGround;
use super::options::CompareOptions;
use super::result::{Comparison, LeftOut};
use super::selection::{ALL, too_few_conditions};
use crate::analysis::{Detail, MeasureOptions, Measurement, measure};
use crate::parallel::*;
use crate::{Condition, Error, FrameSource};
use std::collections::BTreeMap;

type Measure<'a> = Box<dyn FnMut(&MeasureOptions) -> Result<Vec<Measurement>, Error> + Send + 'a>;

/// A capture taken under a condition, and how it is measured.
pub struct CaptureSource<'a> {
    condition: Condition,
    name: String,
    measure: Measure<'a>,
    repeatable: bool,
}

impl<'a> CaptureSource<'a> {
    /// A record that can be read again from its start, under the name that its header gives.
    #[must_use]
    pub fn record(condition: Condition, mut source: impl FrameSource + 'a) -> Self {
        let name = source.header().name.clone();
        Self::by(condition, name, move |options| {
            measure(&mut source, options)
        })
    }

    /// A capture of this name that is measured by a function, once or twice, each time with the options it is given.
    #[must_use]
    pub fn by(
        condition: Condition,
        name: impl Into<String>,
        measure: impl FnMut(&MeasureOptions) -> Result<Vec<Measurement>, Error> + Send + 'a,
    ) -> Self {
        Self {
            condition,
            name: name.into(),
            measure: Box::new(measure),
            repeatable: true,
        }
    }

    /// The same, where it can be measured only once: it is then compared as it is, on common ground or not.
    #[must_use]
    pub fn once(self) -> Self {
        Self {
            repeatable: false,
            ..self
        }
    }

    /// What was measured of a capture, or why it was not, on another day or machine.
    #[must_use]
    pub fn measured(
        condition: Condition,
        name: impl Into<String>,
        outcome: Result<Vec<Measurement>, Error>,
    ) -> Self {
        Self::by(condition, name, move |_| outcome.clone()).once()
    }

    /// The condition it was taken under.
    #[must_use]
    pub fn condition(&self) -> Condition {
        self.condition
    }

    /// Its name, as results tell it.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
}

/// What came of [`compare_captures`].
#[derive(Debug)]
#[non_exhaustive]
pub struct ComparedCaptures {
    /// The comparison of those that could be measured, or the error of [`compare`]: `BadOption` where fewer than two
    /// conditions are left.
    pub comparison: Result<Comparison, Error>,
    /// Captures that could not be, each by its 0-based place among the sources.
    pub failed: Vec<(usize, Error)>,
    /// What was measured under each condition, in the order of the sources; no entry where nothing was.
    pub measurements: BTreeMap<Condition, Vec<Measurement>>,
}

/// Measures captures, finds what they have in common, measures again in that band and with those orders
/// what was measured otherwise, and compares the conditions. Captures are measured on all cores with the feature `parallel`.
///
/// A capture that cannot be measured costs only itself: it is told in [`ComparedCaptures::failed`] and
/// in [`Comparison::left_out`].
///
/// ```
/// use humsieve::comparison::{CaptureSource, CompareOptions, compare_captures};
/// use humsieve::{Capture, Condition, MeasureOptions, MemorySource};
///
/// let capture = |hum: f64| {
///     let samples: Vec<f64> = (0..5000)
///         .map(|n| f64::from(n) / 5000.0)
///         .map(|t| hum * (std::f64::consts::TAU * 50.02 * t).cos() + 1e-4 * (1e6 * t * t).sin())
///         .collect();
///     Capture::from_samples("bench", 5000.0, &samples)
/// };
/// let (looped, isolated) = (capture(20e-3)?, capture(0.2e-3)?);
/// let sources = vec![
///     CaptureSource::record(Condition::Looped, MemorySource::new(&looped)),
///     CaptureSource::record(Condition::Isolated, MemorySource::new(&isolated)),
/// ];
/// let compared = compare_captures(sources, &MeasureOptions::default(), &CompareOptions::default());
/// let comparison = compared.comparison?;
/// let improvement = comparison.quantity("hum_rms").and_then(|q| q.improvement_db);
/// assert!(improvement.is_some_and(|ratio| (39.0..40.0).contains(&ratio.low)));
/// # Ok::<(), humsieve::Error>(())
/// ```
#[must_use]
pub fn compare_captures(
    mut sources: Vec<CaptureSource<'_>>,
    options: &MeasureOptions,
    compare_options: &CompareOptions,
) -> ComparedCaptures {
    let mut by_condition: BTreeMap<Condition, Vec<Measurement>> = BTreeMap::new();
    let mut failed = Vec::new();
    let mut left_out = Vec::new();
    let outcomes = measure_alike(&mut sources, options);
    for (index, (source, outcome)) in sources.iter().zip(outcomes).enumerate() {
        match outcome {
            Ok(found) => by_condition
                .entry(source.condition)
                .or_default()
                .extend(found),
            Err(error) => {
                let why = error.message_with_position();
                let capture = (source.name.as_str(), "");
                left_out.extend(LeftOut::of(capture, source.condition, &ALL, &why));
                failed.push((index, error));
            }
        }
    }
    let comparison = if by_condition.len() < 2 {
        Err(too_few_conditions())
    } else {
        compare(&by_condition, compare_options)
    };
    ComparedCaptures {
        comparison: comparison.map(|mut comparison| {
            comparison.left_out.splice(0..0, left_out);
            comparison
        }),
        failed,
        measurements: by_condition,
    }
}

/// Measures captures, and again in the band and with the orders that all share those that were measured
/// otherwise: what [`compare`] rests on, an outcome for each source.
#[must_use]
pub fn measure_alike(
    sources: &mut [CaptureSource<'_>],
    options: &MeasureOptions,
) -> Vec<Result<Vec<Measurement>, Error>> {
    let detail = Detail {
        third_octaves: true,
        ..options.detail
    };
    let options = &MeasureOptions {
        detail,
        ..options.clone()
    };
    let mut outcomes: Vec<_> = sources
        .par_iter_mut()
        .map(|source| (source.measure)(options))
        .collect();
    let usable = outcomes.iter().flatten().flatten();
    let Some(ground) = CommonGround::of(usable) else {
        return outcomes;
    };
    let options = ground.apply(options);
    sources
        .par_iter_mut()
        .zip(&mut outcomes)
        .filter(|(source, outcome)| {
            source.repeatable && outcome.iter().flatten().any(|m| !ground.holds(m))
        })
        .for_each(|(source, outcome)| *outcome = (source.measure)(&options));
    outcomes
}
