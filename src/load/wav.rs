//! WAV recordings as a source of frames.

use super::LoadOptions;
use super::bytes::{read_full, unreadable};
use crate::capture::{Acquisition, CaptureHeader, Channel, FrameSource, RateOrigin, TimeBase};
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;
use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::PathBuf;

/// How a sample is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    /// Unsigned, 8 bits or fewer.
    Unsigned8,
    /// Signed, this many bytes.
    Signed(u8),
    /// IEEE 754, 32 bits.
    Float32,
    /// IEEE 754, 64 bits.
    Float64,
}

impl Coding {
    fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 => 1,
            Self::Signed(bytes) => usize::from(bytes),
            Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// Its name in an explanation.
    pub fn name(self) -> String {
        match self {
            Self::Unsigned8 => "8-bit unsigned".into(),
            Self::Signed(bytes) => format!("{}-bit integer", u32::from(bytes) * 8),
            Self::Float32 => "32-bit float".into(),
            Self::Float64 => "64-bit float".into(),
        }
    }
}

/// What a recording's header says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WaveFormat {
    /// Container: `RIFF`, `RF64` or `BW64`.
    pub container: String,
    pub coding: Coding,
    /// Bits that carry the signal.
    pub valid_bits: u32,
    pub channels: usize,
    pub sample_rate_hz: u32,
    /// Byte at which the samples start.
    pub offset: u64,
    /// Frames in the file, whatever its header claims.
    pub frames: u64,
    /// Frames that the header promises, where it promises more than the file holds.
    pub promised: Option<u64>,
}

fn unsupported(message: impl Into<String>) -> Error {
    Error::new(ErrorKind::UnsupportedFormat, message)
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes
        .get(at..at + 2)?
        .try_into()
        .ok()
        .map(u16::from_le_bytes)
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes
        .get(at..at + 4)?
        .try_into()
        .ok()
        .map(u32::from_le_bytes)
}

fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    bytes
        .get(at..at + 8)?
        .try_into()
        .ok()
        .map(u64::from_le_bytes)
}

/// Walks the chunks of a RIFF, RF64 or BW64 file up to its samples.
///
/// Chunk sizes are taken for claims: nothing is allocated by them, and a data size of 0 or all ones
/// (a recording that was streamed) means up to the file's end.
pub(super) fn read_format(file: &mut File) -> Result<WaveFormat, Error> {
    let io = |error: std::io::Error| unreadable(&error);
    let length = file.seek(SeekFrom::End(0)).map_err(io)?;
    file.seek(SeekFrom::Start(0)).map_err(io)?;
    let mut start = [0; 12];
    if read_full(file, &mut start).map_err(io)? < 12 {
        return Err(unsupported(
            "the WAV header is cut short; copy the file again",
        ));
    }
    let container = String::from_utf8_lossy(&start[..4]).into_owned();
    let wide = container != "RIFF";
    let mut at = 12;
    let mut wide_data: Option<u64> = None;
    let mut format: Option<Vec<u8>> = None;
    for _ in 0..100_000 {
        let mut chunk = [0; 8];
        file.seek(SeekFrom::Start(at)).map_err(io)?;
        if read_full(file, &mut chunk).map_err(io)? < 8 {
            break;
        }
        let size = u64::from(u32_at(&chunk, 4).unwrap_or(0));
        match &chunk[..4] {
            b"ds64" => {
                let mut sizes = [0; 16];
                if read_full(file, &mut sizes).map_err(io)? == 16 {
                    wide_data = u64_at(&sizes, 8);
                }
            }
            b"fmt " => {
                let mut body = vec![0; size.min(64) as usize];
                let count = read_full(file, &mut body).map_err(io)?;
                body.truncate(count);
                format = Some(body);
            }
            b"data" => {
                let offset = at + 8;
                let Some(body) = &format else {
                    return Err(unsupported(
                        "the WAV file holds no format in front of its samples; record it again",
                    ));
                };
                let stated = if wide && size == u64::from(u32::MAX) {
                    wide_data.unwrap_or(size)
                } else {
                    size
                };
                return interpret(file, body, container, offset, stated, length);
            }
            _ => {}
        }
        at = at
            .saturating_add(8)
            .saturating_add(size)
            .saturating_add(size & 1);
        if at >= length {
            break;
        }
    }
    let error = if format.is_some() {
        Error::new(
            ErrorKind::NoSamples,
            "the WAV file ends before its samples; copy the file again",
        )
    } else {
        unsupported("the WAV file holds no format in front of its samples; record it again")
    };
    Err(error)
}

