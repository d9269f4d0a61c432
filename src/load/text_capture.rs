//! Opening a text capture: its front is understood, its rows are left to be read.

use crate::capture::{CaptureHeader, FrameSource};
use crate::load::captures::assembly::{Found, Understood};
use crate::load::options::LoadOptions;
use crate::load::origin::Origin;
use crate::load::rows::source::TableSource;
use crate::load::sniffing;
use crate::load::store::{HEAD_BYTES, Store};
use crate::load::table::layout::Layout;
use crate::load::text::bytes::{TextEncoding, transcode};
use crate::load::text::dialect::Dialect;
use crate::load::text::head::{HEAD_LIMIT, Head, too_long};
use crate::load::text::records::{self, Place};
use crate::load::time::rate;
use crate::load::transposed::{detection, record};
use crate::{Error, ErrorKind};
use std::sync::Arc;

/// More records than this in one file are refused.
const RECORDS_MOST: usize = 1000;
/// So many lines of a file may turn out no head of a record before the search for more ends.
const REMARKS_MOST: usize = 40;

/// A text capture that was opened.
pub(crate) struct Text {
    pub encoding: TextEncoding,
    pub line_end: &'static str,
    /// Bytes of the text.
    pub length: u64,
    pub layouts: Vec<Layout>,
    /// Dialect of a table turned on its side.
    pub sideways: Option<Dialect>,
    pub sources: Vec<Box<dyn FrameSource>>,
}

impl Text {
    pub fn open(
        origin: &Origin,
        mut store: Store,
        mut front: Vec<u8>,
        options: &LoadOptions,
    ) -> Result<Self, Error> {
        let encoding = TextEncoding::detect(&front);
        if matches!(encoding, TextEncoding::Utf16Le | TextEncoding::Utf16Be) {
            store = transcode(&store, encoding)?;
            front = store.front(HEAD_BYTES)?;
        }
        if sniffing::is_binary(&front) {
            return Err(ErrorKind::UnsupportedFormat.error(
                "this is neither text nor a WAV recording; export the capture as CSV or WAV",
            ));
        }
        let length = store.length();
        let mark = encoding.mark_length();
        loop {
            let whole = front.len() as u64 >= length;
            let body = front.get(mark..).unwrap_or(&[]);
            let head = Head::new(body, mark as u64, 1, whole);
            let sideways = detection::detect(&head.lines);
            let understood = if sideways.is_some() {
                Err(ErrorKind::UnsupportedFormat.error(format!(
                        "the table has one row a channel and more than {} MiB; export it with one row a frame",
                        HEAD_LIMIT >> 20
                    ),
                ))
            } else {
                Understood::of(&head, options)
            };
            let more = match &understood {
                _ if sideways.is_some() => true,
                Ok(Understood { layout, .. }) => {
                    head.lines.len() < layout.first_row + 16
                        || layout.may_be_labelled && length <= records::SCAN_LIMIT
                }
                Err(_) => true,
            };
            if more && !whole && front.len() < HEAD_LIMIT {
                front = store.front((front.len() * 8).min(HEAD_LIMIT))?;
                continue;
            }
            let line_end = head.line_end();
            if let Some((dialect, rows)) = sideways.filter(|_| whole) {
                let source = record::read(&origin.name, &head, dialect, &rows, options)?;
                return Ok(Self {
                    encoding,
                    line_end,
                    length,
                    sideways: Some(dialect),
                    layouts: Vec::new(),
                    sources: vec![Box::new(source)],
                });
            }
            if let Some(line) = head.unended.filter(|_| understood.is_err()) {
                return Err(too_long(line));
            }
            let terminator = head.terminator;
            let first = understood?;
            drop(head);
            let mut text = Self {
                encoding,
                line_end,
                length,
                sideways: None,
                layouts: Vec::new(),
                sources: Vec::new(),
            };
            text.add_records(origin, &Arc::new(store), first, terminator, options)?;
            return Ok(text);
        }
    }

