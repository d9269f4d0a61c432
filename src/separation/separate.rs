//! From a source of blocks to a sink of blocks, chapter by chapter.

use super::account::Place;
use super::chapters::{BLOCK_FRAMES, append};
use super::continuation::Lead;
use super::conveyor::run;
use super::difference::separate_difference;
use super::harmonic::{Centred, HarmonicOptions, separate_hum};
use super::options::{Keep, MethodChoice, SeparateOptions};
use super::reference::separate_reference;
use super::result::{Findings, Method, Separation};
use super::survey::{Survey, survey};
use super::template::{Template, separate_template};
use crate::capture::FrameSink;
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;

/// Samples, over all channels, of a chapter.
const CHAPTER_SAMPLES: usize = 1 << 19;
/// Two chapters share this much, s; one fades into the other there.
const OVERLAP_S: f64 = 0.5;

/// Takes the interference out of `source` and writes the component that `options` keeps.
///
/// Every selected channel gives one [`Separation`]. A record of any length is worked in chapters of
/// half a million samples that fade into each other (bounded memory), two of them at once while others are
/// read and written; the offset is one constant for the whole record. Offset, interference and cleaned
/// capture add up to the input.
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
    source.header().time_base.check()?;
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
    let mut input_warnings = input_warnings;
    input_warnings.extend(plan.folded_mains());
    Ok(plan
        .targets
        .iter()
        .zip(accounts)
        .map(|(target, account)| {
            let at = Place {
                header: &header,
                target: *target,
                other: plan.other,
                method: plan.method,
            };
            account.into_separation(&at, options, &survey, &input_warnings)
        })
        .collect())
}

/// What is to be done.
pub(super) struct Plan {
    pub(super) method: Method,
    pub(super) targets: Vec<usize>,
    /// Reference or second tip.
    pub(super) other: Option<usize>,
    templates: Vec<Template>,
    harmonic: HarmonicOptions,
    pub(super) chapter: usize,
    pub(super) overlap: usize,
    pub(super) rate_hz: f64,
    pub(super) why: &'static str,
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
        let harmonic = options.harmonic();
        let templates = match (method, template) {
            (Method::Template, Some(source)) => load_template(source, &targets, &harmonic)?,
            (Method::Template, None) => {
                return Err(bad(
                    "the template method needs an interference-only capture",
                ));
            }
            _ => Vec::new(),
        };
        let at_once = (CHAPTER_SAMPLES / header.channels.len()).max(1 << 12);
        let overlap = ((OVERLAP_S * rate_hz) as usize).clamp(1, (at_once / 8).max(1));
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

    /// Tells of a mains frequency above half the rate: its hum stands elsewhere and is left.
    fn folded_mains(&self) -> Option<Warning> {
        let nominals = &self.harmonic.nominal_hz;
        let rate = self.rate_hz;
        let by_series = matches!(self.method, Method::Harmonic | Method::Template);
        if !by_series || nominals.iter().any(|hz| 2.0 * hz < rate) {
            return None;
        }
        let places: Vec<String> = nominals
            .iter()
            .map(|hz| {
                format!(
                    "{hz} Hz at {:.4} Hz",
                    (hz - rate * (hz / rate).round()).abs()
                )
            })
            .collect();
        Some(Warning::new(
            WarningCode::FoldedMains,
            format!(
                "the sample rate of {rate} Hz is below twice the mains frequency: hum would stand folded ({}) and \
                 was not taken out; take the capture at more than twice the mains frequency",
                places.join(", ")
            ),
        ))
    }

    /// Unit that the interference's own offset is told in, against the channel's `unit`: a template tells it as it is.
    pub(super) fn offset_unit(&self, unit: f64) -> f64 {
        if self.method == Method::Template {
            unit
        } else {
            1.0
        }
    }

    /// Puts the interference in one target of a chapter into `hum`; returns what is known of it, and what the
    /// next chapter may start from.
    pub(super) fn interference(
        &self,
        target: usize,
        rows: &mut [Vec<f64>],
        lead: Option<&Lead>,
        hum: &mut Vec<f64>,
    ) -> Result<(Findings, Option<Lead>), Error> {
        if self.method == Method::Harmonic {
            let samples = &mut rows[self.targets[target]];
            return Ok(separate_hum(
                samples,
                self.rate_hz,
                &self.harmonic,
                lead,
                hum,
            ));
        }
        let samples = &rows[self.targets[target]];
        let found;
        (*hum, found) = match (self.method, self.other) {
            (Method::Reference, Some(other)) => separate_reference(
                &Centred::new(samples),
                &Centred::new(&rows[other]),
                self.rate_hz,
                &self.harmonic,
            ),
            (Method::Difference, Some(other)) => separate_difference(
                &Centred::new(samples),
                &Centred::new(&rows[other]),
                self.rate_hz,
            ),
            _ => separate_template(
                &Centred::new(samples),
                self.rate_hz,
                &self.templates[target],
                &self.harmonic,
            )?,
        };
        Ok((found, None))
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
    let mut rows = vec![Vec::new(); channels];
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((channels, block_frames));
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
            let samples = rows.get(row).ok_or_else(|| {
                Error::new(
                    ErrorKind::NoSuchChannel,
                    format!("the template has no channel {}", target + 1),
                )
            })?;
            Template::new(samples, rate, options)
        })
        .collect::<Result<_, Error>>()
        .map_err(|e| e.in_file(name))
}