/// The spec that hound reads from the header, with the sizes replaced by a single frame's.
fn hound_spec(body: &[u8]) -> Option<hound::WavSpec> {
    let block = u32::from(u16_at(body, 12)?);
    let mut image = Vec::with_capacity(64 + body.len());
    image.extend_from_slice(b"RIFF");
    image.extend_from_slice(&(36 + block).to_le_bytes());
    image.extend_from_slice(b"WAVEfmt ");
    image.extend_from_slice(&u32::try_from(body.len()).ok()?.to_le_bytes());
    image.extend_from_slice(body);
    image.extend_from_slice(b"data");
    image.extend_from_slice(&block.to_le_bytes());
    image.resize(image.len() + block as usize, 0);
    hound::WavReader::new(Cursor::new(image))
        .ok()
        .map(|reader| reader.spec())
}

fn interpret(
    file: &mut File,
    body: &[u8],
    container: String,
    offset: u64,
    stated: u64,
    length: u64,
) -> Result<WaveFormat, Error> {
    let short = || unsupported("the WAV format chunk is cut short; record the file again");
    let mut tag = u16_at(body, 0).ok_or_else(short)?;
    let channels = usize::from(u16_at(body, 2).ok_or_else(short)?);
    let rate = u32_at(body, 4).ok_or_else(short)?;
    let block = usize::from(u16_at(body, 12).ok_or_else(short)?);
    let bits = u32::from(u16_at(body, 14).ok_or_else(short)?);
    let mut valid_bits = bits;
    if tag == 0xfffe {
        tag = u16_at(body, 24).ok_or_else(short)?;
        valid_bits = u16_at(body, 18).map_or(bits, u32::from);
        if valid_bits == 0 || valid_bits > bits {
            valid_bits = bits;
        }
    }
    if channels == 0 || rate == 0 {
        return Err(unsupported(format!(
            "the WAV header claims {channels} channels at {rate} Hz; record the file again"
        )));
    }
    if block == 0 || block % channels != 0 {
        return Err(unsupported(format!(
            "the WAV header claims frames of {block} bytes for {channels} channels; record the file again"
        )));
    }
    let bytes = block / channels;
    let spec = hound_spec(body);
    let coding = match (tag, bytes, spec) {
        (3, 8, _) => Coding::Float64,
        (3, 4, _) => Coding::Float32,
        (1, 1, _) => Coding::Unsigned8,
        (1, 2..=4, Some(spec)) if spec.sample_format == hound::SampleFormat::Int => {
            Coding::Signed(bytes as u8)
        }
        (1, 2..=4, None) if bits <= 8 * bytes as u32 && bits > 8 * (bytes as u32 - 1) => {
            Coding::Signed(bytes as u8)
        }
        (2 | 0x11, ..) => {
            return Err(unsupported(
                "this is ADPCM-coded WAV; convert it to linear PCM",
            ));
        }
        (6 | 7, ..) => {
            return Err(unsupported(
                "this is A-law or mu-law WAV; convert it to linear PCM",
            ));
        }
        (0x50 | 0x55, ..) => {
            return Err(unsupported(
                "this is MPEG-coded WAV; lossy coding alters noise: record linear PCM",
            ));
        }
        _ => {
            return Err(unsupported(format!(
                "WAV format {tag} with {bits} bits in {bytes} bytes is not read; convert it to 16-, 24- or 32-bit linear PCM or to float"
            )));
        }
    };
    if valid_bits == 0 || valid_bits > 64 {
        return Err(unsupported(format!(
            "the WAV header claims {valid_bits} bits a sample; record the file again"
        )));
    }
    let held = length.saturating_sub(offset);
    let streamed = stated == 0 || stated == u64::from(u32::MAX) || stated == u64::MAX;
    let streamed = streamed && !(stated == 0 && trailing_chunk(file, offset)?);
    let size = if streamed { held } else { stated.min(held) };
    let promised = (!streamed && stated > held).then(|| stated / block as u64);
    Ok(WaveFormat {
        container,
        coding,
        valid_bits,
        channels,
        sample_rate_hz: rate,
        offset,
        frames: size / block as u64,
        promised,
    })
}

