//! From a source of blocks to a sink of blocks, chapter by chapter.

use super::account::Account;
use super::chapters::{BLOCK_FRAMES, Chapters, append};
use super::difference::separate_difference;
use super::harmonic::{Centred, HarmonicOptions, separate_hum};
use super::options::{Keep, MethodChoice, SeparateOptions};
use super::reference::separate_reference;
use super::result::{Findings, Method, Separation};
use super::sink::FrameSink;
use super::template::{Template, separate_template};
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, ErrorKind};
use ndarray::Array2;
use rayon::prelude::*;
use std::collections::VecDeque;

/// Samples, over all channels, of a chapter; as many chapters as there are threads are worked at once.
const CHAPTER_SAMPLES: usize = 1 << 19;
/// Two chapters share this much, s; one fades into the other there.
const OVERLAP_S: f64 = 0.5;

/// Takes the interference out of `source` and writes the component that `options` keeps.
///
/// Every selected channel gives one [`Separation`]. A record of any length is worked in chapters of
/// half a million samples, all cores at once (bounded memory), that fade into each other; the offset is one constant for the whole
/// record. Offset, interference and cleaned capture add up to the input.
///
/// # Errors
/// `BadOption` and `NoSuchChannel` for settings that do not fit the capture, `BadValue` where a
/// template does not fit, and whatever source and sink report.
pub fn separate(
    source: &mut dyn FrameSource,
    template: Option<&mut dyn FrameSource>,
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<Vec<Separation>, Error> {
    options.check()?;
    let survey = survey(source)?;
    let header = source.header().clone();
    let plan = Plan::new(&header, template, options, &survey)?;
    let mut written = header.clone();
    written.channels = plan
        .targets
        .iter()
        .map(|t| header.channels[*t].clone())
        .collect();
    written.frames = Some(survey.frames as u64);
    sink.begin(&written)?;
    let accounts = run(source, &plan, &survey, options, sink)?;
    sink.finish()?;
    let input_warnings = source.warnings();
    Ok(plan
        .targets
        .iter()
        .zip(accounts)
        .map(|(target, account)| {
            account.into_separation(&header, *target, plan.method, options, &input_warnings)
        })
        .collect())
}

/// Length and offsets of a record.
struct Survey {
    frames: usize,
    offsets: Vec<f64>,
}

/// Reads the record once: its length, and offsets as means under a window that rises and falls within
/// a second, so that hum does not leak into them.
fn survey(source: &mut dyn FrameSource) -> Result<Survey, Error> {
    source.rewind()?;
    let channels = source.header().channels.len();
    let rate = source.header().time_base.sample_rate_hz;
    let ramp = rate.round().max(1.0) as usize;
    let mut block = Array2::zeros((channels, BLOCK_FRAMES));
    let mut frames = 0usize;
    let mut sums = vec![[0.0f64; 2]; channels];
    let mut plain = vec![[0.0f64; 2]; channels];
    let mut pending: Vec<[f64; 4]> = vec![[0.0; 4]; channels];
    let mut pieces = 0usize;
    loop {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        for i in 0..count {
            let at = (frames + i) % ramp;
            let whole = frames + i >= ramp;
            if at == 0 && frames + i > 0 {
                // The piece before the last is now known not to be the last: it counts in full,
                // the first one only as it rises.
                for (sum, p) in sums.iter_mut().zip(&mut pending) {
                    if pieces > 0 {
                        sum[0] += p[0];
                        sum[1] += p[1];
                    }
                    *p = [0.0; 4];
                }
                pieces += 1;
            }
            let u = std::f64::consts::FRAC_PI_2 * (at as f64 + 0.5) / ramp as f64;
            let rising = u.sin().powi(2);
            for (c, p) in pending.iter_mut().enumerate() {
                let v = block[[c, i]];
                if !v.is_finite() {
                    continue;
                }
                plain[c][0] += v;
                plain[c][1] += 1.0;
                if whole {
                    p[0] += v;
                    p[1] += 1.0;
                } else {
                    sums[c][0] += rising * v;
                    sums[c][1] += rising;
                }
            }
        }
        frames += count;
    }
    let offsets = sums
        .iter()
        .zip(&plain)
        .map(|(s, p)| {
            if pieces >= 3 && s[1] > 0.0 {
                s[0] / s[1]
            } else {
                p[0] / p[1].max(1.0)
            }
        })
        .collect();
    if frames == 0 {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "the capture holds no samples",
        ));
    }
    Ok(Survey { frames, offsets })
}

/// What is to be done.
struct Plan {
    method: Method,
    targets: Vec<usize>,
    /// Reference or second tip.
    other: Option<usize>,
    templates: Vec<Template>,
    harmonic: HarmonicOptions,
    chapter: usize,
    overlap: usize,
    rate_hz: f64,
    why: &'static str,
}

