//! Reading captures: text tables as any instrument, logger, meter or spreadsheet writes them, and WAV
//! recordings.
//!
//! A text table is understood from its own front: character encoding, delimiter and decimal mark from
//! the rows of numbers, names and units from the header, rate, range, coupling and scale from the
//! preamble's general words. Nothing depends on who wrote the file.
//!
//! Rules that decide where a file leaves room:
//! - The rate: the user's option, else the time column, else the preamble; a preamble that agrees with a
//!   coarse time column is the more precise.
//! - A stamp may lie half a sample interval off the even grid (beyond its own rounding) before reading
//!   stops; gaps of whole intervals are filled with missing samples, up to a tenth of the rows so far.
//! - Converter counts become volts as `(count - reference) * scale + offset`.
//! - The same names again, the time running on, are the head of a page; else a second record begins. Files of
//!   more than 32 MiB are not searched for further records.
//! - A prefix without its unit (`134.5m`) scales the number; units in the cells count row by row.
//! - Closing words and figures are left out, many of them with a warning that counts them; words with rows
//!   behind them are a fault, and so are rows that another mark parts than the rest.
//! - A column is a time base because a word or a unit in its own place says so; `x`, `t` and a name that ends
//!   in a unit of time must run on as times do.
//! - Lines of more than 16 MiB are refused, rates out of 1e-6 to 1e12 Hz likewise. Memory follows what is
//!   there, never what a header claims.
//! - Marks between thousands are read where the table cannot be read without them; where commas serve both
//!   as those and as delimiter the table is refused.

mod ahead;
mod assembly;
mod bytes;
mod cell;
mod clock;
mod columns;
mod detection;
mod dialect;
mod explanation;
mod fact;
mod findings;
mod folder;
mod groups;
mod head;
mod header;
mod kinds;
mod layout;
mod meaning;
mod names;
mod number;
mod pieces;
mod plain_row;
mod plan;
mod quantity;
mod records;
mod refusal;
mod roles;
mod row;
mod row_time;
mod scaling;
mod setting;
mod shape;
mod shown;
mod sniff;
mod stamps;
mod statements;
mod table;
mod text;
mod time_base;
mod time_claims;
mod time_column;
mod transposed;
mod unit;
mod wav;
mod wave_format;
mod window;

pub use explanation::{ColumnExplanation, Explanation, StatementExplanation};
pub use folder::find_captures;
pub use meaning::Meaning;

use crate::capture::{Capture, Coupling, FrameSource, RateOrigin, TimeBase};
use crate::{Error, ErrorKind};
use ahead::{AHEAD_FROM_BYTES, Ahead};
use bytes::Store;
use sniff::Kind;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What the user knows better than the file.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadOptions {
    /// Overrides the file's sample rate, Hz, or supplies a missing one.
    pub sample_rate_hz: Option<f64>,
    /// Unit of the values where the file does not say (`V` by default).
    pub unit: Option<String>,
    /// Multiplies every value (probe attenuation, ADC gain); 1 by default.
    pub scale: f64,
    /// The plus or minus range of the instrument, V: digital full scale of WAV recordings (1 V by
    /// default), the clipping limit of text captures. `scale` applies to it as to the values.
    pub full_scale_v: Option<f64>,
    /// Input coupling the capture was taken with.
    pub coupling: Option<Coupling>,
    /// Reads every row in full generality instead of taking the fast path for plain rows. The samples
    /// are the same; meant for checking just that.
    pub general_only: bool,
}

impl Default for LoadOptions {
    fn default() -> Self {
        Self {
            sample_rate_hz: None,
            unit: None,
            scale: 1.0,
            full_scale_v: None,
            coupling: None,
            general_only: false,
        }
    }
}

impl LoadOptions {
    /// Checks the ranges of the options.
    ///
    /// # Errors
    /// `BadOption` for a rate out of [`SAMPLE_RATE_LIMITS_HZ`](crate::capture::SAMPLE_RATE_LIMITS_HZ), a full
    /// scale that is not positive and finite, or a scale that is 0 or not finite.
    pub fn check(&self) -> Result<(), Error> {
        let positive = |value: Option<f64>| value.is_none_or(|v| v.is_finite() && v > 0.0);
        let bad = |message: &str| Err(Error::new(ErrorKind::BadOption, message));
        if let Some(rate) = self.sample_rate_hz {
            TimeBase::from_rate(rate, RateOrigin::User).check()?;
        }
        if !positive(self.full_scale_v) {
            return bad("the full scale must be positive and finite");
        }
        if !self.scale.is_finite() || self.scale == 0.0 {
            return bad("the scale must be finite and not 0");
        }
        Ok(())
    }
}

