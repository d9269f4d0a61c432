//! The dialect of a table, found from its lines alone.

use crate::load::text::dialect::{Delimiter, Dialect, clip, filled, opens_statement};
use crate::load::text::head::is_bare;
use crate::load::value::cell::Cell;

/// A dialect and how well it reads the lines it was tried on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Candidate {
    /// The dialect.
    pub dialect: Dialect,
    /// Cells of most rows of data, trailing empty ones not counted.
    pub cells: usize,
    /// Lines that are rows of data under it.
    rows: usize,
}

const DELIMITERS: [Delimiter; 5] = [
    Delimiter::Byte(b'\t'),
    Delimiter::Byte(b';'),
    Delimiter::Byte(b','),
    Delimiter::Byte(b'|'),
    Delimiter::Blanks,
];

/// The dialect under which most of the lines of a sample are rows of data; `None` where none makes any.
pub(crate) fn detect(sample: &[&str], declared: Option<u8>) -> Option<Candidate> {
    let delimiters: Vec<Delimiter> = match declared {
        Some(byte) => vec![Delimiter::Byte(byte)],
        None => worth_trying(sample),
    };
    // Those that the last line holds come first: the others need not be tried to the end.
    let opening = |delimiter: &Delimiter| match delimiter {
        Delimiter::Byte(byte) => sample.last().is_some_and(|l| l.as_bytes().contains(byte)),
        Delimiter::Blanks => false,
    };
    let mut order: Vec<usize> = (0..delimiters.len()).collect();
    order.sort_by_key(|place| !opening(&delimiters[*place]));
    let mut best: Option<Candidate> = None;
    for strict in [true, false] {
        // Of equals the first in the list.
        let mut best_place = 0;
        for &place in &order {
            let delimiter = delimiters[place];
            for decimal_mark in [b'.', b','] {
                if delimiter == Delimiter::Byte(decimal_mark)
                    && !sample.iter().any(|line| line.contains('"'))
                {
                    continue;
                }
                let dialect = Dialect::plain(delimiter, decimal_mark);
                let least = best.map_or(0, |best| best.rows);
                if let Some(candidate) = score(dialect, sample, strict, least)
                    && best.is_none_or(|best| {
                        let order = rank(&candidate).cmp(&rank(&best));
                        order.is_gt() || order.is_eq() && place < best_place
                    })
                {
                    best = Some(candidate);
                    best_place = place;
                }
            }
        }
        if strict && best.is_none_or(|best| best.rows < sample.len()) {
            let groupings = groupings(sample);
            for &delimiter in &delimiters {
                let variants = with_thousands(delimiter, &groupings, sample)
                    .chain(with_hexadecimal(delimiter, sample));
                for (dialect, times) in variants {
                    let beaten = times * best.map_or(0, |best| best.rows);
                    if let Some(candidate) = score(dialect, sample, strict, beaten + 1)
                        && candidate.rows > beaten
                    {
                        best = Some(candidate);
                    }
                }
            }
        }
        if best.is_some() {
            break;
        }
    }
    best
}

/// Delimiters that part the lines each in a way of its own: of those that no line holds one will do, and another
/// where that one is the comma, which cannot be the decimal mark as well.
fn worth_trying(sample: &[&str]) -> Vec<Delimiter> {
    let mut absent = false;
    DELIMITERS
        .into_iter()
        .filter(|delimiter| {
            let Delimiter::Byte(byte) = delimiter else {
                return true;
            };
            if sample.iter().any(|line| line.as_bytes().contains(byte)) {
                return true;
            }
            let another = !absent;
            absent |= *byte != b',';
            another
        })
        .collect()
}

/// Marks that stand between thousands somewhere.
fn groupings(sample: &[&str]) -> Vec<char> {
    [',', '.', '\'', ' ', '\u{a0}', '\u{202f}']
        .into_iter()
        .filter(|mark| sample.iter().any(|line| has_thousands(line, *mark)))
        .collect()
}

