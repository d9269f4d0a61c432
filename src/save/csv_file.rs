//! A CSV file: a time column and one column a channel, every value in full.

use crate::capture::CaptureHeader;
use crate::printable::text_cell;
use ndarray::Array2;
use std::fs::File;
use std::io::BufWriter;

/// Bytes that are gathered before they are written.
const BUFFER_BYTES: usize = 1 << 16;

/// Writes samples behind a heading, with times on the capture's own time base.
pub(super) struct CsvFile {
    writer: csv::Writer<BufWriter<File>>,
    start_s: f64,
    rate_hz: f64,
    next: u64,
}

impl CsvFile {
    /// Writes the heading.
    pub(super) fn new(file: File, header: &CaptureHeader) -> Result<Self, csv::Error> {
        let mut writer = csv::Writer::from_writer(BufWriter::with_capacity(BUFFER_BYTES, file));
        let mut names = vec!["time_s".to_owned()];
        names.extend(header.channels.iter().map(|c| {
            let heading = match c.unit.as_str() {
                "" => c.name.clone(),
                unit => format!("{} ({unit})", c.name),
            };
            text_cell(&heading).into_owned()
        }));
        writer.write_record(&names)?;
        Ok(Self {
            writer,
            start_s: header.time_base.start_s,
            rate_hz: header.time_base.sample_rate_hz,
            next: 0,
        })
    }

    /// Appends the leading `frames` columns of `block`; a missing sample is an empty cell.
    pub(super) fn write(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), csv::Error> {
        for i in 0..frames {
            let time = self.start_s + self.next as f64 / self.rate_hz;
            self.next += 1;
            self.writer.write_field(time.to_string())?;
            for v in block.column(i) {
                let text = if v.is_nan() {
                    String::new()
                } else {
                    v.to_string()
                };
                self.writer.write_field(text)?;
            }
            self.writer.write_record(None::<&[u8]>)?;
        }
        Ok(())
    }

    /// Writes what is still gathered.
    pub(super) fn finish(mut self) -> std::io::Result<()> {
        self.writer.flush()
    }
}
