//! Opening a capture: a file, a stream or bytes.

use crate::capture::{Capture, FrameSource};
use crate::load::ahead::{AHEAD_FROM_BYTES, Ahead};
use crate::load::explanation::Explanation;
use crate::load::options::LoadOptions;
use crate::load::origin::Origin;
use crate::load::sniffing::{self, Kind};
use crate::load::text::bytes::{self, Store};
use crate::load::text::head::HEAD_BYTES;
use crate::load::text_capture::Text;
use crate::load::wav::source::WavSource;
use crate::{Error, ErrorKind};
use std::io::Read;
use std::path::Path;

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

enum Opened {
    Text(Text),
    Wave(Box<WavSource>),
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
    open_store(&Origin::file(path), bytes::open(path)?, options)
}

fn open_store(origin: &Origin, store: Store, options: &LoadOptions) -> Result<Opened, Error> {
    options.check()?;
    let front = store.front(HEAD_BYTES)?;
    if front.is_empty() {
        return Err(ErrorKind::NoSamples.error("the file is empty; export the capture again"));
    }
    match sniffing::sniff(&front)? {
        Kind::Wave => {
            WavSource::new(origin, store, options).map(|source| Opened::Wave(Box::new(source)))
        }
        Kind::Text => Text::open(origin, store, front, options).map(Opened::Text),
    }
}
