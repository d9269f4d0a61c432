//! What a file is by its first bytes.

use crate::{Error, ErrorKind};

/// Kinds of file that are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A text table.
    Text,
    /// A RIFF WAVE recording, RF64 and BW64 included.
    Wave,
}

const PICTURE: &str = "a picture; export the capture as CSV instead of a screen shot";

/// First bytes of formats that are no capture, and what to do with them.
const FOREIGN: [(&[u8], &str); 22] = [
    (b"\x1f\x8b", "a gzip archive; unpack it first"),
    (
        b"PK\x03\x04",
        "a ZIP archive or a spreadsheet workbook; unpack it or export the sheet as CSV",
    ),
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"\xfd7zXZ", "an xz archive; unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive; unpack it first"),
    (b"7z\xbc\xaf", "a 7z archive; unpack it first"),
    (
        b"\xd0\xcf\x11\xe0",
        "a binary spreadsheet or document; export the sheet as CSV",
    ),
    (b"%PDF", "a PDF document; export the capture as CSV"),
    (b"\x89PNG", PICTURE),
    (b"\xff\xd8\xff", PICTURE),
    (b"GIF8", PICTURE),
    (b"BM", PICTURE),
    (b"fLaC", "a FLAC recording; decode it to WAV first"),
    (
        b"OggS",
        "an Ogg recording; decode it to WAV first, and mind that lossy coding alters noise",
    ),
    (
        b"ID3",
        "an MP3 recording; lossy coding alters noise: record as WAV",
    ),
    (b"FORM", "an AIFF recording; convert it to WAV first"),
    (b".snd", "an AU recording; convert it to WAV first"),
    (
        b"RIFX",
        "a big-endian RIFF file; convert it to an ordinary WAV first",
    ),
    (
        b"riff",
        "a 64-bit RIFF variant; convert it to WAV or RF64 first",
    ),
    (b"\x89HDF", "an HDF5 file; export the capture as CSV"),
    (
        b"MATLAB",
        "a binary workspace file; export the capture as CSV",
    ),
    (b"SQLite", "a database; export the capture as CSV"),
];

/// Judges the front of a file.
pub(crate) fn sniff(front: &[u8]) -> Result<Kind, Error> {
    let unsupported =
        |what: &str| Err(ErrorKind::UnsupportedFormat.error(format!("this is {what}")));
    if front.len() >= 12 && matches!(&front[..4], b"RIFF" | b"RF64" | b"BW64") {
        return if &front[8..12] == b"WAVE" {
            Ok(Kind::Wave)
        } else {
            unsupported(
                "a RIFF file that holds no WAVE recording; export the capture as CSV or WAV",
            )
        };
    }
    if matches!(front.get(..4), Some(b"RIFF" | b"RF64" | b"BW64")) {
        return Ok(Kind::Wave);
    }
    for (magic, what) in FOREIGN {
        let binary = magic.iter().any(|b| !b.is_ascii_graphic())
            || front.iter().take(256).any(|b| *b == 0 || *b >= 0x80);
        if front.starts_with(magic) && binary {
            return unsupported(what);
        }
    }
    if front.starts_with(b"%PDF") {
        return unsupported("a PDF document; export the capture as CSV");
    }
    let text = front.strip_prefix(b"\xef\xbb\xbf").unwrap_or(front);
    let text = text.trim_ascii_start();
    let opening: Vec<u8> = text.iter().take(64).map(u8::to_ascii_lowercase).collect();
    for (mark, what) in [
        (
            &b"<!doctype"[..],
            "a web page; save the capture itself as CSV",
        ),
        (b"<html", "a web page; save the capture itself as CSV"),
        (b"<?xml", "an XML document; export the capture as CSV"),
        (b"<svg", "a drawing; export the capture as CSV"),
        (b"{\\rtf", "a formatted document; save it as plain text"),
    ] {
        if opening.starts_with(mark) {
            return unsupported(what);
        }
    }
    if opening.first() == Some(&b'{') && opening.contains(&b'"') && opening.contains(&b':') {
        return unsupported("a JSON document; export the capture as CSV");
    }
    Ok(Kind::Text)
}

/// Whether decoded text is no text at all: many control characters.
pub(crate) fn is_binary(front: &[u8]) -> bool {
    // Files of fixed size are filled up with zeros.
    let filled = front
        .iter()
        .rposition(|byte| *byte != 0)
        .map_or(0, |last| last + 1);
    let part = &front[..filled.min(1 << 14)];
    let control = part
        .iter()
        .filter(|b| **b < 0x20 && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0b | 0x0c | 0x1a | 0x1b))
        .count();
    let high = part.iter().filter(|b| **b >= 0x80).count();
    control * 50 > part.len()
        || (high * 2 > part.len()
            && std::str::from_utf8(&part[..part.len().saturating_sub(4)]).is_err())
}
