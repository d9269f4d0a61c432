//! A WAV file of 32-bit float samples, written in whole blocks.

use ndarray::Array2;
use std::fs::File;
use std::io::{Cursor, Seek, SeekFrom, Write};

/// Writes samples behind a header whose sizes are put right at the end.
pub(super) struct WaveFile {
    file: File,
    /// What samples are multiplied by.
    scale: f64,
    header: Vec<u8>,
    data_bytes: u64,
    bytes: Vec<u8>,
}

impl WaveFile {
    /// Writes the header of an empty recording; samples are multiplied by `scale`.
    pub(super) fn new(mut file: File, spec: hound::WavSpec, scale: f64) -> Result<Self, String> {
        let mut header = Cursor::new(Vec::new());
        let writer = hound::WavWriter::new(&mut header, spec).map_err(|e| e.to_string())?;
        writer.finalize().map_err(|e| e.to_string())?;
        let header = header.into_inner();
        file.write_all(&header).map_err(|e| e.to_string())?;
        Ok(Self {
            file,
            scale,
            header,
            data_bytes: 0,
            bytes: Vec::new(),
        })
    }

    /// Appends the leading `frames` columns of `block`, scaled, channels interleaved.
    pub(super) fn write(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), String> {
        let scale = self.scale;
        let channels = block.nrows();
        self.bytes.resize(4 * channels * frames, 0);
        let (places, _) = self.bytes.as_chunks_mut::<4>();
        for (channel, row) in block.rows().into_iter().enumerate() {
            let values = row.iter().take(frames);
            match row.to_slice() {
                Some(row) if channels == 1 => {
                    for (place, v) in places.iter_mut().zip(row) {
                        *place = ((v * scale) as f32).to_le_bytes();
                    }
                }
                _ => {
                    for (place, v) in places[channel..].iter_mut().step_by(channels).zip(values) {
                        *place = ((v * scale) as f32).to_le_bytes();
                    }
                }
            }
        }
        self.data_bytes += self.bytes.len() as u64;
        self.file.write_all(&self.bytes).map_err(|e| e.to_string())
    }

    /// Puts the sizes into the header.
    pub(super) fn finish(mut self) -> Result<(), String> {
        let whole = self.data_bytes + self.header.len() as u64 - 8;
        let size = |bytes: u64| {
            u32::try_from(bytes)
                .map_err(|_| "more than 4 GiB do not fit a WAV file; write .csv".to_owned())
        };
        let (whole, data) = (
            size(whole)?.to_le_bytes(),
            size(self.data_bytes)?.to_le_bytes(),
        );
        for (at, bytes) in [(4, whole), (self.header.len() as u64 - 4, data)] {
            self.file
                .seek(SeekFrom::Start(at))
                .and_then(|_| self.file.write_all(&bytes))
                .map_err(|e| e.to_string())?;
        }
        Ok(())
    }
}
