//! Why a text holds no table.

use crate::load::text::head::{HEAD_LIMIT, Line};
use crate::{Error, ErrorKind};

/// Why no table was found.
pub(crate) fn no_table(lines: &[Line<'_>], whole: bool) -> Error {
    let filled: Vec<&Line<'_>> = lines
        .iter()
        .filter(|line| !line.text.trim().is_empty())
        .collect();
    if !whole {
        return ErrorKind::NoSamples.error(format!(
                "the first {} MiB of the file hold no row of numbers; export the capture without what stands in front of it",
                HEAD_LIMIT >> 20
            ),
        );
    }
    if filled.is_empty() {
        return ErrorKind::NoSamples.error("the file is empty; export the capture again");
    }
    if let Some(line) = filled.iter().find(|line| has_thousands(&line.text)) {
        return thousands().at_line(line.number);
    }
    let tabular = filled
        .iter()
        .any(|line| line.text.contains([',', ';', '\t', '|']))
        || filled.len() == 1 && filled[0].text.len() < 80;
    if tabular {
        ErrorKind::NoSamples
            .error("the file holds no row of numbers, only text; export the capture with its data")
    } else {
        ErrorKind::UnsupportedFormat
            .error("this is no table of numbers; export the capture as CSV or WAV")
    }
}

/// The refusal of separators between thousands.
pub(crate) fn thousands() -> Error {
    ErrorKind::UnsupportedFormat
        .error("numbers with separators between thousands are not read; export without them")
}

/// Whether a cell of a line holds a number with separators between thousands.
pub(crate) fn has_thousands(text: &str) -> bool {
    text.split(['"', ';', '\t', ' ']).any(|cell| {
        let cell = cell.trim().trim_start_matches(['-', '+']);
        let Some((whole, _)) = cell.split_once('.') else {
            return false;
        };
        let mut groups = whole.split(',');
        let first = groups.next().unwrap_or("");
        let rest: Vec<&str> = groups.collect();
        !rest.is_empty()
            && (1..=3).contains(&first.len())
            && first.bytes().all(|b| b.is_ascii_digit())
            && rest
                .iter()
                .all(|g| g.len() == 3 && g.bytes().all(|b| b.is_ascii_digit()))
    })
}
