//! Seeded captures for the benches: offset, mains with harmonics, a tone, white noise.
#![allow(dead_code, clippy::unwrap_used)]

use humsieve::capture::{CaptureHeader, Channel, RateOrigin, TimeBase};
use humsieve::{Capture, load};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Frames a second of every capture here.
pub const RATE_HZ: f64 = 48_000.0;

/// Record lengths to go through: by tens up to `most`; longer ones with `HUMSIEVE_LONG` set.
pub fn lengths(most: usize) -> impl Iterator<Item = usize> {
    let most = if std::env::var_os("HUMSIEVE_LONG").is_some() {
        100_000_000
    } else {
        most
    };
    (4..=8)
        .map(|power| 10usize.pow(power))
        .filter(move |&n| n <= most)
}

/// Sample `n` of a channel, without its noise.
fn clean(n: usize, channel: usize) -> f64 {
    let t = n as f64 / RATE_HZ;
    let hum: f64 = [1.0f64, 3.0, 5.0, 7.0, 9.0]
        .iter()
        .map(|order| 3e-3 / order.powf(1.5) * (TAU * 50.013 * order * t + order).cos())
        .sum();
    0.012 + hum / (channel + 1) as f64 + 2e-4 * (TAU * 1234.5 * t).sin()
}

/// Samples of one channel; noise uniform, 50 uV RMS.
pub fn samples(count: usize, channel: usize) -> impl Iterator<Item = f64> {
    let mut random = ChaCha8Rng::seed_from_u64(channel as u64 + 1);
    (0..count)
        .map(move |n| clean(n, channel) + 50e-6 * 12f64.sqrt() * (random.random::<f64>() - 0.5))
}

/// A capture in memory.
pub fn capture(count: usize, channels: usize) -> Capture {
    let names = (1..=channels).map(|i| Channel {
        name: i.to_string(),
        unit: "V".into(),
    });
    let time_base = TimeBase::from_rate(RATE_HZ, RateOrigin::User);
    let header = CaptureHeader::new("bench", names.collect(), time_base);
    let values: Vec<f64> = (0..channels).flat_map(|c| samples(count, c)).collect();
    Capture::new(
        header,
        Array2::from_shape_vec((channels, count), values).unwrap(),
    )
    .unwrap()
}

/// Writes a text capture: time and the channels.
pub fn write_text(folder: &Path, count: usize, channels: usize) -> PathBuf {
    let path = folder.join(format!("{count}_{channels}.csv"));
    let mut file = BufWriter::new(File::create(&path).unwrap());
    write!(file, "time (s)").unwrap();
    for channel in 1..=channels {
        write!(file, ",input {channel} (V)").unwrap();
    }
    let mut all: Vec<_> = (0..channels).map(|c| samples(count, c)).collect();
    for n in 0..count {
        write!(file, "\n{:.7}", n as f64 / RATE_HZ).unwrap();
        for one in &mut all {
            write!(file, ",{:.8e}", one.next().unwrap()).unwrap();
        }
    }
    writeln!(file).unwrap();
    path
}

/// Writes a recording of 32-bit floats.
pub fn write_wave(folder: &Path, count: usize, channels: usize) -> PathBuf {
    let path = folder.join(format!("{count}_{channels}.wav"));
    let spec = hound::WavSpec {
        channels: channels as u16,
        sample_rate: RATE_HZ as u32,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    let mut all: Vec<_> = (0..channels).map(|c| samples(count, c)).collect();
    for _ in 0..count {
        for one in &mut all {
            writer.write_sample(one.next().unwrap() as f32).unwrap();
        }
    }
    writer.finalize().unwrap();
    path
}

/// Reads a file block by block to its end; the frames read.
pub fn read_through(path: &Path) -> usize {
    let mut frames = 0;
    for mut source in load::open(path, &load::LoadOptions::default()).unwrap() {
        let mut block = Array2::zeros((source.header().channels.len(), 1 << 14));
        loop {
            match source.read_block(&mut block).unwrap() {
                0 => break,
                count => frames += count,
            }
        }
    }
    frames
}
