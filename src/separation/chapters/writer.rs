//! Chapters faded into each other and written.

use super::channel_findings::ChannelFindings;
use super::cutting::BLOCK_FRAMES;
use super::offsets::Offsets;
use super::plan::Plan;
use super::worked::Item;
use crate::Error;
use crate::capture::FrameSink;
use crate::separation::options::{Keep, Offset, SeparateOptions};
use ndarray::Array2;

/// Writes chapters in their order and gathers what is found in them.
pub(super) struct Writer<'a> {
    plan: &'a Plan,
    offsets: &'a Offsets,
    options: &'a SeparateOptions,
    findings: Vec<ChannelFindings>,
    /// Interference as the last chapter sees it where the next one begins.
    tails: Vec<Vec<f64>>,
    block: Array2<f64>,
}

impl<'a> Writer<'a> {
    /// A writer for a record of so many chapters.
    pub(super) fn new(
        plan: &'a Plan,
        offsets: &'a Offsets,
        options: &'a SeparateOptions,
        chapters: usize,
    ) -> Self {
        let targets = plan.targets.len();
        Self {
            plan,
            offsets,
            options,
            findings: plan
                .targets
                .iter()
                .map(|_| ChannelFindings::new(chapters))
                .collect(),
            tails: vec![Vec::new(); targets],
            block: Array2::zeros((targets, BLOCK_FRAMES)),
        }
    }

    /// What was found of each target.
    pub(super) fn into_findings(self) -> Vec<ChannelFindings> {
        self.findings
    }

    pub(super) fn write(
        &mut self,
        items: &mut [Item],
        sink: &mut dyn FrameSink,
    ) -> Result<(), Error> {
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
            let channel = &self.offsets.channels[target];
            let found = &mut self.findings[t];
            let start_s = chapter.start as f64 / self.plan.rate_hz;
            let own = worked.findings.own_offset;
            found.add(worked.findings, chapter.frames, start_s);
            if chapter.start == 0 {
                found.offset = match self.options.offset {
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
            let offset = found.offset;
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
