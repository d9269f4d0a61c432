//! Writes separated captures to files that are complete or absent.

use super::csv_file::CsvFile;
use super::wave_file::WaveFile;
use crate::capture::{CaptureHeader, FrameSink};
use crate::{Error, ErrorKind};
use ndarray::Array2;
use std::fs::File;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Relative distance from a whole sample rate that a WAV file passes over: a millionth, below what
/// sample clocks keep (common practice, no source).
const RATE_TOLERANCE: f64 = 1e-6;

/// Writes a capture to a `.wav` or `.csv` file, by its ending.
///
/// WAV is 32-bit float, so nothing clips: digital 1 is the capture's full scale (1 where it is not
/// known). CSV has a `time_s` column on the capture's own time base and every value in full. The file
/// appears under its name only when it is complete, in place of one that stood there. A missing sample
/// is an empty cell in CSV, NaN in WAV.
pub struct FileSink {
    path: PathBuf,
    kind: Kind,
    open: Option<Open>,
}

#[derive(Clone, Copy)]
enum Kind {
    Wav,
    Csv,
}

enum Writer {
    Wav(Box<WaveFile>),
    Csv(Box<CsvFile>),
}

/// A file that has no name yet, and what writes to it.
struct Open {
    file: NamedTempFile,
    writer: Writer,
}

impl FileSink {
    /// A sink for `path`; nothing is written before [`begin`](FrameSink::begin).
    ///
    /// # Errors
    /// `BadOption` where the ending is neither `.wav` nor `.csv`.
    pub fn new(path: impl Into<PathBuf>) -> Result<Self, Error> {
        let path = path.into();
        let ending = path
            .extension()
            .map(|e| e.to_string_lossy().to_ascii_lowercase());
        let kind = match ending.as_deref() {
            Some("wav") => Kind::Wav,
            Some("csv") => Kind::Csv,
            _ => {
                return Err(ErrorKind::BadOption
                    .error("the output's name must end in .wav or .csv")
                    .in_file(&path));
            }
        };
        Ok(Self {
            path,
            kind,
            open: None,
        })
    }

    fn failed(&self, what: impl std::fmt::Display) -> Error {
        ErrorKind::Unwritable
            .error(format!(
                "cannot be written: {what}; check folder, permission and space"
            ))
            .in_file(&self.path)
    }

    fn caused(&self, by: impl std::error::Error + Send + Sync + 'static) -> Error {
        self.failed(&by).from(by)
    }

    fn open(&self) -> Result<(NamedTempFile, File), Error> {
        let folder = match self.path.parent() {
            Some(p) if !p.as_os_str().is_empty() => p,
            _ => Path::new("."),
        };
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        let builder = {
            use std::os::unix::fs::PermissionsExt as _;
            builder.permissions(std::fs::Permissions::from_mode(0o666))
        };
        let file = builder
            .prefix(".separating-")
            .tempfile_in(folder)
            .map_err(|e| self.caused(e))?;
        let handle = file.as_file().try_clone().map_err(|e| self.caused(e))?;
        Ok((file, handle))
    }

    fn wave_file(&self, file: File, header: &CaptureHeader) -> Result<WaveFile, Error> {
        let rate_hz = header.time_base.sample_rate_hz;
        let rate = rate_hz.round();
        if rate < 1.0
            || rate > f64::from(u32::MAX)
            || (rate - rate_hz).abs() > RATE_TOLERANCE * rate_hz
        {
            return Err(ErrorKind::BadOption
                .error(format!(
                    "a WAV file holds whole sample rates only, this capture has {rate_hz} Hz; \
                     write .csv instead"
                ))
                .in_file(&self.path));
        }
        let channels =
            u16::try_from(header.channels.len()).map_err(|_| self.failed("too many channels"))?;
        let spec = hound::WavSpec {
            channels,
            sample_rate: rate as u32,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let scale = 1.0 / header.acquisition.full_scale_v.unwrap_or(1.0);
        WaveFile::new(file, spec, scale).map_err(|e| self.failed(e))
    }
}

impl FrameSink for FileSink {
    fn begin(&mut self, header: &CaptureHeader) -> Result<(), Error> {
        let (file, handle) = self.open()?;
        let writer = match self.kind {
            Kind::Wav => Writer::Wav(Box::new(self.wave_file(handle, header)?)),
            Kind::Csv => {
                let file = CsvFile::new(handle, header).map_err(|e| self.caused(e))?;
                Writer::Csv(Box::new(file))
            }
        };
        self.open = Some(Open { file, writer });
        Ok(())
    }

    fn write_block(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), Error> {
        let problem = match self.open.as_mut().map(|open| &mut open.writer) {
            None => Some("no header was given".to_owned()),
            Some(Writer::Wav(writer)) => writer.write(block, frames).err(),
            Some(Writer::Csv(writer)) => writer.write(block, frames).err().map(|e| e.to_string()),
        };
        problem.map_or(Ok(()), |e| Err(self.failed(e)))
    }

    fn finish(&mut self) -> Result<(), Error> {
        let Some(Open { file, writer }) = self.open.take() else {
            return Err(self.failed("nothing was written"));
        };
        match writer {
            Writer::Wav(writer) => writer.finish().map_err(|e| self.failed(e))?,
            Writer::Csv(writer) => writer.finish().map_err(|e| self.caused(e))?,
        }
        file.persist(&self.path).map_err(|e| self.caused(e.error))?;
        Ok(())
    }
}