/// Dialects with marks between thousands that the lines may be written in. They must make more rows than
/// the best without.
fn with_thousands(
    delimiter: Delimiter,
    groupings: &[char],
    sample: &[&str],
) -> impl Iterator<Item = (Dialect, usize)> {
    let quoted = sample.iter().any(|line| line.contains('"'));
    let parts = move |mark: char| {
        !quoted
            && match delimiter {
                Delimiter::Byte(byte) => mark == char::from(byte),
                Delimiter::Blanks => mark.is_whitespace(),
            }
    };
    let marks: Vec<(char, char)> = groupings
        .iter()
        .flat_map(|grouping| [('.', *grouping), (',', *grouping)])
        .filter(|(decimal, grouping)| decimal != grouping && !parts(*grouping) && !parts(*decimal))
        .collect();
    marks.into_iter().map(move |(decimal_mark, grouping)| {
        let dialect = Dialect {
            delimiter,
            decimal_mark: if decimal_mark == '.' { b'.' } else { b',' },
            grouping: Some(grouping),
            hexadecimal: false,
        };
        (dialect, 1)
    })
}

/// Whether a line holds a mark between one to three digits and three.
fn has_thousands(line: &str, mark: char) -> bool {
    line.match_indices(mark).any(|(at, _)| {
        let before = line[..at].bytes().rev().take_while(u8::is_ascii_digit);
        let behind = line[at + mark.len_utf8()..]
            .bytes()
            .take_while(u8::is_ascii_digit);
        (1..=3).contains(&before.count()) && behind.count() == 3
    })
}

/// A dialect with counts in hexadecimal. One such cell among decimal ones is a fault, so that it must
/// make more than twice the rows.
fn with_hexadecimal(
    delimiter: Delimiter,
    sample: &[&str],
) -> impl Iterator<Item = (Dialect, usize)> {
    let there = sample
        .iter()
        .any(|line| line.contains("0x") || line.contains("0X"));
    let dialect = Dialect {
        delimiter,
        decimal_mark: b'.',
        grouping: None,
        hexadecimal: true,
    };
    there.then_some((dialect, 2)).into_iter()
}

/// More rows first; then a delimiter that is there over blanks, and both over a single column; then
/// more cells.
fn rank(candidate: &Candidate) -> (usize, u8, usize) {
    let class = match (candidate.cells, candidate.dialect.delimiter) {
        (1, _) => 0,
        (_, Delimiter::Blanks) => 1,
        _ => 2,
    };
    (candidate.rows, class, candidate.cells)
}

/// Bytes of one line, and of all lines, that a table is judged by.
const LINE_BYTES: usize = 1 << 20;
const SAMPLE_BYTES: usize = 1 << 21;
/// Lines that count however long they are.
const LINES_LEAST: usize = 4;

/// Lines from the middle and the end of those with anything in them, where the data are.
pub(crate) fn sample<'a>(lines: &[&'a str]) -> Vec<&'a str> {
    const PART: usize = 40;
    let lines: Vec<&str> = lines
        .iter()
        .copied()
        .filter(|line| !line.trim().is_empty() && !is_bare(line.as_bytes()))
        .collect();
    let lines: Vec<&str> = if lines.len() <= 3 * PART {
        lines
    } else {
        let middle = lines.len() / 2;
        let end = lines.len() - PART;
        lines[middle - PART / 2..middle + PART / 2]
            .iter()
            .chain(&lines[end..])
            .copied()
            .collect()
    };
    // Of long lines the last: they are rows where anything is.
    let mut bytes = 0;
    let mut kept: Vec<&str> = lines
        .into_iter()
        .rev()
        .map(|line| clip(line, LINE_BYTES))
        .enumerate()
        .take_while(|(index, line)| {
            bytes += line.len();
            *index < LINES_LEAST || bytes <= SAMPLE_BYTES
        })
        .map(|(_, line)| line)
        .collect();
    kept.reverse();
    kept
}

