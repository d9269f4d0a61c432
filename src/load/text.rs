//! Opening a text capture: its front is understood, its rows are left to be read.

use super::LoadOptions;
use super::bytes::{TextEncoding, read_full, transcode, unreadable};
use super::head::Head;
use super::layout::{self, Layout};
use super::sniff;
use super::table::TableSource;
use super::time_base;
use crate::capture::CaptureHeader;
use crate::{Error, ErrorKind};
use std::fs::File;
use std::io::{Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;

/// Bytes of a file that are looked at first.
pub(super) const HEAD_BYTES: usize = 1 << 16;
/// A preamble longer than this is not searched for its end.
const HEAD_LIMIT: usize = 1 << 26;

/// A text capture that was opened.
#[derive(Debug)]
pub(super) struct Text {
    pub encoding: TextEncoding,
    pub line_end: &'static str,
    pub layouts: Vec<Layout>,
    pub sources: Vec<TableSource>,
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
            let understood = layout::understand(&head, options);
            let few = match &understood {
                Ok(layout) => head.lines.len() < layout.first_row + 16,
                Err(_) => true,
            };
            if few && !whole && front.len() < HEAD_LIMIT {
                let have = front.len();
                front.resize((have * 8).min(HEAD_LIMIT), 0);
                file.seek(SeekFrom::Start(have as u64)).map_err(failed)?;
                let count = read_full(&mut file, &mut front[have..]).map_err(failed)?;
                front.truncate(have + count);
                continue;
            }
            let line_end = head.line_end();
            let mut layout = understood?;
            let mut sources = Vec::new();
            let file = Arc::new(file);
            for found in std::mem::take(&mut layout.captures) {
                let (time_base, _) = time_base::decide(found.plan.statements, found.plan.grid)?;
                let mut header =
                    CaptureHeader::new(path.display().to_string(), found.channels, time_base);
                header.acquisition = found.acquisition;
                header.logic_channels = found.logic;
                let coarse = found
                    .plan
                    .grid
                    .is_some_and(|grid| grid.step_uncertainty_s > 2e-4 * grid.step_s.abs());
                let mut source = TableSource::new(
                    path.to_path_buf(),
                    Arc::clone(&file),
                    found.plan,
                    header,
                    found.warnings,
                );
                if coarse {
                    source.survey()?;
                }
                sources.push(source);
            }
            return Ok(Self {
                encoding,
                line_end,
                layouts: vec![layout],
                sources,
            });
        }
    }
}
