//! From a source of blocks to a sink of blocks, chapter by chapter.

use super::chapters::{Place, Prepared, prepared, run};
use super::fit::Course;
use super::options::SeparateOptions;
use super::result::Separation;
use crate::Error;
use crate::analysis::Measurement;
use crate::capture::{FrameSink, FrameSource};

/// Takes the interference out of `source` and writes the component that `options` keeps.
///
/// Every selected channel gives one [`Separation`], in the order in which the sink gets the channels. A record of any length
/// is worked in parts of half a million samples that fade into each other (bounded memory), two of them at once while
/// others are read and written; the offset is one constant for the whole record. Offset, interference and cleaned
/// capture add up to the input. Whether mains is there, its frequency and the hum's size are those of
/// [`measure`](crate::analysis::measure()); of a channel that this refuses no hum is taken out, with a warning.
///
/// `template` is an interference-only capture with one channel or those of `source`, of which the first half a million
/// samples are used. The template method alone reads it: the one that is chosen where it is given and neither a reference
/// nor a second tip is named.
///
/// # Errors
/// `BadOption` and `NoSuchChannel` for settings that do not fit the capture, `NoSamples` without a frame, `BadValue` where
/// a template shows no series or does not fit, and whatever source and sink report.
pub fn separate(
    source: &mut dyn FrameSource,
    template: Option<&mut dyn FrameSource>,
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<Vec<Separation>, Error> {
    options.check()?;
    source.header().check()?;
    let Prepared {
        mut plan,
        offsets,
        measured,
    } = prepared(source, template, options)?;
    let header = source.header().clone();
    plan.courses = measured
        .iter()
        .map(|m| m.as_ref().and_then(Course::of))
        .collect();
    let mut written = header.clone();
    written.channels = plan
        .targets
        .iter()
        .map(|t| header.channels[*t].clone())
        .collect();
    written.frames = Some(offsets.frames as u64);
    sink.begin(&written)?;
    let findings = run(source, &plan, &offsets, options, sink)?;
    sink.finish()?;
    let mut input_warnings = source.warnings();
    input_warnings.extend(plan.folded_mains());
    Ok(plan
        .targets
        .iter()
        .zip(findings)
        .map(|(target, found)| {
            let followed = plan
                .others
                .iter()
                .filter_map(|other| measured[*other].as_ref());
            let at = Place {
                header: &header,
                target: *target,
                others: &plan.others,
                method: plan.method,
                measured: match plan.others.is_empty() {
                    true => measured[*target].as_ref(),
                    false => clearest(followed),
                },
            };
            found.into_separation(&at, options, &offsets, &input_warnings)
        })
        .collect())
}

/// The measurement that knows the mains frequency best; the first where none knows it.
fn clearest<'a>(measured: impl Iterator<Item = &'a Measurement>) -> Option<&'a Measurement> {
    let width = |one: &Measurement| match one.mains.frequency_hz {
        Some(hz) if one.mains.detected => hz.high - hz.low,
        _ => f64::INFINITY,
    };
    measured.min_by(|a, b| width(a).total_cmp(&width(b)))
}
