//! The bytes of a text capture: opened, decoded where need be, read again.

use crate::{Error, ErrorKind};
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Character encodings that are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TextEncoding {
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
pub(super) fn decode(line: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(line) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => WINDOWS_1252.decode_without_bom_handling(line).0,
    }
}

/// Fills `buffer` as far as the input goes.
pub(super) fn read_full(input: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        match input.read(&mut buffer[filled..]) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// Fills `buffer` from a place in the file, whatever other readers of the same file do.
pub(super) fn read_at(file: &File, buffer: &mut [u8], position: u64) -> std::io::Result<usize> {
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
pub(super) fn unreadable(error: &std::io::Error) -> Error {
    let kind = if error.kind() == std::io::ErrorKind::NotFound {
        ErrorKind::NotFound
    } else {
        ErrorKind::Unreadable
    };
    Error::new(kind, format!("cannot be read: {error}"))
}

/// Opens a capture, refusing what is no regular file; `-` is standard input, spooled.
pub(super) fn open(path: &Path) -> Result<File, Error> {
    if path.as_os_str() == "-" {
        return spool(std::io::stdin().lock());
    }
    let metadata = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => {
            Error::new(ErrorKind::NotFound, "no such file; check the path")
        }
        _ => unreadable(&error),
    })?;
    if metadata.is_dir() {
        return Err(Error::new(
            ErrorKind::Unreadable,
            "is a folder where a capture file is wanted; name a file in it",
        ));
    }
    if !metadata.is_file() {
        return Err(Error::new(
            ErrorKind::Unreadable,
            "is no regular file but a device, pipe or socket; copy its data to a file, or pass it on standard input as '-'",
        ));
    }
    File::open(path).map_err(|error| unreadable(&error))
}

/// Copies a stream to an unnamed temporary file, so that it can be read twice.
fn spool(mut input: impl Read) -> Result<File, Error> {
    let mut file = tempfile::tempfile().map_err(|error| unreadable(&error))?;
    std::io::copy(&mut input, &mut file).map_err(|error| unreadable(&error))?;
    file.seek(SeekFrom::Start(0))
        .map_err(|error| unreadable(&error))?;
    Ok(file)
}

/// Copies a UTF-16 file to an unnamed temporary file in UTF-8, in bounded memory.
pub(super) fn transcode(mut input: File, encoding: TextEncoding) -> Result<File, Error> {
    let encoding: &'static Encoding = match encoding {
        TextEncoding::Utf16Be => UTF_16BE,
        _ => UTF_16LE,
    };
    let failed = |error: std::io::Error| unreadable(&error);
    input.seek(SeekFrom::Start(0)).map_err(failed)?;
    let mut output = tempfile::tempfile().map_err(failed)?;
    let mut decoder = encoding.new_decoder_with_bom_removal();
    let mut raw = vec![0; 1 << 16];
    let mut text = vec![0; (1 << 16) * 3];
    loop {
        let count = read_full(&mut input, &mut raw).map_err(failed)?;
        let last = count < raw.len();
        let mut rest = &raw[..count];
        loop {
            let (result, read, written, _) = decoder.decode_to_utf8(rest, &mut text, last);
            output.write_all(&text[..written]).map_err(failed)?;
            rest = &rest[read..];
            if result == encoding_rs::CoderResult::InputEmpty {
                break;
            }
        }
        if last {
            break;
        }
    }
    output.seek(SeekFrom::Start(0)).map_err(failed)?;
    Ok(output)
}