/// How well a dialect reads lines; `None` where it makes no row, or fewer than `least`.
fn score(dialect: Dialect, sample: &[&str], strict: bool, least: usize) -> Option<Candidate> {
    let mut others = 0;
    let mut counts: Vec<(usize, usize)> = Vec::new();
    let mut cells = Vec::new();
    for line in sample {
        dialect.split(line, &mut cells);
        let count = filled(&cells);
        let (mut data, mut text) = (0, 0);
        for cell in &cells[..count] {
            match dialect.classify(cell) {
                Cell::Text => text += 1,
                Cell::Missing => {}
                _ => data += 1,
            }
            if strict && text > 0 {
                break;
            }
        }
        let row = if strict {
            text == 0 && data > 0
        } else {
            count > 1 && data > 0 && !opens_statement(&cells)
        };
        if row {
            match counts.iter_mut().find(|(cells, _)| *cells == count) {
                Some((_, rows)) => *rows += 1,
                None => counts.push((count, 1)),
            }
        } else {
            others += 1;
            if others + least > sample.len() {
                return None;
            }
        }
    }
    let (cells, rows) = counts
        .into_iter()
        .max_by_key(|(cells, rows)| (*rows, *cells))?;
    Some(Candidate {
        dialect,
        cells,
        rows,
    })
}

/// Whether the commas of a two-cell table are decimal marks of a single column: a cell `-0`, or a
/// second cell with leading zeros, is no integer; nor has a header of one cell two columns below.
pub(crate) fn commas_are_decimal(texts: &[&str]) -> bool {
    let mut rows = 0;
    let mut evidence = 0;
    let mut header = None;
    for text in texts
        .iter()
        .filter(|text| !text.trim().is_empty())
        .take(400)
    {
        let text = text.trim();
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|c| c.is_ascii_digit());
        let integers = text.split_once(',').filter(|(a, b)| {
            digits(a.trim_start_matches(['-', '+']))
                && digits(b.split(['e', 'E', 'd', 'D']).next().unwrap_or(""))
        });
        match integers {
            Some((a, b)) => {
                rows += 1;
                if a == "-0" || a == "+0" || (b.len() > 1 && b.starts_with('0')) {
                    evidence += 1;
                }
            }
            None if rows == 0 => header = Some(text),
            None => {}
        }
    }
    rows > 0 && (evidence > 0 || header.is_some_and(|header| !header.contains(',')))
}

/// The first line of a table whose commas both part the cells and mark the decimals: an even number of
/// integers, every second with leading zeros somewhere, under a header of half as many names.
pub(crate) fn commas_serve_twice(texts: &[&str], width: usize) -> Option<usize> {
    if width < 4 || !width.is_multiple_of(2) {
        return None;
    }
    let mut first = None;
    let mut evidence = false;
    let mut header = None;
    for (index, text) in texts.iter().enumerate().take(400) {
        let cells: Vec<&str> = text.trim().split(',').collect();
        let integer = |cell: &&str| {
            let digits = cell.trim_start_matches(['-', '+']);
            !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
        };
        if cells.len() != width || !cells.iter().all(integer) {
            if first.is_none() {
                header = Some(cells.len());
            } else if !text.trim().is_empty() {
                return None;
            }
            continue;
        }
        first.get_or_insert(index);
        evidence |= cells
            .iter()
            .skip(1)
            .step_by(2)
            .any(|cell| cell.len() > 1 && cell.starts_with('0'));
    }
    first.filter(|_| evidence && header.is_none_or(|cells| cells == width / 2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dialects_from_the_data_alone() {
        let byte = Delimiter::Byte;
        for (text, delimiter, decimal_mark, cells) in [
            ("t,v\n0.1,1.5\n0.2,1.6", byte(b','), b'.', 2),
            ("0,1;1,5\n0,2;1,6", byte(b';'), b',', 2),
            ("0,1\t1,5\n0,2\t1,6", byte(b'\t'), b',', 2),
            ("  0.1   1.5\n  0.2  -1.6", Delimiter::Blanks, b'.', 2),
            ("0,1  1,5\n0,2 1,6", Delimiter::Blanks, b',', 2),
            ("0.1|1.5|\n0.2|1.6|", byte(b'|'), b'.', 2),
            ("\"0,1\",\"1,5\"\n\"0,2\",\"1,6\"", byte(b','), b',', 2),
            (
                "2025-12-24 12:00:00\t1.5\n2025-12-24 12:00:01\t1.5",
                byte(b'\t'),
                b'.',
                2,
            ),
            ("1.5 V\n1.6 V", byte(b'\t'), b'.', 1),
        ] {
            let lines: Vec<&str> = text.lines().collect();
            let found = detect(&sample(&lines), None).unwrap();
            let expected = (Dialect::plain(delimiter, decimal_mark), cells);
            assert_eq!((found.dialect, found.cells), expected, "{text}");
        }
    }
}
