//! Opening a text capture: its front is understood, its rows are left to be read.

use super::LoadOptions;
use super::bytes::{TextEncoding, read_at, read_full, transcode, unreadable};
use super::dialect::Dialect;
use super::head::Head;
use super::layout::{self, Found, Layout};
use super::plan::{Plan, TimeCells};
use super::records::{self, Place};
use super::sniff;
use super::table::TableSource;
use super::time_base;
use super::transposed;
use crate::capture::{CaptureHeader, FrameSource};
use crate::{Error, ErrorKind};
use std::fs::File;
use std::io::{Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;

/// Bytes of a file that are looked at first.
pub(super) const HEAD_BYTES: usize = 1 << 16;
/// A preamble longer than this is not searched for its end.
const HEAD_LIMIT: usize = 1 << 26;
/// More records than this in one file are refused.
const RECORDS_MOST: usize = 1000;
/// So many lines of a file may turn out no head of a record before the search for more ends.
const REMARKS_MOST: usize = 40;

/// A text capture that was opened.
pub(super) struct Text {
    pub encoding: TextEncoding,
    pub line_end: &'static str,
    pub layouts: Vec<Layout>,
    /// Dialect of a table turned on its side.
    pub sideways: Option<Dialect>,
    pub sources: Vec<Box<dyn FrameSource>>,
}

impl Text {
    pub fn open(
        path: &Path,
        mut file: File,
        mut front: Vec<u8>,
        options: &LoadOptions,
    ) -> Result<Self, Error> {
        let encoding = TextEncoding::detect(&front);
        let failed = |error: std::io::Error| unreadable(&error);
        if matches!(encoding, TextEncoding::Utf16Le | TextEncoding::Utf16Be) {
            file = transcode(file, encoding)?;
            front.resize(HEAD_BYTES, 0);
            let count = read_full(&mut file, &mut front).map_err(failed)?;
            front.truncate(count);
        }
        if sniff::is_binary(&front) {
            return Err(Error::new(
                ErrorKind::UnsupportedFormat,
                "this is neither text nor a WAV recording; export the capture as CSV or WAV",
            ));
        }
        let length = file.metadata().map_err(failed)?.len();
        let mark = encoding.mark_length();
        loop {
            let whole = front.len() as u64 >= length;
            let body = front.get(mark..).unwrap_or(&[]);
            let head = Head::new(body, mark as u64, 1, whole);
            let sideways = transposed::detect(&head.lines);
            let understood = if sideways.is_some() {
                Err(Error::new(
                    ErrorKind::UnsupportedFormat,
                    "one row a channel",
                ))
            } else {
                layout::understand(&head, options)
            };
            let more = match &understood {
                _ if sideways.is_some() => true,
                Ok(layout) => {
                    head.lines.len() < layout.first_row + 16
                        || layout.may_be_labelled && length <= records::SCAN_LIMIT
                }
                Err(_) => true,
            };
            if more && !whole && front.len() < HEAD_LIMIT {
                let have = front.len();
                front.resize((have * 8).min(HEAD_LIMIT), 0);
                file.seek(SeekFrom::Start(have as u64)).map_err(failed)?;
                let count = read_full(&mut file, &mut front[have..]).map_err(failed)?;
                front.truncate(have + count);
                continue;
            }
            let line_end = head.line_end();
            if let Some((dialect, rows)) = sideways.filter(|_| whole) {
                let name = path.display().to_string();
                let record = transposed::read(&name, &head, dialect, &rows, options)?;
                return Ok(Self {
                    encoding,
                    line_end,
                    sideways: Some(dialect),
                    layouts: Vec::new(),
                    sources: vec![Box::new(record)],
                });
            }
            let terminator = head.terminator;
            let first = understood?;
            drop(head);
            let mut text = Self {
                encoding,
                line_end,
                sideways: None,
                layouts: Vec::new(),
                sources: Vec::new(),
            };
            text.add_records(path, &Arc::new(file), first, terminator, length, options)?;
            return Ok(text);
        }
    }

    /// Opens the sources of a record, and of those that follow it in the file.
    fn add_records(
        &mut self,
        path: &Path,
        file: &Arc<File>,
        mut layout: Layout,
        terminator: u8,
        length: u64,
        options: &LoadOptions,
    ) -> Result<(), Error> {
        let mut remarks_left = REMARKS_MOST;
        loop {
            let next = if length <= records::SCAN_LIMIT {
                Self::next_record(file, &layout, terminator, &mut remarks_left, options)?
            } else {
                None
            };
            let end = next.as_ref().map(|(place, _)| place.offset);
            for mut found in std::mem::take(&mut layout.captures) {
                found.plan.end = end;
                found.plan.unsearched = length > records::SCAN_LIMIT;
                self.sources.push(Box::new(source_of(path, file, found)?));
            }
            self.layouts.push(layout);
            match next {
                Some((_, following)) if self.layouts.len() < RECORDS_MOST => layout = following,
                Some((place, _)) => {
                    return Err(Error::new(
                        ErrorKind::UnsupportedFormat,
                        format!("more than {RECORDS_MOST} records in one file; split it"),
                    )
                    .at_line(place.line));
                }
                None => return Ok(()),
            }
        }
    }

    /// The record after one, where its head or its times say that there is one.
    fn next_record(
        file: &File,
        layout: &Layout,
        terminator: u8,
        remarks_left: &mut usize,
        options: &LoadOptions,
    ) -> Result<Option<(Place, Layout)>, Error> {
        let Some(plan) = layout.captures.first().map(|found| &found.plan) else {
            return Ok(None);
        };
        if layout.may_be_labelled {
            return Ok(None);
        }
        let start = match plan.time {
            Some(TimeCells::Number { column: 0, factor }) => Some(plan.statements.start_s / factor),
            _ => None,
        };
        let mut from = Place {
            offset: plan.offset,
            line: plan.line,
            after_blank: false,
        };
        while *remarks_left > 0 {
            let candidate = records::next_candidate(file, from, terminator, layout.dialect, start)?;
            let Some(place) = candidate else {
                return Ok(None);
            };
            if let Some(following) = Self::record_at(file, place, layout, start, options)? {
                return Ok(Some((place, following)));
            }
            *remarks_left -= 1;
            from = records::next_line(file, place, terminator)?;
        }
        Ok(None)
    }

    /// The record that begins at a place; `None` where a remark or the head of a page stands there.
    fn record_at(
        file: &File,
        place: Place,
        layout: &Layout,
        start: Option<f64>,
        options: &LoadOptions,
    ) -> Result<Option<Layout>, Error> {
        let mut bytes = vec![0; HEAD_BYTES];
        let count = read_at(file, &mut bytes, place.offset).map_err(|error| unreadable(&error))?;
        bytes.truncate(count);
        let whole = count < HEAD_BYTES;
        let head = Head::new(&bytes, place.offset, place.line, whole);
        let rows = match layout::understand(&head, options) {
            Ok(following) if head.lines.len() >= following.first_row + 2 => following,
            _ => return Ok(None),
        };
        let titles = |layout: &Layout| -> Vec<String> {
            layout
                .columns
                .iter()
                .map(|c| c.title.name.clone())
                .collect()
        };
        let repeated = rows.header_line.is_some() && titles(&rows) == titles(layout);
        let again = match rows.captures.first().map(|found| &found.plan) {
            Some(Plan {
                time: Some(TimeCells::Number { column: 0, factor }),
                statements,
                ..
            }) => Some(statements.start_s / factor),
            _ => None,
        };
        // Rows that go on in time below the same names are those of the next page.
        let (restarts, goes_on) = match (start, again) {
            (Some(start), Some(again)) => {
                let before = records::number_before(file, place, layout.dialect)?;
                let step = before.map_or(0.0, |before| again - before);
                let factor = layout
                    .captures
                    .first()
                    .and_then(|found| found.plan.factor());
                let grid = layout.captures.first().and_then(|found| found.plan.grid);
                let wanted = grid.map_or(0.0, |grid| grid.step_s / factor.unwrap_or(1.0));
                (again <= start, step > 0.0 && step < 2.0 * wanted)
            }
            _ => (false, false),
        };
        let headed = rows.header_line.is_some() && (place.after_blank || rows.first_row > 1);
        let same = repeated && goes_on;
        Ok((!same && (repeated || restarts || headed)).then_some(rows))
    }
}

fn source_of(path: &Path, file: &Arc<File>, found: Found) -> Result<TableSource, Error> {
    let (time_base, _) = time_base::decide(found.plan.statements, found.plan.grid)?;
    let mut header = CaptureHeader::new(path.display().to_string(), found.channels, time_base);
    header.acquisition = found.acquisition;
    header.logic_channels = found.logic;
    let coarse = found
        .plan
        .grid
        .is_some_and(|grid| grid.step_uncertainty_s > 2e-4 * grid.step_s.abs());
    let mut source = TableSource::new(
        path.to_path_buf(),
        Arc::clone(file),
        found.plan,
        header,
        found.warnings,
    );
    if coarse {
        source.survey()?;
    }
    Ok(source)
}
