//! What the header of a WAV recording says.

use crate::load::store::Store;
use crate::{Error, ErrorKind};
use std::io::Cursor;

/// How a sample is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Coding {
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
    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
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
pub(crate) struct WaveFormat {
    /// Container: `RIFF`, `RF64` or `BW64`.
    pub container: String,
    pub coding: Coding,
    /// Bits that carry the signal.
    pub valid_bits: u32,
    pub channels: usize,
    /// 0 where the header does not tell it.
    pub sample_rate_hz: u32,
    /// Byte at which the samples start.
    pub offset: u64,
    /// Frames in the file, whatever its header claims.
    pub frames: u64,
    /// Frames that the header promises, where it promises more than the file holds.
    pub promised: Option<u64>,
}

fn unsupported(message: impl Into<String>) -> Error {
    ErrorKind::UnsupportedFormat.error(message)
}

fn bytes_at<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..)?.first_chunk().copied()
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes_at(bytes, at).map(u16::from_le_bytes)
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes_at(bytes, at).map(u32::from_le_bytes)
}

fn damaged(message: impl Into<String>) -> Error {
    ErrorKind::Unreadable.error(message)
}

/// Longest format chunk that is looked at; the standard ones have 16 to 40 bytes.
const FORMAT_BYTES: usize = 64;

/// More chunks in front of the samples than this are no recording.
const CHUNKS_MOST: usize = 100_000;

/// Walks the chunks of a RIFF, RF64 or BW64 file up to its samples.
///
/// Chunk sizes are taken for claims: nothing is allocated by them, and a data size of 0 or all ones
/// (a recording that was streamed) means up to the file's end.
pub(crate) fn read_format(store: &Store) -> Result<WaveFormat, Error> {
    let mut start = [0; 12];
    if store.read_at(&mut start, 0)? < 12 {
        return Err(damaged("the WAV header is cut short; copy the file again"));
    }
    let container = String::from_utf8_lossy(&start[..4]).into_owned();
    let wide = container != "RIFF";
    let mut at = 12;
    let mut wide_data: Option<u64> = None;
    let mut format: Option<Vec<u8>> = None;
    for _ in 0..CHUNKS_MOST {
        let mut chunk = [0; 8];
        if store.read_at(&mut chunk, at)? < 8 {
            break;
        }
        let size = u64::from(u32_at(&chunk, 4).unwrap_or(0));
        match &chunk[..4] {
            b"ds64" => {
                let mut sizes = [0; 16];
                if store.read_at(&mut sizes, at + 8)? == 16 {
                    wide_data = bytes_at(&sizes, 8).map(u64::from_le_bytes);
                }
            }
            b"fmt " => {
                let mut body = vec![0; size.min(FORMAT_BYTES as u64) as usize];
                let count = store.read_at(&mut body, at + 8)?;
                body.truncate(count);
                format = Some(body);
            }
            b"data" => {
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
                return interpret(store, body, container, at + 8, stated);
            }
            _ => {}
        }
        at = next_chunk(store, at, size)?;
        if at >= store.length() {
            break;
        }
    }
    Err(damaged(
        "the WAV file ends before its samples, or a chunk in front of them claims more bytes than there are; copy the file again",
    ))
}

/// Where the chunk after one begins: behind the byte that fills up an odd one, unless that was left out.
fn next_chunk(store: &Store, at: u64, size: u64) -> Result<u64, Error> {
    let end = at.saturating_add(8).saturating_add(size);
    if size & 1 == 0 {
        return Ok(end);
    }
    let mut names = [0; 5];
    let count = store.read_at(&mut names, end)?;
    let is_name = |name: &[u8]| name.iter().all(|byte| matches!(byte, b' '..=b'~'));
    let unpadded = count > 4
        && names[0] != 0
        && is_name(&names[..4])
        && (is_known(&names[..4]) || !is_name(&names[1..]));
    Ok(end.saturating_add(u64::from(!unpadded)))
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

/// How samples of so many bytes, so many bits of them used, are coded under a format tag.
fn coding_of(
    tag: u16,
    bytes: usize,
    bits: u32,
    spec: Option<hound::WavSpec>,
) -> Result<Coding, Error> {
    let signed = match spec {
        Some(spec) => spec.sample_format == hound::SampleFormat::Int,
        None => bits.div_ceil(8) as usize == bytes,
    };
    let why = match (tag, bytes) {
        (3, 8) => return Ok(Coding::Float64),
        (3, 4) => return Ok(Coding::Float32),
        (1, 1) => return Ok(Coding::Unsigned8),
        (1, 2..=4) if signed => return Ok(Coding::Signed(bytes as u8)),
        (2 | 0x11, _) => "this is ADPCM-coded WAV; convert it to linear PCM".into(),
        (6 | 7, _) => "this is A-law or mu-law WAV; convert it to linear PCM".into(),
        (0x50 | 0x55, _) => {
            "this is MPEG-coded WAV; lossy coding alters noise: record linear PCM".into()
        }
        _ => format!(
            "WAV format {tag} with {bits} bits in {bytes} bytes is not read; convert it to 16-, 24- \
             or 32-bit linear PCM or to float"
        ),
    };
    Err(unsupported(why))
}

fn interpret(
    store: &Store,
    body: &[u8],
    container: String,
    offset: u64,
    stated: u64,
) -> Result<WaveFormat, Error> {
    let short = || damaged("the WAV format chunk is cut short; record the file again");
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
    if channels == 0 {
        return Err(unsupported(
            "the WAV header claims 0 channels; record the file again",
        ));
    }
    if block == 0 || block % channels != 0 {
        return Err(unsupported(format!(
            "the WAV header claims frames of {block} bytes for {channels} channels; record the file again"
        )));
    }
    let bytes = block / channels;
    let coding = coding_of(tag, bytes, bits, hound_spec(body))?;
    if valid_bits == 0 || valid_bits > 64 {
        return Err(unsupported(format!(
            "the WAV header claims {valid_bits} bits a sample; record the file again"
        )));
    }
    let held = store.length().saturating_sub(offset);
    let streamed = stated == 0 || stated == u64::from(u32::MAX) || stated == u64::MAX;
    let streamed = streamed && !(stated == 0 && trailing_chunk(store, offset)?);
    let size = if streamed { held } else { stated.min(held) };
    let promised = (!streamed && stated > held).then(|| stated / block as u64);
    if promised.is_some() && size < block as u64 {
        return Err(damaged(
            "the WAV file ends where its samples should begin; copy the file again",
        ));
    }
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
fn trailing_chunk(store: &Store, offset: u64) -> Result<bool, Error> {
    let mut name = [0; 4];
    Ok(store.read_at(&mut name, offset)? == 4 && is_known(&name))
}

/// Whether four bytes are the name of a chunk that recordings hold.
fn is_known(name: &[u8]) -> bool {
    matches!(
        name,
        b"fmt "
            | b"data"
            | b"LIST"
            | b"id3 "
            | b"ID3 "
            | b"bext"
            | b"fact"
            | b"cue "
            | b"smpl"
            | b"junk"
            | b"JUNK"
            | b"PEAK"
    )
}