impl Plan {
    fn new(
        header: &CaptureHeader,
        template: Option<&mut dyn FrameSource>,
        options: &SeparateOptions,
        survey: &Survey,
    ) -> Result<Self, Error> {
        let bad = |message: &str| Error::new(ErrorKind::BadOption, message);
        let (method, why) = match options.method {
            MethodChoice::Auto if options.minus.is_some() => {
                (Method::Difference, "a channel to subtract was named")
            }
            MethodChoice::Auto if options.reference.is_some() => {
                (Method::Reference, "a reference channel was named")
            }
            MethodChoice::Auto if template.is_some() => (Method::Template, "a template was given"),
            MethodChoice::Auto => (
                Method::Harmonic,
                "neither a template nor another channel was named",
            ),
            MethodChoice::Harmonic => (Method::Harmonic, "asked for"),
            MethodChoice::Template => (Method::Template, "asked for"),
            MethodChoice::Reference => (Method::Reference, "asked for"),
            MethodChoice::Difference => (Method::Difference, "asked for"),
        };
        let other = match method {
            Method::Reference => Some(options.reference.as_deref().ok_or_else(|| {
                bad("the reference method needs the name of the reference channel")
            })?),
            Method::Difference => Some(
                options
                    .minus
                    .as_deref()
                    .ok_or_else(|| bad("the difference method needs the channel to subtract"))?,
            ),
            _ => None,
        };
        if matches!(method, Method::Reference | Method::Difference) && options.keep == Keep::Mains {
            return Err(bad(
                "this method does not tell mains from other interference; keep the interference, or \
                 separate without another channel",
            ));
        }
        let other = other.map(|name| find_channel(header, name)).transpose()?;
        let mut targets = Vec::new();
        for name in &options.channels {
            let channel = find_channel(header, name)?;
            if Some(channel) == other {
                return Err(bad("a channel cannot be separated by means of itself"));
            }
            if !targets.contains(&channel) {
                targets.push(channel);
            }
        }
        if options.channels.is_empty() {
            targets = (0..header.channels.len())
                .filter(|c| Some(*c) != other)
                .collect();
        }
        if targets.is_empty() {
            return Err(bad(
                "the capture has no channel beside the one named; two channels of one capture are \
                 needed",
            ));
        }
        let rate_hz = header.time_base.sample_rate_hz;
        let harmonic = HarmonicOptions {
            nominal_hz: options.nominals(),
            harmonics: options.harmonics,
            protect_hz: options.protect_hz.clone(),
        };
        let templates = match (method, template) {
            (Method::Template, Some(source)) => load_template(source, &targets, &harmonic)?,
            (Method::Template, None) => {
                return Err(bad(
                    "the template method needs an interference-only capture",
                ));
            }
            _ => Vec::new(),
        };
        let at_once = CHAPTER_SAMPLES / header.channels.len();
        let overlap = ((OVERLAP_S * rate_hz) as usize).clamp(1, at_once / 8);
        let chapters = survey.frames.div_ceil(at_once.max(1)).max(1);
        let chapter = survey.frames.div_ceil(chapters) + if chapters > 1 { overlap } else { 0 };
        Ok(Self {
            method,
            targets,
            other,
            templates,
            harmonic,
            chapter,
            overlap,
            rate_hz,
            why,
        })
    }

    fn interference(
        &self,
        target: usize,
        rows: &[Vec<f64>],
    ) -> Result<(Vec<f64>, Findings), Error> {
        let centred = Centred::new(&rows[self.targets[target]]);
        match (self.method, self.other) {
            (Method::Template, _) => separate_template(
                &centred,
                self.rate_hz,
                &self.templates[target],
                &self.harmonic,
            ),
            (Method::Reference, Some(other)) => Ok(separate_reference(
                &centred,
                &Centred::new(&rows[other]),
                self.rate_hz,
                &self.harmonic,
            )),
            (Method::Difference, Some(other)) => Ok(separate_difference(
                &centred,
                &Centred::new(&rows[other]),
                self.rate_hz,
            )),
            _ => Ok(separate_hum(&centred, self.rate_hz, &self.harmonic)),
        }
    }
}

fn find_channel(header: &CaptureHeader, name: &str) -> Result<usize, Error> {
    header
        .channels
        .iter()
        .position(|c| c.name == name)
        .or_else(|| {
            name.parse::<usize>()
                .ok()
                .and_then(|n| n.checked_sub(1))
                .filter(|n| *n < header.channels.len())
        })
        .ok_or_else(|| {
            let names: Vec<&str> = header.channels.iter().map(|c| c.name.as_str()).collect();
            Error::new(
                ErrorKind::NoSuchChannel,
                format!(
                    "there is no channel '{name}'; there are: {}",
                    names.join(", ")
                ),
            )
        })
}

