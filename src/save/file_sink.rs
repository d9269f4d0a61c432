//! Writes separated captures to files that are complete or absent.

use super::wave_file::WaveFile;
use crate::capture::{CaptureHeader, FrameSink};
use crate::printable::text_cell;
use crate::{Error, ErrorKind};
use ndarray::Array2;
use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

type Temporary = BufWriter<File>;

/// Writes a capture to a `.wav` or `.csv` file, by its ending.
///
/// WAV is 32-bit float, so nothing clips: digital 1 is the capture's full scale (1 where it is not
/// known). CSV has a `time_s` column on the capture's own time base and every value in full. The file
/// appears under its name only when it is complete.
pub struct FileSink {
    path: PathBuf,
    kind: Kind,
    state: State,
}

#[derive(Clone, Copy)]
enum Kind {
    Wav,
    Csv,
}

#[allow(clippy::large_enum_variant)]
enum State {
    Closed,
    Wav {
        file: NamedTempFile,
        writer: Box<WaveFile>,
        scale: f64,
    },
    Csv {
        file: NamedTempFile,
        writer: Box<csv::Writer<Temporary>>,
        start_s: f64,
        rate_hz: f64,
        next: u64,
    },
}

impl FileSink {
    /// A sink for `path`.
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
                return Err(Error::new(
                    ErrorKind::BadOption,
                    "the output's name must end in .wav or .csv",
                )
                .in_file(&path));
            }
        };
        Ok(Self {
            path,
            kind,
            state: State::Closed,
        })
    }

    fn failed(&self, what: impl std::fmt::Display) -> Error {
        Error::new(
            ErrorKind::Unwritable,
            format!("cannot be written: {what}; check folder, permission and space"),
        )
        .in_file(&self.path)
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
            .map_err(|e| self.failed(e))?;
        let handle = file.as_file().try_clone().map_err(|e| self.failed(e))?;
        Ok((file, handle))
    }
}

impl FrameSink for FileSink {
    fn begin(&mut self, header: &CaptureHeader) -> Result<(), Error> {
        let (file, handle) = self.open()?;
        let rate_hz = header.time_base.sample_rate_hz;
        self.state = match self.kind {
            Kind::Wav => {
                let rate = rate_hz.round();
                if rate < 1.0
                    || rate > f64::from(u32::MAX)
                    || (rate - rate_hz).abs() > 1e-6 * rate_hz
                {
                    return Err(Error::new(
                        ErrorKind::BadOption,
                        format!(
                            "a WAV file holds whole sample rates only, this capture has {rate_hz} Hz; \
                             write .csv instead"
                        ),
                    )
                    .in_file(&self.path));
                }
                let channels = u16::try_from(header.channels.len())
                    .map_err(|_| self.failed("too many channels"))?;
                let spec = hound::WavSpec {
                    channels,
                    sample_rate: rate as u32,
                    bits_per_sample: 32,
                    sample_format: hound::SampleFormat::Float,
                };
                let writer = WaveFile::new(handle, spec).map_err(|e| self.failed(e))?;
                let scale = 1.0 / header.acquisition.full_scale_v.unwrap_or(1.0);
                State::Wav {
                    file,
                    writer: Box::new(writer),
                    scale,
                }
            }
            Kind::Csv => {
                let mut writer =
                    csv::Writer::from_writer(BufWriter::with_capacity(1 << 16, handle));
                let mut names = vec!["time_s".to_owned()];
                names.extend(header.channels.iter().map(|c| {
                    let heading = match c.unit.as_str() {
                        "" => c.name.clone(),
                        unit => format!("{} ({unit})", c.name),
                    };
                    text_cell(&heading).into_owned()
                }));
                writer.write_record(&names).map_err(|e| self.failed(e))?;
                State::Csv {
                    file,
                    writer: Box::new(writer),
                    start_s: header.time_base.start_s,
                    rate_hz,
                    next: 0,
                }
            }
        };
        Ok(())
    }

    fn write_block(&mut self, block: &Array2<f64>, frames: usize) -> Result<(), Error> {
        let problem = match &mut self.state {
            State::Closed => Some("no header was given".to_owned()),
            State::Wav { writer, scale, .. } => writer.write(block, frames, *scale).err(),
            State::Csv {
                writer,
                start_s,
                rate_hz,
                next,
                ..
            } => (0..frames)
                .try_for_each(|i| {
                    let time = *start_s + *next as f64 / *rate_hz;
                    *next += 1;
                    writer.write_field(time.to_string())?;
                    for v in block.column(i) {
                        let text = if v.is_nan() {
                            String::new()
                        } else {
                            v.to_string()
                        };
                        writer.write_field(text)?;
                    }
                    writer.write_record(None::<&[u8]>)
                })
                .err()
                .map(|e| e.to_string()),
        };
        problem.map_or(Ok(()), |e| Err(self.failed(e)))
    }

    fn finish(&mut self) -> Result<(), Error> {
        let file = match std::mem::replace(&mut self.state, State::Closed) {
            State::Closed => return Err(self.failed("nothing was written")),
            State::Wav { file, writer, .. } => {
                writer.finish().map_err(|e| self.failed(e))?;
                file
            }
            State::Csv {
                file, mut writer, ..
            } => {
                writer.flush().map_err(|e| self.failed(e))?;
                file
            }
        };
        file.persist(&self.path).map_err(|e| self.failed(e.error))?;
        Ok(())
    }
}
