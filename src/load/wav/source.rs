//! WAV recordings as a source of frames.

use crate::capture::{
    Acquisition, CaptureHeader, Channel, FrameSource, RateOrigin, TimeBase, slice_of,
};
use crate::load::options::LoadOptions;
use crate::load::origin::Origin;
use crate::load::store::Store;
use crate::load::wav::format::{Coding, WaveFormat, read_format};
use crate::{Error, ErrorKind, Warning, WarningCode};
use ndarray::Array2;
use std::path::PathBuf;

/// A recording being read.
#[derive(Debug)]
pub(crate) struct WavSource {
    path: PathBuf,
    store: Store,
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
    pub fn new(origin: &Origin, store: Store, options: &LoadOptions) -> Result<Self, Error> {
        let format = read_format(&store)?;
        if format.frames == 0 {
            return Err(ErrorKind::NoSamples.error("the recording holds no samples"));
        }
        let full_scale = options.full_scale_v.unwrap_or(1.0);
        let unit = options.unit.clone().unwrap_or_else(|| "V".into());
        let (unit, unit_factor) = match crate::load::unit::value_unit(&unit) {
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
        let mut known = Vec::new();
        let time_base = time_base_of(&format, options, &mut known)?;
        if let Some(promised) = format.promised {
            known.push(WarningCode::MissingSamples.warning(format!(
                "the header promises {promised} frames, the file holds {}; copy the file again",
                format.frames
            )));
        }
        let channels = (1..=format.channels)
            .map(|number| Channel {
                name: number.to_string(),
                unit: unit.clone(),
            })
            .collect();
        let mut header = CaptureHeader::new(&origin.name, channels, time_base);
        header.frames = Some(format.frames);
        header.acquisition = acquisition;
        Ok(Self {
            path: origin.path.clone(),
            store,
            format,
            header,
            known,
            factor: range / steps,
            next: 0,
            missing: 0,
            bytes: Vec::new(),
        })
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
            let position = self.format.offset + (self.next + done as u64) * frame_bytes as u64;
            self.store
                .read_at(&mut self.bytes, position)
                .map_err(|error| error.in_file(&self.path))?;
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

/// The time base of a recording: the user's rate, else its own.
fn time_base_of(
    format: &WaveFormat,
    options: &LoadOptions,
    told: &mut Vec<Warning>,
) -> Result<TimeBase, Error> {
    let rate = f64::from(format.sample_rate_hz);
    let Some(user) = options.sample_rate_hz else {
        if format.sample_rate_hz == 0 {
            return Err(ErrorKind::NoSampleRate.error(
                "the header of the recording tells no sample rate; give it with --sample-rate",
            ));
        }
        return Ok(TimeBase::from_rate(rate, RateOrigin::Header));
    };
    if rate > 0.0 && (user / rate - 1.0).abs() > 1e-3 {
        told.push(WarningCode::RateMismatch.warning(format!(
            "the option says {user} Hz, the recording's header {rate} Hz; the option is used"
        )));
    }
    Ok(TimeBase::from_rate(user, RateOrigin::User))
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
        self.fill(slice_of(block, self.format.channels)?, stride)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.next = 0;
        self.missing = 0;
        Ok(())
    }

    fn warnings(&self) -> Vec<Warning> {
        let mut warnings = self.known.clone();
        if self.missing > 0 {
            warnings.push(WarningCode::MissingSamples.warning(format!(
                "{} samples of the recording are no numbers",
                self.missing
            )));
        }
        warnings
    }
}
