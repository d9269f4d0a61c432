//! Chapters on their way: read, worked, faded into each other, written.

use super::channel_findings::ChannelFindings;
use super::cutting::Chapters;
use super::offsets::Offsets;
use super::plan::Plan;
use super::worked::{Item, work};
use super::writer::Writer;
use crate::Error;
use crate::capture::{FrameSink, FrameSource};
use crate::parallel::*;
use crate::separation::fit::Lead;
use crate::separation::options::SeparateOptions;

/// Chapters that are worked at once. They start from one and the same chapter before them, so that the
/// result does not depend on the number of threads.
const AT_ONCE: usize = 2;

/// Works a record chapter by chapter; returns what is found of each target.
pub(crate) fn run(
    source: &mut dyn FrameSource,
    plan: &Plan,
    offsets: &Offsets,
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<Vec<ChannelFindings>, Error> {
    let mut chapters = Chapters::new(source, offsets.frames, plan.chapter, plan.overlap)?;
    let count = offsets.frames / plan.chapter.saturating_sub(plan.overlap).max(1) + 1;
    let mut writer = Writer::new(plan, offsets, options, count);
    let mut leads: Vec<Option<Lead>> = vec![None; plan.targets.len()];
    let mut hums = vec![Vec::new(); AT_ONCE];
    let mut done = Vec::new();
    // The first one goes alone: those after it start from it.
    let mut waiting = read(&mut chapters, Vec::new(), 1)?;
    while !waiting.is_empty() {
        let fits = || {
            waiting
                .par_iter_mut()
                .zip(&mut hums)
                .for_each(|(item, hum)| work(item, (plan, offsets), &leads, options.keep, hum));
        };
        let next = beside(fits, || {
            writer.write(&mut done, sink)?;
            read(&mut chapters, std::mem::take(&mut done), AT_ONCE)
        })?;
        done = std::mem::replace(&mut waiting, next);
        for item in &mut done {
            for (lead, result) in leads.iter_mut().zip(&mut item.results) {
                *lead = result.as_mut().ok().and_then(|worked| worked.lead.take());
            }
        }
    }
    writer.write(&mut done, sink)?;
    let mut findings = writer.into_findings();
    for found in &mut findings {
        found.explain(format!("chosen because: {}", plan.why));
    }
    Ok(findings)
}

/// Reads the next chapters, so many, into the places of `old` ones.
fn read(chapters: &mut Chapters<'_>, mut old: Vec<Item>, count: usize) -> Result<Vec<Item>, Error> {
    old.resize_with(count, Item::default);
    let mut filled = 0;
    for item in &mut old {
        if !chapters.fill(&mut item.chapter)? {
            break;
        }
        filled += 1;
    }
    old.truncate(filled);
    Ok(old)
}