/// Opens a capture file: usually one source, several where one file holds several records. `-` is
/// standard input.
///
/// Only the front of the file is read; memory stays bounded whatever the file's length. Blocks of a long
/// text are read one ahead where the pool of the calling thread has more than one thread.
///
/// # Errors
/// `NotFound`, `Unreadable`, `UnsupportedFormat`, `NoSamples`, `NoSampleRate`, `UnevenSampling`,
/// `BadValue`, `TooShort` or `BadOption`, with the file and, where there is one, the place in it.
///
/// ```
/// use humsieve::load::{open, LoadOptions};
/// # let folder = tempfile::tempdir()?;
/// # let path = folder.path().join("bench.csv");
/// std::fs::write(&path, "Time (ms),Bridge (mV)\n0,1.5\n1,1.7\n2,1.6\n")?;
/// let sources = open(&path, &LoadOptions::default())?;
/// let header = sources[0].header();
/// assert_eq!(header.time_base.sample_rate_hz, 1000.0);
/// assert_eq!(header.channels[0].name, "Bridge");
/// assert_eq!(header.channels[0].unit, "V");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn open(path: &Path, options: &LoadOptions) -> Result<Vec<Box<dyn FrameSource>>, Error> {
    open_any(path, options)
        .map(Opened::into_sources)
        .map_err(|error| error.in_file(path))
}

/// Opens a capture from its bytes, as [`open`] does a file's. `name` stands for the file in the header, in
/// errors and in warnings.
///
/// # Errors
/// As [`open`].
///
/// ```
/// use humsieve::load::{bytes, LoadOptions};
/// let table = b"time,V\n0.000,1.5\n0.001,1.7\n0.002,1.6\n";
/// let sources = bytes("bench", table, &LoadOptions::default())?;
/// assert_eq!(sources[0].header().time_base.sample_rate_hz, 1000.0);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn bytes(
    name: impl Into<String>,
    bytes: &[u8],
    options: &LoadOptions,
) -> Result<Vec<Box<dyn FrameSource>>, Error> {
    let origin = Origin::named(name.into());
    let store = Store::of_bytes(bytes.to_vec());
    open_store(&origin, store, options)
        .map(Opened::into_sources)
        .map_err(|error| error.in_file(&origin.path))
}

/// Opens a capture from a stream, which is read to its end: a long one is kept in a temporary file without a
/// name. `name` stands for the file in the header, in errors and in warnings.
///
/// # Errors
/// As [`open`], and `Unreadable` where the stream fails.
///
/// ```
/// use humsieve::load::{read, LoadOptions};
/// let stream = std::io::Cursor::new("time,V\n0.000,1.5\n0.001,1.7\n0.002,1.6\n");
/// let sources = read("bench", stream, &LoadOptions::default())?;
/// assert_eq!(sources[0].header().name, "bench");
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn read(
    name: impl Into<String>,
    stream: impl Read + Send,
    options: &LoadOptions,
) -> Result<Vec<Box<dyn FrameSource>>, Error> {
    let origin = Origin::named(name.into());
    bytes::spool(stream)
        .and_then(|store| open_store(&origin, store, options))
        .map(Opened::into_sources)
        .map_err(|error| error.in_file(&origin.path))
}

/// Reads all captures of a file into memory.
///
/// # Errors
/// As [`open`], and what reading on to the end brings up.
pub fn load(path: &Path, options: &LoadOptions) -> Result<Vec<Capture>, Error> {
    open(path, options)?
        .into_iter()
        .map(|mut source| Capture::collect(source.as_mut()).map_err(|error| error.in_file(path)))
        .collect()
}

/// Tells how a file was understood, after reading it to its end.
///
/// # Errors
/// As [`load`].
pub fn explain(path: &Path, options: &LoadOptions) -> Result<Explanation, Error> {
    open_any(path, options)
        .and_then(|opened| match opened {
            Opened::Text(text) => Explanation::of_text(path, text),
            Opened::Wave(wave) => Explanation::of_wave(path, *wave),
        })
        .map_err(|error| error.in_file(path))
}

/// What a capture is called, and where errors say that it comes from.
struct Origin {
    path: PathBuf,
    name: String,
}

impl Origin {
    fn named(name: String) -> Self {
        Self {
            path: PathBuf::from(&name),
            name,
        }
    }
}

enum Opened {
    Text(text::Text),
    Wave(Box<wav::WavSource>),
}

impl Opened {
    /// The sources, read ahead where that is worth it.
    fn into_sources(self) -> Vec<Box<dyn FrameSource>> {
        match self {
            // Read as fast as another thread could be told to.
            Self::Wave(wave) => vec![wave],
            Self::Text(text) if text.length < AHEAD_FROM_BYTES => text.sources,
            Self::Text(text) => text
                .sources
                .into_iter()
                .map(|source| Box::new(Ahead::new(source)) as Box<dyn FrameSource>)
                .collect(),
        }
    }
}

fn open_any(path: &Path, options: &LoadOptions) -> Result<Opened, Error> {
    let origin = Origin {
        path: path.to_path_buf(),
        name: path.display().to_string(),
    };
    open_store(&origin, bytes::open(path)?, options)
}

fn open_store(origin: &Origin, store: Store, options: &LoadOptions) -> Result<Opened, Error> {
    options.check()?;
    let front = store.front(text::HEAD_BYTES)?;
    if front.is_empty() {
        return Err(Error::new(
            ErrorKind::NoSamples,
            "the file is empty; export the capture again",
        ));
    }
    match sniff::sniff(&front)? {
        Kind::Wave => {
            wav::WavSource::new(origin, store, options).map(|source| Opened::Wave(Box::new(source)))
        }
        Kind::Text => text::Text::open(origin, store, front, options).map(Opened::Text),
    }
}