/// Whether what follows an empty data chunk is another chunk rather than streamed samples.
fn trailing_chunk(file: &mut File, offset: u64) -> Result<bool, Error> {
    file.seek(SeekFrom::Start(offset))
        .map_err(|error| unreadable(&error))?;
    let mut name = [0; 4];
    let count = read_full(file, &mut name).map_err(|error| unreadable(&error))?;
    Ok(count == 4
        && matches!(
            &name,
            b"LIST"
                | b"id3 "
                | b"ID3 "
                | b"bext"
                | b"fact"
                | b"cue "
                | b"smpl"
                | b"junk"
                | b"JUNK"
                | b"PEAK"
        ))
}

/// A recording being read.
#[derive(Debug)]
pub(super) struct WavSource {
    path: PathBuf,
    file: File,
    format: WaveFormat,
    header: CaptureHeader,
    known: Vec<Warning>,
    factor: f64,
    next: u64,
    missing: u64,
    bytes: Vec<u8>,
}

const BUFFER_BYTES: usize = 1 << 17;

impl WavSource {
    pub fn new(
        path: PathBuf,
        name: String,
        mut file: File,
        options: &LoadOptions,
    ) -> Result<Self, Error> {
        let format = read_format(&mut file)?;
        if format.frames == 0 {
            return Err(Error::new(
                ErrorKind::NoSamples,
                "the recording holds no samples",
            ));
        }
        let full_scale = options.full_scale_v.unwrap_or(1.0);
        let unit = options.unit.clone().unwrap_or_else(|| "V".into());
        let (unit, unit_factor) = match super::unit::value_unit(&unit) {
            Some(unit) if options.full_scale_v.is_none() => (unit.name, unit.factor),
            Some(unit) => (unit.name, 1.0),
            None => (unit, 1.0),
        };
        let range = full_scale * unit_factor * options.scale;
        let steps = match format.coding {
            Coding::Unsigned8 => 128.0,
            Coding::Signed(bytes) => 2f64.powi(8 * i32::from(bytes) - 1),
            Coding::Float32 | Coding::Float64 => 1.0,
        };
        let integer = steps > 1.0;
        let acquisition = Acquisition {
            full_scale_v: Some(range.abs()),
            coupling: options.coupling,
            bits: integer.then_some(format.valid_bits),
            lsb_v: integer.then(|| range.abs() / 2f64.powi(format.valid_bits as i32 - 1)),
            ..Acquisition::default()
        };
        let rate = f64::from(format.sample_rate_hz);
        let mut known = Vec::new();
        let time_base = match options.sample_rate_hz {
            Some(user) => {
                if (user / rate - 1.0).abs() > 1e-3 {
                    known.push(Warning::new(
                        WarningCode::RateMismatch,
                        format!("the option says {user} Hz, the recording's header {rate} Hz; the option is used"),
                    ));
                }
                TimeBase::from_rate(user, RateOrigin::User)
            }
            None => TimeBase::from_rate(rate, RateOrigin::Header),
        };
        if let Some(promised) = format.promised {
            known.push(Warning::new(
                WarningCode::MissingSamples,
                format!(
                    "the header promises {promised} frames, the file holds {}; copy the file again",
                    format.frames
                ),
            ));
        }
        let channels = (1..=format.channels)
            .map(|number| Channel {
                name: number.to_string(),
                unit: unit.clone(),
            })
            .collect();
        let mut header = CaptureHeader::new(name, channels, time_base);
        header.frames = Some(format.frames);
        header.acquisition = acquisition;
        let mut source = Self {
            path,
            file,
            format,
            header,
            known,
            factor: range / steps,
            next: 0,
            missing: 0,
            bytes: Vec::new(),
        };
        source.rewind()?;
        Ok(source)
    }

    /// What the header says.
    pub fn format(&self) -> &WaveFormat {
        &self.format
    }