    /// Opens the sources of a record, and of those that follow it in the file.
    fn add_records(
        &mut self,
        origin: &Origin,
        store: &Arc<Store>,
        mut record: Understood,
        terminator: u8,
        options: &LoadOptions,
    ) -> Result<(), Error> {
        let length = self.length;
        let mut remarks_left = REMARKS_MOST;
        loop {
            let next = match length {
                ..=records::SCAN_LIMIT => {
                    Self::next_record(store, &record, terminator, &mut remarks_left, options)?
                }
                _ => None,
            };
            let end = next.as_ref().map(|(place, _)| place.offset);
            for mut found in record.captures {
                found.plan.end = end;
                found.plan.unsearched = length > records::SCAN_LIMIT;
                self.sources
                    .push(Box::new(source_of(origin, store, found)?));
            }
            self.layouts.push(record.layout);
            match next {
                Some((_, following)) if self.layouts.len() < RECORDS_MOST => record = following,
                Some((place, _)) => {
                    return Err(ErrorKind::UnsupportedFormat
                        .error(format!(
                            "more than {RECORDS_MOST} records in one file; split it"
                        ))
                        .at_line(place.line));
                }
                None => return Ok(()),
            }
        }
    }

    /// The record after one, where its head or its times say that there is one.
    fn next_record(
        store: &Store,
        record: &Understood,
        terminator: u8,
        remarks_left: &mut usize,
        options: &LoadOptions,
    ) -> Result<Option<(Place, Understood)>, Error> {
        let labelled = record.layout.may_be_labelled;
        let Some(plan) = record.plan().filter(|_| !labelled) else {
            return Ok(None);
        };
        let start = plan.first_number();
        let mut from = Place {
            offset: plan.offset,
            line: plan.line,
            after_blank: false,
        };
        while *remarks_left > 0 {
            let candidate =
                records::next_candidate(store, from, terminator, record.layout.dialect, start)?;
            let Some(place) = candidate else {
                return Ok(None);
            };
            if let Some(following) = Self::record_at(store, place, record, options)? {
                return Ok(Some((place, following)));
            }
            *remarks_left -= 1;
            from = records::next_line(store, place, terminator)?;
        }
        Ok(None)
    }

    /// The record that begins at a place; `None` where a remark or the head of a page stands there.
    fn record_at(
        store: &Store,
        place: Place,
        before: &Understood,
        options: &LoadOptions,
    ) -> Result<Option<Understood>, Error> {
        let left = usize::try_from(store.length().saturating_sub(place.offset));
        let mut bytes = vec![0; left.map_or(HEAD_BYTES, |left| left.min(HEAD_BYTES))];
        let count = store.read_at(&mut bytes, place.offset)?;
        bytes.truncate(count);
        let whole = count < HEAD_BYTES;
        let head = Head::new(&bytes, place.offset, place.line, whole);
        let found = match Understood::of(&head, options) {
            Ok(found) if head.lines.len() >= found.layout.first_row + 2 => found,
            _ => return Ok(None),
        };
        let layout = &found.layout;
        let repeated = layout.header_line.is_some() && layout.names().eq(before.layout.names());
        // Rows that go on in time below the same names are those of the next page.
        let plans = before.plan().zip(found.plan());
        let numbers = plans
            .and_then(|(first, next)| Some((first, first.first_number()?, next.first_number()?)));
        let (restarts, goes_on) = match numbers {
            Some((first, start, again)) => {
                let last = records::number_before(store, place, before.layout.dialect)?;
                let step = last.map_or(0.0, |last| again - last);
                let factor = first.factor().unwrap_or(1.0);
                let wanted = first.grid.map_or(0.0, |grid| grid.step_s / factor);
                (again <= start, step > 0.0 && step < 2.0 * wanted)
            }
            None => (false, false),
        };
        let headed = layout.header_line.is_some() && (place.after_blank || layout.first_row > 1);
        let same = repeated && goes_on;
        Ok((!same && (repeated || restarts || headed)).then_some(found))
    }
}

fn source_of(origin: &Origin, store: &Arc<Store>, found: Found) -> Result<TableSource, Error> {
    let line = found.plan.line;
    let (time_base, _) =
        rate::decide(found.plan.stated_rates, found.plan.grid).map_err(|error| {
            match (error.kind(), error.line()) {
                (ErrorKind::BadValue, None) => error.at_line(line),
                _ => error,
            }
        })?;
    let mut header = CaptureHeader::new(&origin.name, found.channels, time_base);
    header.acquisition = found.acquisition;
    header.logic_channels = found.logic;
    let coarse = found
        .plan
        .grid
        .is_some_and(|grid| grid.step_uncertainty_s > 2e-4 * grid.step_s.abs());
    let mut source = TableSource::new(
        origin.path.clone(),
        Arc::clone(store),
        found.plan,
        header,
        found.warnings,
    );
    if coarse {
        source.survey()?;
    }
    Ok(source)
}
