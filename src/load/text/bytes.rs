//! The bytes of a text capture, decoded where need be.

use crate::Error;
use crate::load::store::{SPOOLED_IN_MEMORY, Store, kept_in, unreadable};
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;
use std::io::Write;
use tempfile::SpooledTempFile;

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
            output.write_all(&text[..written]).map_err(unreadable)?;
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
