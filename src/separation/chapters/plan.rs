//! What is to be done with a record: method, channels, templates, length of the chapters.

use super::cutting::{BLOCK_FRAMES, append};
use crate::capture::{CaptureHeader, FrameSource, read_frames};
use crate::separation::fit::Course;
use crate::separation::methods::Template;
use crate::separation::options::{HarmonicOptions, Keep, MethodChoice, SeparateOptions};
use crate::separation::result::Method;
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;

/// Samples, over all channels, of a chapter.
const CHAPTER_SAMPLES: usize = 1 << 19;
/// Fewest frames of a chapter of very many channels.
const FEWEST_FRAMES: usize = 1 << 12;
/// Two chapters share this much, s; one fades into the other there.
const OVERLAP_S: f64 = 0.5;

/// What is to be done.
pub(crate) struct Plan {
    pub(crate) method: Method,
    pub(crate) targets: Vec<usize>,
    /// References, or the second tip.
    pub(crate) others: Vec<usize>,
    pub(super) templates: Vec<Template>,
    /// How the mains runs in each channel of which that was measured.
    pub(crate) courses: Vec<Option<Course>>,
    pub(super) harmonic: HarmonicOptions,
    /// Frames of a chapter, and those that two of them share.
    pub(super) chapter: usize,
    pub(super) overlap: usize,
    pub(super) rate_hz: f64,
    pub(super) why: &'static str,
}

impl Plan {
    /// A plan for a record with this `header` and so many frames.
    pub(crate) fn new(
        header: &CaptureHeader,
        template: Option<&mut dyn FrameSource>,
        options: &SeparateOptions,
        frames: usize,
    ) -> Result<Self, Error> {
        let (method, why) = method_of(options, template.is_some());
        let others = other_channels(header, method, options)?;
        let targets = targets(header, &others, options)?;
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
        let at_once = (CHAPTER_SAMPLES / header.channels.len()).max(FEWEST_FRAMES);
        let overlap = ((OVERLAP_S * rate_hz) as usize).clamp(1, (at_once / 8).max(1));
        let chapters = frames.div_ceil(at_once.max(1)).max(1);
        let chapter = frames.div_ceil(chapters) + if chapters > 1 { overlap } else { 0 };
        Ok(Self {
            method,
            targets,
            others,
            templates,
            courses: vec![None; header.channels.len()],
            harmonic,
            chapter,
            overlap,
            rate_hz,
            why,
        })
    }

    /// Tells of a mains frequency above half the rate: its hum stands elsewhere and is left.
    pub(crate) fn folded_mains(&self) -> Option<Warning> {
        let nominals = self.harmonic.mains.nominals_hz();
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
        Some(WarningCode::FoldedMains.warning(format!(
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
}

fn bad(message: &str) -> Error {
    ErrorKind::BadOption.error(message)
}

/// The method, and why it was chosen.
fn method_of(options: &SeparateOptions, has_template: bool) -> (Method, &'static str) {
    match options.method {
        MethodChoice::Auto if options.minus.is_some() => {
            (Method::Difference, "a channel to subtract was named")
        }
        MethodChoice::Auto if !options.references.is_empty() => {
            (Method::Reference, "a reference channel was named")
        }
        MethodChoice::Auto if has_template => (Method::Template, "a template was given"),
        MethodChoice::Auto => (
            Method::Harmonic,
            "neither a template nor another channel was named",
        ),
        MethodChoice::Harmonic => (Method::Harmonic, "asked for"),
        MethodChoice::Template => (Method::Template, "asked for"),
        MethodChoice::Reference => (Method::Reference, "asked for"),
        MethodChoice::Difference => (Method::Difference, "asked for"),
    }
}

/// The references or the second tip of a method that needs them.
fn other_channels(
    header: &CaptureHeader,
    method: Method,
    options: &SeparateOptions,
) -> Result<Vec<usize>, Error> {
    let found = match (method, &options.minus) {
        (Method::Harmonic | Method::Template, _) => return Ok(Vec::new()),
        (Method::Reference, _) => references(header, &options.references)?,
        (Method::Difference, Some(minus)) => vec![header.find_channel(minus)?],
        (Method::Difference, None) => {
            return Err(bad("the difference method needs the channel to subtract"));
        }
    };
    if options.keep == Keep::Mains {
        return Err(bad(
            "this method does not tell mains from other interference; keep the interference, or \
             separate without another channel",
        ));
    }
    Ok(found)
}

/// The channels that are named as references, each once.
fn references(header: &CaptureHeader, named: &[String]) -> Result<Vec<usize>, Error> {
    let mut found = Vec::new();
    for text in named {
        for channel in header.find_listed(text)? {
            if found.contains(&channel) {
                return Err(ErrorKind::BadOption.error(format!(
                    "the channel '{}' is named twice as a reference; name each reference once",
                    header.channels[channel].name
                )));
            }
            found.push(channel);
        }
    }
    if found.is_empty() {
        return Err(bad(
            "the reference method needs the name of the reference channel",
        ));
    }
    Ok(found)
}

/// Channels to separate.
fn targets(
    header: &CaptureHeader,
    others: &[usize],
    options: &SeparateOptions,
) -> Result<Vec<usize>, Error> {
    let mut targets = header.find_channels(&options.channels)?;
    if options.channels.is_empty() {
        targets.retain(|c| !others.contains(c));
    } else if let Some(itself) = targets.iter().find(|c| others.contains(c)) {
        return Err(ErrorKind::BadOption.error(format!(
            "the channel '{}' cannot be separated by means of itself; name another channel for it, or leave it out of those to \
             separate",
            header.channels[*itself].name
        )));
    }
    if targets.is_empty() {
        return Err(bad(
            "the capture has no channel beside those named; one at least is needed to be separated",
        ));
    }
    Ok(targets)
}

/// One template a target: the channel of the same number, or the only one.
fn load_template(
    source: &mut dyn FrameSource,
    targets: &[usize],
    options: &HarmonicOptions,
) -> Result<Vec<Template>, Error> {
    source.header().check()?;
    source.rewind()?;
    let channels = source.header().channels.len();
    let mut rows = vec![Vec::new(); channels];
    let block_frames = source.header().block_frames(BLOCK_FRAMES);
    let mut block = Array2::zeros((channels, block_frames));
    while rows[0].len() < CHAPTER_SAMPLES / channels {
        let count = read_frames(source, &mut block)?;
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
                ErrorKind::NoSuchChannel
                    .error(format!("the template has no channel {}", target + 1))
            })?;
            Template::new(samples, rate, options)
        })
        .collect::<Result<_, Error>>()
        .map_err(|e| e.in_file(name))
}
