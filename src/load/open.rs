//! Opening a capture: a file, a stream or bytes.

use crate::capture::{Capture, FrameSource};
#[cfg(feature = "parallel")]
use crate::load::ahead::{AHEAD_FROM_BYTES, Ahead};
#[cfg(feature = "text")]
use crate::load::explanation::Explanation;
use crate::load::options::LoadOptions;
use crate::load::origin::Origin;
use crate::load::sniffing::{self, Kind};
use crate::load::store::{self, HEAD_BYTES, Store};
#[cfg(feature = "text")]
use crate::load::text_capture::Text;
#[cfg(feature = "wav")]
use crate::load::wav::source::WavSource;
use crate::{Error, ErrorKind};
use std::io::Read;
use std::path::Path;

/// Opens a capture file: usually one source, several where one file holds several records; never none. `-` is
/// standard input. A source has one channel for each column of a signal, its values in units without prefix.
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
pub fn open(
    path: impl AsRef<Path>,
    options: &LoadOptions,
) -> Result<Vec<Box<dyn FrameSource>>, Error> {
    let path = path.as_ref();
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
    store::spool(stream)
        .and_then(|store| open_store(&origin, store, options))
        .map(Opened::into_sources)
        .map_err(|error| error.in_file(&origin.path))
}

/// Reads all captures of a file into memory, those that [`open`] gives; `-` is standard input.
///
/// # Errors
/// As [`open`], and what reading on to the end brings up.
pub fn load(path: impl AsRef<Path>, options: &LoadOptions) -> Result<Vec<Capture>, Error> {
    let path = path.as_ref();
    open(path, options)?
        .into_iter()
        .map(|mut source| Capture::collect(source.as_mut()).map_err(|error| error.in_file(path)))
        .collect()
}

/// Tells how a file was understood, after reading it to its end; `-` is standard input.
///
/// # Errors
/// As [`load`].
#[cfg(feature = "text")]
pub fn explain(path: impl AsRef<Path>, options: &LoadOptions) -> Result<Explanation, Error> {
    let path = path.as_ref();
    open_any(path, options)
        .and_then(|opened| match opened {
            Opened::Text(text) => Explanation::of_text(path, text),
            #[cfg(feature = "wav")]
            Opened::Wave(wave) => Explanation::of_wave(path, *wave),
        })
        .map_err(|error| error.in_file(path))
}

enum Opened {
    #[cfg(feature = "text")]
    Text(Text),
    #[cfg(feature = "wav")]
    Wave(Box<WavSource>),
}

impl Opened {
    /// The sources, read ahead where that is worth it.
    fn into_sources(self) -> Vec<Box<dyn FrameSource>> {
        match self {
            // Read as fast as another thread could be told to.
            #[cfg(feature = "wav")]
            Self::Wave(wave) => vec![wave],
            #[cfg(all(feature = "text", feature = "parallel"))]
            Self::Text(text) if text.length >= AHEAD_FROM_BYTES => text
                .sources
                .into_iter()
                .map(|source| Box::new(Ahead::new(source)) as Box<dyn FrameSource>)
                .collect(),
            #[cfg(feature = "text")]
            Self::Text(text) => text.sources,
        }
    }
}

fn open_any(path: &Path, options: &LoadOptions) -> Result<Opened, Error> {
    open_store(&Origin::file(path), store::open(path)?, options)
}

fn open_store(origin: &Origin, store: Store, options: &LoadOptions) -> Result<Opened, Error> {
    options.check()?;
    let front = store.front(HEAD_BYTES)?;
    if front.is_empty() {
        return Err(ErrorKind::NoSamples.error("the file is empty; export the capture again"));
    }
    match sniffing::sniff(&front)? {
        #[cfg(feature = "wav")]
        Kind::Wave => {
            WavSource::new(origin, store, options).map(|source| Opened::Wave(Box::new(source)))
        }
        #[cfg(feature = "text")]
        Kind::Text => Text::open(origin, store, front, options).map(Opened::Text),
        #[cfg(not(all(feature = "wav", feature = "text")))]
        _ => Err(left_out()),
    }
}

#[cfg(not(all(feature = "wav", feature = "text")))]
fn left_out() -> Error {
    ErrorKind::UnsupportedFormat.error(if cfg!(feature = "wav") {
        "is no WAV recording, and text is not read here: humsieve was built without its feature `text`"
    } else {
        "is a WAV recording, which is not read here: humsieve was built without its feature `wav`"
    })
}
