//! The earlier capture, or results, that each capture is held against.

use super::inputs::is_standard_input;
use super::measured::measurements;
use crate::cli::failure::Failure;
use crate::comparison::{CaptureSource, Change, measure_alike};
use crate::load::LoadOptions;
use crate::results::{self, EarlierCapture};
use crate::{Condition, Error, ErrorKind, MeasureOptions, Measurement};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// What the captures are held against.
#[derive(Debug)]
pub struct Against {
    file: PathBuf,
    known: Known,
}

#[derive(Debug)]
enum Known {
    /// Lines that were written earlier.
    Results(Vec<EarlierCapture>),
    Capture(Box<Earlier>),
}

/// A capture that is measured again where another asks for other settings.
#[derive(Debug)]
struct Earlier {
    load: LoadOptions,
    /// Whether its channels are numbered as those of the captures held against it.
    numbered: bool,
    /// By the settings of the run.
    first: MeasuredBy,
    /// By the last others that were asked for.
    last: Mutex<Option<MeasuredBy>>,
}

type MeasuredBy = (MeasureOptions, Vec<Measurement>);

/// The changes of a capture's measurements, and what is to be said where there is none.
#[derive(Debug, Default)]
pub struct Changes {
    pub changes: Vec<Option<Change>>,
    pub remarks: Vec<String>,
}

impl Against {
    /// Reads the results, or measures the capture.
    pub fn read(
        file: &Path,
        load: &LoadOptions,
        options: &MeasureOptions,
    ) -> Result<Self, Failure> {
        let unusable = |reason: String| {
            Failure::Usage(format!(
                "--against '{}' cannot be used: {reason}; name a capture that measure reads, or a .jsonl that \
                 it wrote",
                file.display()
            ))
        };
        let because = |error: Error| unusable(error.message_with_position());
        if is_standard_input(file) {
            return Err(unusable("standard input can be read only once".into()));
        }
        if file.is_dir() {
            return Err(unusable("it is a folder".into()));
        }
        let known = if results::is_results(file) {
            Known::Results(results::read(file).map_err(because)?)
        } else {
            Known::Capture(Box::new(
                Earlier::measure(file, load, options).map_err(because)?,
            ))
        };
        Ok(Self {
            file: file.to_path_buf(),
            known,
        })
    }

    /// What changed in each of the measurements `found` of a capture, with `again` measured on common ground
    /// where they are not.
    pub fn changes(
        &self,
        path: &Path,
        found: &[Measurement],
        options: &MeasureOptions,
        again: impl Fn(&MeasureOptions) -> Result<Vec<Measurement>, Error> + Send,
    ) -> Changes {
        let outcome = self.earlier(path).and_then(|that| {
            let mut first = Some(found.to_vec());
            let name = path.to_string_lossy();
            let this = CaptureSource::by(Condition::Looped, name, move |options| {
                first.take().map_or_else(|| again(options), Ok)
            });
            let this = if is_standard_input(path) {
                this.once()
            } else {
                this
            };
            let mut outcomes = measure_alike(&mut [this, that], options).into_iter();
            let mut next = || outcomes.next().unwrap_or_else(|| Ok(Vec::new()));
            Ok((next()?, next()?))
        });
        match outcome {
            Ok((this, that)) => self.matched(&this, &that, options),
            Err(error) => Changes {
                changes: vec![None; found.len()],
                remarks: vec![format!(
                    "{}: no change is told: {}",
                    path.display(),
                    error.message_with_position()
                )],
            },
        }
    }

    /// The capture to be compared with one of this name.
    fn earlier(&self, path: &Path) -> Result<CaptureSource<'_>, Error> {
        let name = self.file.to_string_lossy();
        let all = match &self.known {
            Known::Capture(earlier) => {
                let measure = |options: &MeasureOptions| earlier.measured(&self.file, options);
                return Ok(CaptureSource::by(Condition::Baseline, name, measure));
            }
            Known::Results(all) => all,
        };
        let same_path = |c: &&EarlierCapture| Path::new(&c.file) == path;
        let same_name = |c: &&EarlierCapture| Path::new(&c.file).file_name() == path.file_name();
        let capture = match all.as_slice() {
            [only] => Some(only),
            several => {
                let mut named = several.iter().filter(same_name);
                let only = named.next().filter(|_| named.next().is_none());
                several.iter().find(same_path).or(only)
            }
        };
        let capture = capture.ok_or_else(|| {
            ErrorKind::NotFound.error(format!(
                "of the {} captures in {name} none is named like it",
                all.len()
            ))
        })?;
        let outcome = capture.outcome.clone();
        Ok(CaptureSource::measured(
            Condition::Baseline,
            &*name,
            outcome,
        ))
    }

    /// Channels are matched by name, else by number.
    fn matched(
        &self,
        this: &[Measurement],
        that: &[Measurement],
        options: &MeasureOptions,
    ) -> Changes {
        let mut names: Vec<&str> = this.iter().map(|m| m.channel.as_str()).collect();
        names.dedup();
        let numbered = match &self.known {
            Known::Results(_) => options.channels.is_empty(),
            Known::Capture(earlier) => earlier.numbered,
        };
        let counterpart = |m: &Measurement| {
            let by_name = that.iter().find(|other| other.channel == m.channel);
            by_name.or_else(|| {
                let place = names.iter().position(|name| *name == m.channel)?;
                let other = that.get(place).filter(|_| numbered)?;
                (!names.contains(&other.channel.as_str())).then_some(other)
            })
        };
        let mut found = Changes::default();
        for m in this {
            let change = match counterpart(m) {
                Some(other) => Change::of(m, other, options.confidence)
                    .map_err(|error| format!("no change is told: {error}")),
                None => Err(format!(
                    "no change is told: {} has no channel of that name or number",
                    self.file.display()
                )),
            };
            if let Err(why) = &change {
                let remark = format!("{}, channel {}: {why}", m.file, m.channel);
                if found.remarks.last() != Some(&remark) {
                    found.remarks.push(remark);
                }
            }
            found.changes.push(change.ok());
        }
        found
    }
}

impl Earlier {
    fn measure(file: &Path, load: &LoadOptions, options: &MeasureOptions) -> Result<Self, Error> {
        let mut own = whole(options);
        // as for every comparison
        own.detail.third_octaves = true;
        let mut found = measurements(file, load, &own);
        let lacks = |error: &Error| error.kind() == ErrorKind::NoSuchChannel;
        let numbered = !found.as_ref().err().is_some_and(lacks);
        if !numbered {
            own.channels.clear();
            found = measurements(file, load, &own);
        }
        Ok(Self {
            load: load.clone(),
            numbered,
            first: (own, found?),
            last: Mutex::new(None),
        })
    }

    fn measured(&self, file: &Path, options: &MeasureOptions) -> Result<Vec<Measurement>, Error> {
        let mut options = whole(options);
        if !self.numbered {
            options.channels.clear();
        }
        if self.first.0 == options {
            return Ok(self.first.1.clone());
        }
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((known, found)) = &*last
            && *known == options
        {
            return Ok(found.clone());
        }
        let found = measurements(file, &self.load, &options)?;
        *last = Some((options, found.clone()));
        Ok(found)
    }
}

/// The settings for a record as a whole.
fn whole(options: &MeasureOptions) -> MeasureOptions {
    MeasureOptions {
        every_s: None,
        ..options.clone()
    }
}