    fn fill(&mut self, out: &mut [f64], stride: usize) -> Result<usize, Error> {
        let frame_bytes = self.format.channels * self.format.coding.bytes();
        let portion = (BUFFER_BYTES / frame_bytes).max(1);
        let left = self.format.frames - self.next;
        let wanted = stride.min(usize::try_from(left).unwrap_or(usize::MAX));
        let mut done = 0;
        while done < wanted {
            let frames = portion.min(wanted - done);
            self.bytes.resize(frames * frame_bytes, 0);
            self.file
                .read_exact(&mut self.bytes)
                .map_err(|error| unreadable(&error).in_file(&self.path))?;
            for channel in 0..self.format.channels {
                let start = channel * stride + done;
                let row = &mut out[start..start + frames];
                decode(
                    &self.bytes,
                    self.format.coding,
                    channel,
                    self.format.channels,
                    self.factor,
                    row,
                );
            }
            done += frames;
        }
        if matches!(self.format.coding, Coding::Float32 | Coding::Float64) {
            for channel in 0..self.format.channels {
                let row = &out[channel * stride..channel * stride + done];
                self.missing += row.iter().filter(|value| value.is_nan()).count() as u64;
            }
        }
        self.next += done as u64;
        Ok(done)
    }
}

/// Decodes one channel of interleaved frames.
fn decode(
    bytes: &[u8],
    coding: Coding,
    channel: usize,
    channels: usize,
    factor: f64,
    row: &mut [f64],
) {
    let width = coding.bytes();
    let first = channel * width;
    let frame = channels * width;
    match coding {
        Coding::Unsigned8 => {
            for (value, frame) in row.iter_mut().zip(bytes.chunks_exact(frame)) {
                *value = (f64::from(frame[first]) - 128.0) * factor;
            }
        }
        Coding::Signed(2) => convert(bytes, first, frame, row, |b: [u8; 2]| {
            f64::from(i16::from_le_bytes(b)) * factor
        }),
        Coding::Signed(3) => convert(bytes, first, frame, row, |b: [u8; 3]| {
            f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) * factor
        }),
        Coding::Signed(_) => convert(bytes, first, frame, row, |b: [u8; 4]| {
            f64::from(i32::from_le_bytes(b)) * factor
        }),
        Coding::Float32 => convert(bytes, first, frame, row, |b: [u8; 4]| {
            f64::from(f32::from_le_bytes(b)) * factor
        }),
        Coding::Float64 => convert(bytes, first, frame, row, |b: [u8; 8]| {
            f64::from_le_bytes(b) * factor
        }),
    }
}

#[inline]
fn convert<const N: usize>(
    bytes: &[u8],
    first: usize,
    frame: usize,
    row: &mut [f64],
    value: impl Fn([u8; N]) -> f64,
) {
    if frame == N {
        let (samples, _) = bytes.as_chunks::<N>();
        for (place, sample) in row.iter_mut().zip(samples) {
            *place = value(*sample);
        }
        return;
    }
    for (place, frame) in row.iter_mut().zip(bytes.chunks_exact(frame)) {
        if let Some(sample) = frame.get(first..first + N).and_then(|s| s.try_into().ok()) {
            *place = value(sample);
        }
    }
}

impl FrameSource for WavSource {
    fn header(&self) -> &CaptureHeader {
        &self.header
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let stride = block.ncols();
        let enough = block.nrows() >= self.format.channels;
        match block.as_slice_mut() {
            Some(out) if enough => self.fill(out, stride),
            _ => Err(Error::new(
                ErrorKind::BadOption,
                "the block must have a row for every channel, in standard layout",
            )),
        }
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.next = 0;
        self.missing = 0;
        self.file
            .seek(SeekFrom::Start(self.format.offset))
            .map(|_| ())
            .map_err(|error| unreadable(&error).in_file(&self.path))
    }

    fn warnings(&self) -> Vec<Warning> {
        let mut warnings = self.known.clone();
        if self.missing > 0 {
            warnings.push(Warning::new(
                WarningCode::MissingSamples,
                format!("{} samples of the recording are no numbers", self.missing),
            ));
        }
        warnings
    }
}
