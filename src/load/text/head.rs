//! The front of a text capture, line by line.

use crate::load::text::bytes::decode;
use crate::{Error, ErrorKind};
use std::borrow::Cow;

/// A preamble longer than this is not searched for its end, nor is a longer table turned on its side read.
pub(crate) const HEAD_LIMIT: usize = 1 << 26;
/// A longer line is refused rather than held in memory.
pub(crate) const LINE_LIMIT: usize = 1 << 24;

/// One line of the front of a file.
#[derive(Debug, Clone)]
pub(crate) struct Line<'a> {
    /// Byte at which it starts in the file.
    pub offset: u64,
    /// 1-based number.
    pub number: u64,
    /// Its text without the line end.
    pub text: Cow<'a, str>,
}

/// The front of a file (or of a record in it) as lines.
#[derive(Debug)]
pub(crate) struct Head<'a> {
    /// The lines; the last is left out where it was cut, and so are blank ones beyond a run of
    /// [`BLANKS_MOST`].
    pub lines: Vec<Line<'a>>,
    /// Whether this is the whole file.
    pub whole: bool,
    /// Number of a last line that is longer than any row may be and was cut.
    pub unended: Option<u64>,
    /// Byte that ends a line.
    pub terminator: u8,
    /// Lines end with CR and LF.
    pub carriage_returns: bool,
}

/// The refusal of a line that is too long to be a row of a table.
pub(crate) fn too_long(line: u64) -> Error {
    ErrorKind::BadValue
        .error(format!(
            "the line is longer than {} MiB; write one row a line",
            LINE_LIMIT >> 20
        ))
        .at_line(line)
}

/// More lines than this are not looked at.
const LINES_MOST: usize = 1 << 21;
/// Lines without any cell that are kept of a run of them.
const BLANKS_MOST: usize = 64;

impl<'a> Head<'a> {
    /// Cuts bytes into lines. `offset` and `number` are those of the first.
    pub fn new(bytes: &'a [u8], offset: u64, number: u64, whole: bool) -> Self {
        let terminator =
            if memchr::memchr(b'\n', bytes).is_none() && memchr::memchr(b'\r', bytes).is_some() {
                b'\r'
            } else {
                b'\n'
            };
        let utf8 = std::str::from_utf8(bytes).ok();
        let mut lines: Vec<Line<'a>> = Vec::new();
        let mut start = 0;
        let mut next = number;
        let mut blanks = 0;
        let mut carriage_returns = false;
        let mut all = true;
        let last = (whole && bytes.last().is_some_and(|byte| *byte != terminator))
            .then(|| bytes.len() - 1);
        for end in memchr::memchr_iter(terminator, bytes).chain(last) {
            let mut stop = end + 1;
            while stop > start && matches!(bytes[stop - 1], b'\r' | b'\n') {
                carriage_returns |= terminator == b'\n' && bytes[stop - 1] == b'\r';
                stop -= 1;
            }
            blanks = if is_bare(&bytes[start..stop]) {
                blanks + 1
            } else {
                0
            };
            if lines.len() >= LINES_MOST {
                all = false;
                break;
            }
            if blanks <= BLANKS_MOST {
                let text = match utf8.and_then(|text| text.get(start..stop)) {
                    Some(text) => Cow::Borrowed(text),
                    None => decode(&bytes[start..stop]),
                };
                lines.push(Line {
                    offset: offset + start as u64,
                    number: next,
                    text,
                });
            }
            next += 1;
            start = end + 1;
        }
        let unended = (!whole && all && bytes.len() - start > LINE_LIMIT).then_some(next);
        join_quoted(&mut lines);
        Self {
            lines,
            whole: whole && all,
            unended,
            terminator,
            carriage_returns,
        }
    }

    /// Name of the line end in an explanation.
    pub fn line_end(&self) -> &'static str {
        match (self.terminator, self.carriage_returns) {
            (b'\r', _) => "CR",
            (_, true) => "CRLF",
            _ => "LF",
        }
    }
}

/// Whether a line holds nothing but blanks, quotes and what parts cells.
pub(crate) fn is_bare(line: &[u8]) -> bool {
    line.iter()
        .all(|byte| matches!(byte, b' ' | b'\t' | b',' | b';' | b'|' | b'"' | b'\r'))
}

/// Lines of a header looked at for quotes around a line end.
const QUOTED_MOST: usize = 100;

/// Joins the parts of cells that are broken within their quotes, as spreadsheets write long names.
fn join_quoted(lines: &mut Vec<Line<'_>>) {
    let is_open = |text: &str| !text.matches('"').count().is_multiple_of(2);
    let mut index = 0;
    while index + 1 < lines.len().min(QUOTED_MOST) {
        let reach = lines.len().min(index + 4);
        let words = lines[index].text.contains(char::is_alphabetic);
        let close = (index + 1..reach).find(|next| is_open(&lines[*next].text));
        if let Some(close) = close.filter(|_| words && is_open(&lines[index].text)) {
            let texts: Vec<&str> = lines[index..=close]
                .iter()
                .map(|l| l.text.as_ref())
                .collect();
            lines[index].text = Cow::Owned(texts.join(" "));
            lines.drain(index + 1..=close);
        }
        index += 1;
    }
}
