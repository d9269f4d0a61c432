//! Chapters on their way: read, worked, faded into each other, written.

use super::account::Account;
use super::chapters::{BLOCK_FRAMES, Chapter, Chapters};
use super::continuation::Lead;
use super::options::{Keep, Offset, SeparateOptions};
use super::result::Findings;
use super::separate::Plan;
use super::survey::{Survey, Surveyed};
use crate::Error;
use crate::capture::FrameSink;
use crate::capture::FrameSource;
use ndarray::Array2;
use rayon::prelude::*;

/// Chapters that are worked at once. They start from one and the same chapter before them, so that the
/// result does not depend on the number of threads.
const AT_ONCE: usize = 2;

/// A chapter and what comes of it, one result a target.
#[derive(Default)]
struct Item {
    chapter: Chapter,
    results: Vec<Result<Worked, Error>>,
}

/// What becomes of one target of a chapter, whose row then holds what is kept of it.
#[derive(Default)]
struct Worked {
    /// Interference where the chapter before, and the one after, share this one's frames.
    head: Vec<f64>,
    tail: Vec<f64>,
    /// Mean of what the interference leaves, of a record of one chapter.
    mean_rest: f64,
    findings: Findings,
    lead: Option<Lead>,
}

/// Works a record chapter by chapter; returns one account a target.
pub(super) fn run(
    source: &mut dyn FrameSource,
    plan: &Plan,
    survey: &Survey,
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<Vec<Account>, Error> {
    let mut chapters = Chapters::new(source, survey.frames, plan.chapter, plan.overlap)?;
    let count = survey.frames / plan.chapter.saturating_sub(plan.overlap).max(1) + 1;
    let mut writer = Writer {
        plan,
        survey,
        options,
        accounts: plan.targets.iter().map(|_| Account::new(count)).collect(),
        tails: vec![Vec::new(); plan.targets.len()],
        block: Array2::zeros((plan.targets.len(), BLOCK_FRAMES)),
    };
    let mut leads: Vec<Option<Lead>> = vec![None; plan.targets.len()];
    let mut hums = vec![Vec::new(); AT_ONCE];
    let mut done = Vec::new();
    // The first one goes alone: those after it start from it.
    let mut waiting = read(&mut chapters, Vec::new(), 1)?;
    while !waiting.is_empty() {
        let next = rayon::in_place_scope(|scope| {
            let (items, leads, hums) = (&mut waiting, &leads, &mut hums);
            scope.spawn(move |_| {
                items
                    .par_iter_mut()
                    .zip(hums)
                    .for_each(|(item, hum)| work(item, (plan, survey), leads, options.keep, hum));
            });
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
    let mut accounts = writer.accounts;
    for account in &mut accounts {
        account.explain(format!("chosen because: {}", plan.why));
    }
    Ok(accounts)
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

/// Separates every target of a chapter, by way of `hum`, and puts what is kept into its row, in the survey's unit.
fn work(
    item: &mut Item,
    (plan, survey): (&Plan, &Survey),
    leads: &[Option<Lead>],
    keep: Keep,
    hum: &mut Vec<f64>,
) {
    item.results.clear();
    for (row, channel) in item.chapter.rows.iter_mut().zip(&survey.channels) {
        if channel.unit != 1.0 {
            row.iter_mut().for_each(|v| *v /= channel.unit);
        }
    }
    if let Some(other) = plan.other {
        mark(&mut item.chapter.rows[other], &survey.channels[other]);
    }
    for (t, target) in plan.targets.iter().enumerate() {
        let channel = &survey.channels[*target];
        let as_read = (channel.clipped.count() > 0).then(|| item.chapter.rows[*target].clone());
        mark(&mut item.chapter.rows[*target], channel);
        let result = plan.interference(t, &mut item.chapter.rows, leads[t].as_ref(), hum);
        let row = &mut item.chapter.rows[*target];
        if let Some(as_read) = as_read {
            *row = as_read;
        }
        let only = item.chapter.start == 0 && item.chapter.last;
        item.results.push(result.map(|(findings, lead)| {
            let overlap = plan.overlap.min(hum.len() / 2);
            let worked = Worked {
                head: hum[..overlap].to_vec(),
                tail: hum[hum.len() - overlap..].to_vec(),
                mean_rest: if only { mean_rest(row, hum) } else { 0.0 },
                findings,
                lead,
            };
            match keep {
                Keep::Cleaned => row.iter_mut().zip(&*hum).for_each(|(x, h)| *x -= h),
                Keep::Interference | Keep::Mains => row.copy_from_slice(hum),
                Keep::Offset => {}
            }
            worked
        }));
    }
}

/// Marks the samples at the limit of the range as overload: they tell the fit nothing.
fn mark(row: &mut [f64], channel: &Surveyed) {
    if channel.clipped.count() == 0 {
        return;
    }
    for v in row
        .iter_mut()
        .filter(|v| channel.rails.beyond(**v * channel.unit))
    {
        *v = f64::INFINITY.copysign(*v);
    }
}

/// Mean of what the interference leaves.
fn mean_rest(samples: &[f64], hum: &[f64]) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for (x, h) in samples.iter().zip(hum) {
        if x.is_finite() {
            sum += x - h;
            count += 1;
        }
    }
    sum / count.max(1) as f64
}

/// Writes chapters in their order and keeps account of them.
struct Writer<'a> {
    plan: &'a Plan,
    survey: &'a Survey,
    options: &'a SeparateOptions,
    accounts: Vec<Account>,
    /// Interference as the last chapter sees it where the next one begins.
    tails: Vec<Vec<f64>>,
    block: Array2<f64>,
}

impl Writer<'_> {
    fn write(&mut self, items: &mut [Item], sink: &mut dyn FrameSink) -> Result<(), Error> {
        for item in items {
            self.write_chapter(item, sink)?;
        }
        Ok(())
    }

    fn write_chapter(&mut self, item: &mut Item, sink: &mut dyn FrameSink) -> Result<(), Error> {
        let chapter = &mut item.chapter;
        let keep = self.options.keep;
        let mut kept = 0;
        for (t, result) in item.results.drain(..).enumerate() {
            let worked = result?;
            let target = self.plan.targets[t];
            let channel = &self.survey.channels[target];
            let account = &mut self.accounts[t];
            let start_s = chapter.start as f64 / self.plan.rate_hz;
            let own = worked.findings.own_offset;
            account.add(worked.findings, chapter.frames, start_s);
            if chapter.start == 0 {
                account.offset = match self.options.offset {
                    Offset::Own => own.unwrap_or(0.0) / self.plan.offset_unit(channel.unit),
                    Offset::Keep => 0.0,
                    Offset::Value(offset) => offset / channel.unit,
                    Offset::Remove if chapter.last => worked.mean_rest,
                    Offset::Remove => channel.offset,
                };
            }
            let row = &mut chapter.rows[target];
            let fade = self.tails[t].len().min(worked.head.len());
            let change = |i: usize, old: f64| {
                let u = (i as f64 + 0.5) / fade as f64;
                (1.0 - u) * (old - worked.head[i])
            };
            for (i, old) in self.tails[t].iter().take(fade).enumerate() {
                match keep {
                    Keep::Cleaned => row[i] -= change(i, *old),
                    Keep::Interference | Keep::Mains => row[i] += change(i, *old),
                    Keep::Offset => {}
                }
            }
            let offset = account.offset;
            match keep {
                Keep::Offset => row.fill(offset),
                Keep::Cleaned if offset != 0.0 => row.iter_mut().for_each(|v| *v -= offset),
                _ => {}
            }
            if channel.unit != 1.0 {
                row.iter_mut().for_each(|v| *v *= channel.unit);
            }
            if !chapter.last {
                kept = worked.tail.len();
                self.tails[t] = worked.tail;
            }
        }
        let frames = chapter.frames - kept;
        for from in (0..frames).step_by(BLOCK_FRAMES) {
            let count = BLOCK_FRAMES.min(frames - from);
            for (t, target) in self.plan.targets.iter().enumerate() {
                let values = &chapter.rows[*target][from..from + count];
                match self.block.row_mut(t).into_slice() {
                    Some(out) => out[..count].copy_from_slice(values),
                    None => self
                        .block
                        .row_mut(t)
                        .iter_mut()
                        .zip(values)
                        .for_each(|(out, v)| *out = *v),
                }
            }
            sink.write_block(&self.block, count)?;
        }
        Ok(())
    }
}
