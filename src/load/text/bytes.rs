//! The bytes of a text capture: opened, decoded where need be, read again.

use crate::{Error, ErrorKind};
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;
use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use tempfile::{SpooledData, SpooledTempFile};

/// Character encodings that are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TextEncoding {
    /// UTF-8 (ASCII included).
    Utf8,
    /// UTF-8 with a byte order mark.
    Utf8Bom,
    /// UTF-16, low byte first.
    Utf16Le,
    /// UTF-16, high byte first.
    Utf16Be,
    /// One byte a character, western European.
    Latin1,
}

impl TextEncoding {
    /// Its name in an explanation.
    pub fn name(self) -> &'static str {
        match self {
            Self::Utf8 => "UTF-8",
            Self::Utf8Bom => "UTF-8 with byte order mark",
            Self::Utf16Le => "UTF-16 LE",
            Self::Utf16Be => "UTF-16 BE",
            Self::Latin1 => "Latin-1",
        }
    }

    /// Judges by the byte order mark, zero bytes and validity of the front of a file.
    pub fn detect(front: &[u8]) -> Self {
        match front {
            [0xef, 0xbb, 0xbf, ..] => return Self::Utf8Bom,
            [0xff, 0xfe, ..] => return Self::Utf16Le,
            [0xfe, 0xff, ..] => return Self::Utf16Be,
            _ => {}
        }
        let part = &front[..front.len().min(4096)];
        let zeros = |offset: usize| {
            part.iter()
                .skip(offset)
                .step_by(2)
                .filter(|b| **b == 0)
                .count()
        };
        let half = part.len() / 2;
        if half >= 2 {
            let (even, odd) = (zeros(0), zeros(1));
            if odd * 10 > half * 8 && even * 10 < half {
                return Self::Utf16Le;
            }
            if even * 10 > half * 8 && odd * 10 < half {
                return Self::Utf16Be;
            }
        }
        match std::str::from_utf8(front) {
            Ok(_) => Self::Utf8,
            // A character cut at the end of what was read is no fault.
            Err(error) if error.error_len().is_none() => Self::Utf8,
            Err(_) => Self::Latin1,
        }
    }

    /// Bytes of the byte order mark.
    pub fn mark_length(self) -> usize {
        match self {
            Self::Utf8Bom => 3,
            _ => 0,
        }
    }
}

/// A line's text: UTF-8, or else Latin-1.
pub(crate) fn decode(line: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(line) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => WINDOWS_1252.decode_without_bom_handling(line).0,
    }
}

/// Bytes that can be read again from any place: those of a file as they were when it was opened, or bytes in
/// memory.
#[derive(Debug)]
pub(crate) struct Store {
    content: Content,
    length: u64,
}

#[derive(Debug)]
enum Content {
    File(File),
    Memory(Vec<u8>),
}

impl Store {
    /// Bytes in memory.
    pub fn of_bytes(bytes: Vec<u8>) -> Self {
        Self {
            length: bytes.len() as u64,
            content: Content::Memory(bytes),
        }
    }

    /// A file up to its present end.
    pub fn of_file(file: File) -> Result<Self, Error> {
        let length = file.metadata().map_err(|error| unreadable(&error))?.len();
        Ok(Self {
            length,
            content: Content::File(file),
        })
    }

    /// Number of bytes.
    pub fn length(&self) -> u64 {
        self.length
    }

    /// Fills `buffer` from a place on as far as the bytes go, whatever other readers do. What a file has
    /// gained since it was opened is not seen; that it has lost some is an error.
    pub fn read_at(&self, buffer: &mut [u8], position: u64) -> Result<usize, Error> {
        let left = self.length.saturating_sub(position);
        let wanted = buffer
            .len()
            .min(usize::try_from(left).unwrap_or(usize::MAX));
        let buffer = &mut buffer[..wanted];
        let count = match &self.content {
            Content::File(file) => {
                read_file_at(file, buffer, position).map_err(|error| unreadable(&error))?
            }
            Content::Memory(bytes) => {
                let at = usize::try_from(position).unwrap_or(usize::MAX);
                if let Some(held) = bytes.get(at..).and_then(|rest| rest.get(..wanted)) {
                    buffer.copy_from_slice(held);
                }
                wanted
            }
        };
        if count < wanted {
            return Err(ErrorKind::Unreadable.error(format!(
                    "the file has become shorter while it was read: it held {} bytes and now ends at {}; wait until nothing writes to it",
                    self.length,
                    position + count as u64
                ),
            ));
        }
        Ok(count)
    }