/// One template a target: the channel of the same number, or the only one.
fn load_template(
    source: &mut dyn FrameSource,
    targets: &[usize],
    options: &HarmonicOptions,
) -> Result<Vec<Template>, Error> {
    source.rewind()?;
    let channels = source.header().channels.len();
    let mut rows = vec![VecDeque::new(); channels];
    let mut block = Array2::zeros((channels, BLOCK_FRAMES));
    while rows[0].len() < CHAPTER_SAMPLES / channels {
        let count = source.read_block(&mut block)?;
        if count == 0 {
            break;
        }
        append(&mut rows, &block, count);
    }
    let rate = source.header().time_base.sample_rate_hz;
    let name = source.header().name.clone();
    targets
        .iter()
        .map(|target| {
            let row = if channels == 1 { 0 } else { *target };
            let samples: Vec<f64> = rows
                .get(row)
                .ok_or_else(|| {
                    Error::new(
                        ErrorKind::NoSuchChannel,
                        format!("the template has no channel {}", target + 1),
                    )
                })?
                .iter()
                .copied()
                .collect();
            Template::new(&samples, rate, options)
        })
        .collect::<Result<_, Error>>()
        .map_err(|e| e.in_file(name))
}

fn run(
    source: &mut dyn FrameSource,
    plan: &Plan,
    survey: &Survey,
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<Vec<Account>, Error> {
    let mut chapters = Chapters::new(source, survey.frames, plan.chapter, plan.overlap)?;
    let mut accounts: Vec<Account> = plan.targets.iter().map(|_| Account::default()).collect();
    let mut tails: Vec<Vec<f64>> = vec![Vec::new(); plan.targets.len()];
    let mut start = 0usize;
    loop {
        let mut batch = Vec::new();
        while batch.len() < rayon::current_num_threads() {
            match chapters.next()? {
                Some(chapter) => batch.push(chapter),
                None => break,
            }
        }
        if batch.is_empty() {
            break;
        }
        let found: Vec<Vec<(Vec<f64>, Findings)>> = batch
            .par_iter()
            .map(|chapter| {
                (0..plan.targets.len())
                    .map(|t| plan.interference(t, &chapter.rows))
                    .collect::<Result<_, _>>()
            })
            .collect::<Result<_, Error>>()?;
        for (chapter, found) in batch.iter().zip(found) {
            let frames = chapter.rows[0].len();
            let keep = if chapter.last {
                0
            } else {
                plan.overlap.min(frames / 2)
            };
            let done = frames - keep;
            let mut parts = Vec::with_capacity(plan.targets.len());
            for (t, (mut hum, findings)) in found.into_iter().enumerate() {
                let account = &mut accounts[t];
                account.add(findings, frames, start as f64 / plan.rate_hz);
                let fade = tails[t].len().min(hum.len());
                for (i, old) in tails[t].iter().take(fade).enumerate() {
                    let u = (i as f64 + 0.5) / fade as f64;
                    hum[i] = (1.0 - u) * old + u * hum[i];
                }
                tails[t] = hum[done..].to_vec();
                if start == 0 {
                    let target = plan.targets[t];
                    account.offset = if chapter.last {
                        mean_rest(&chapter.rows[target], &hum)
                    } else {
                        survey.offsets[target]
                    };
                }
                parts.push(hum);
            }
            write(&chapter.rows, &parts, done, plan, &accounts, options, sink)?;
            start += done;
        }
    }
    for account in &mut accounts {
        account.explain(format!("chosen because: {}", plan.why));
    }
    Ok(accounts)
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

fn write(
    rows: &[Vec<f64>],
    parts: &[Vec<f64>],
    frames: usize,
    plan: &Plan,
    accounts: &[Account],
    options: &SeparateOptions,
    sink: &mut dyn FrameSink,
) -> Result<(), Error> {
    let mut block = Array2::zeros((plan.targets.len(), BLOCK_FRAMES));
    for from in (0..frames).step_by(BLOCK_FRAMES) {
        let count = BLOCK_FRAMES.min(frames - from);
        for (t, target) in plan.targets.iter().enumerate() {
            let (samples, hum) = (&rows[*target][from..], &parts[t][from..]);
            let offset = accounts[t].offset;
            for (i, out) in block.row_mut(t).iter_mut().take(count).enumerate() {
                *out = match options.keep {
                    Keep::Cleaned if options.keep_offset => samples[i] - hum[i],
                    Keep::Cleaned => samples[i] - hum[i] - offset,
                    Keep::Interference | Keep::Mains => hum[i],
                    Keep::Offset => offset,
                };
            }
        }
        sink.write_block(&block, count)?;
    }
    Ok(())
}
