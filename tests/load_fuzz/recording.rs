//! WAV recordings with every part of their headers open to damage.

use rand::{Rng, RngExt};
use std::f64::consts::TAU;

/// A size as it should be, or a lie.
fn claimed(rng: &mut impl Rng, size: usize) -> u32 {
    match rng.random_range(0..12) {
        0 => 0,
        1 => u32::MAX,
        2 => rng.random(),
        3 => size as u32 + 1,
        4 => (size as u32).wrapping_sub(1),
        _ => size as u32,
    }
}

fn chunk(rng: &mut impl Rng, name: &[u8; 4], body: &[u8], out: &mut Vec<u8>) {
    out.extend(name);
    out.extend(claimed(rng, body.len()).to_le_bytes());
    out.extend(body);
    if body.len() % 2 == 1 && rng.random_bool(0.7) {
        out.push(0);
    }
}

fn noise(rng: &mut impl Rng, most: usize) -> Vec<u8> {
    let length = rng.random_range(0..=most);
    (0..length).map(|_| rng.random()).collect()
}

fn format(rng: &mut impl Rng) -> Vec<u8> {
    let tag = [1, 1, 1, 3, 3, 0xfffe, 0xfffe, 2, 7, 0x55, 0, rng.random()][rng.random_range(0..12)];
    let channels: u16 = [1, 1, 2, 2, 3, 0, 8, 65_535][rng.random_range(0..8)];
    let bits: u16 = [8, 16, 16, 24, 32, 32, 64, 12, 20, 0, 65_535][rng.random_range(0..11)];
    let rate: u32 = [8000, 44_100, 1, 0, u32::MAX][rng.random_range(0..5)];
    let block = channels.wrapping_mul(bits.div_ceil(8));
    let block = if rng.random_bool(0.9) {
        block
    } else {
        rng.random()
    };
    let mut body = Vec::new();
    body.extend(u16::to_le_bytes(tag));
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend(rate.wrapping_mul(u32::from(block)).to_le_bytes());
    body.extend(block.to_le_bytes());
    body.extend(bits.to_le_bytes());
    if tag == 0xfffe || rng.random_bool(0.2) {
        body.extend(22u16.to_le_bytes());
        body.extend([bits, bits - bits.min(4), rng.random()][rng.random_range(0..3)].to_le_bytes());
        body.extend([3, 0, 0, 0]);
        body.extend(
            [1, 3, 2][rng.random_range(0..3)..]
                .iter()
                .take(1)
                .map(|tag: &u16| tag.to_le_bytes())
                .next()
                .unwrap(),
        );
        body.extend(b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71");
    }
    if rng.random_bool(0.05) {
        body.truncate(rng.random_range(0..=body.len()));
    }
    body
}

/// Samples: anything, or sixteen bits of a swing.
fn data(rng: &mut impl Rng, most: usize) -> Vec<u8> {
    if rng.random() {
        return noise(rng, most);
    }
    let swing = rng.random_range(0.01..0.2);
    (0..rng.random_range(0..=most / 2))
        .flat_map(|n| (((TAU * swing * n as f64).sin() * 2e4) as i16).to_le_bytes())
        .collect()
}

/// A recording, sound or not, of `most` bytes of data or less.
pub fn recording(rng: &mut impl Rng, most: usize) -> Vec<u8> {
    let container = [b"RIFF", b"RIFF", b"RIFF", b"RF64", b"BW64"][rng.random_range(0..5)];
    let mut chunks = Vec::new();
    if container != b"RIFF" {
        let mut sizes = noise(rng, 8);
        sizes.resize(8, 0);
        sizes.extend([u64::MAX, 40, 0, rng.random()][rng.random_range(0..4)].to_le_bytes());
        sizes.extend([0; 12]);
        chunk(rng, b"ds64", &sizes, &mut chunks);
    }
    for _ in 0..rng.random_range(0..3) {
        let name = [b"LIST", b"fact", b"bext", b"junk", b"zyxw"][rng.random_range(0..5)];
        let body = noise(rng, 9);
        chunk(rng, name, &body, &mut chunks);
    }
    if rng.random_bool(0.97) {
        let body = format(rng);
        chunk(rng, b"fmt ", &body, &mut chunks);
    }
    if rng.random_bool(0.97) {
        let body = data(rng, most);
        chunk(rng, b"data", &body, &mut chunks);
    }
    if rng.random_bool(0.2) {
        let body = noise(rng, 9);
        chunk(rng, b"LIST", &body, &mut chunks);
    }
    let mut out = container.to_vec();
    out.extend(claimed(rng, chunks.len() + 4).to_le_bytes());
    out.extend(b"WAVE");
    out.extend(chunks);
    if rng.random_bool(0.1) {
        out.truncate(rng.random_range(0..=out.len()));
    }
    out
}