    /// The first bytes, at most so many.
    pub fn front(&self, most: usize) -> Result<Vec<u8>, Error> {
        let held = usize::try_from(self.length).unwrap_or(usize::MAX);
        let mut front = vec![0; most.min(held)];
        self.read_at(&mut front, 0)?;
        Ok(front)
    }
}

/// Fills `buffer` from a place in the file.
fn read_file_at(file: &File, buffer: &mut [u8], position: u64) -> std::io::Result<usize> {
    #[cfg(unix)]
    use std::os::unix::fs::FileExt;
    #[cfg(windows)]
    use std::os::windows::fs::FileExt;
    let mut filled = 0;
    while filled < buffer.len() {
        #[cfg(unix)]
        let result = file.read_at(&mut buffer[filled..], position + filled as u64);
        #[cfg(windows)]
        let result = file.seek_read(&mut buffer[filled..], position + filled as u64);
        match result {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// An i/o failure as an error of the library.
pub(crate) fn unreadable(error: &std::io::Error) -> Error {
    ErrorKind::of_reading(error).error(format!("cannot be read: {error}"))
}

/// Opens a capture, refusing what is no regular file; `-` is standard input, spooled.
pub(crate) fn open(path: &Path) -> Result<Store, Error> {
    if path.as_os_str() == "-" {
        return spool(std::io::stdin().lock());
    }
    let metadata = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => ErrorKind::NotFound.error("no such file; check the path"),
        _ => unreadable(&error),
    })?;
    if metadata.is_dir() {
        return Err(ErrorKind::Unreadable
            .error("is a folder where a capture file is wanted; name a file in it"));
    }
    if !metadata.is_file() {
        return Err(ErrorKind::Unreadable.error(
            "is no regular file but a device, pipe or socket; copy its data to a file, or pass it \
             on standard input as '-'",
        ));
    }
    let file = File::open(path).map_err(|error| unreadable(&error))?;
    Store::of_file(file)
}

/// What is held in memory of a stream; the rest goes to an unnamed temporary file.
const SPOOLED_IN_MEMORY: usize = 1 << 20;

/// Keeps a stream, so that it can be read twice.
pub(crate) fn spool(mut input: impl Read) -> Result<Store, Error> {
    let mut kept = SpooledTempFile::new(SPOOLED_IN_MEMORY);
    std::io::copy(&mut input, &mut kept).map_err(|error| unreadable(&error))?;
    kept_in(kept)
}

fn kept_in(kept: SpooledTempFile) -> Result<Store, Error> {
    match kept.into_inner() {
        SpooledData::InMemory(bytes) => Ok(Store::of_bytes(bytes.into_inner())),
        SpooledData::OnDisk(file) => Store::of_file(file),
    }
}

/// A UTF-16 text in UTF-8, in bounded memory.
pub(crate) fn transcode(input: &Store, encoding: TextEncoding) -> Result<Store, Error> {
    let encoding: &'static Encoding = match encoding {
        TextEncoding::Utf16Be => UTF_16BE,
        _ => UTF_16LE,
    };
    let mut output = SpooledTempFile::new(SPOOLED_IN_MEMORY);
    let mut decoder = encoding.new_decoder_with_bom_removal();
    let length = usize::try_from(input.length()).unwrap_or(usize::MAX);
    let size = length.clamp(1, 1 << 16);
    let mut raw = vec![0; size];
    let mut text = vec![0; size * 3 + 16];
    let mut position = 0;
    loop {
        let count = input.read_at(&mut raw, position)?;
        position += count as u64;
        let last = position >= input.length();
        let mut rest = &raw[..count];
        loop {
            let (result, read, written, _) = decoder.decode_to_utf8(rest, &mut text, last);
            output
                .write_all(&text[..written])
                .map_err(|error| unreadable(&error))?;
            rest = &rest[read..];
            if result == encoding_rs::CoderResult::InputEmpty {
                break;
            }
        }
        if last {
            break;
        }
    }
    kept_in(output)
}
