//! The noise read from where a fit's residual holds nothing else.

use super::density::{density, take_off_line, weights};
use super::noise::removed_lines;
use super::segmented::Segmented;
use super::stream_fit::StreamFit;
use crate::analysis::noise::{NoiseFloor, Powers, bulk_in_frequency};
use crate::hum;
use crate::spectrum::Density;
use std::cell::LazyCell;

/// Looks for what stands out, each beside what the one before left.
const LOOKS: usize = 6;
/// Largest share of the record that is left out: beyond, it is what the record is like.
const MOST_LEFT_OUT: f64 = 0.4;
/// Least share of the density's power that counts as present, however much is left out.
const LEAST_PRESENT: f64 = 0.1;
/// Noise in converter's steps below which rounding is what stands out.
const LEAST_STEPS: f64 = 0.5;
/// Widths of the tapers between orders from which what tracks take or leave beside each is covered.
const ROOM: f64 = 4.0;

/// What the noise is read from.
struct Reading {
    residual: Vec<f64>,
    out: Vec<bool>,
    density: Density,
    floor: NoiseFloor,
    power: f64,
}

/// Reads the floor again beside what events, steps and lines that move have left in the residual (`left_out`: samples that
/// were filled).
pub(super) fn read_quietly(segmented: &Segmented<'_>, fit: &mut StreamFit, left_out: &[bool]) {
    let stream = segmented.stream();
    let count = fit.residual.len();
    let mut out = left_out.to_vec();
    out.resize(count, false);
    for gap in &stream.gaps {
        out[gap.at] = true;
    }
    let (estimator, rate_hz) = (fit.estimator.clone(), segmented.rate_hz());
    let weights = LazyCell::new(|| weights(&estimator, count));
    let share = |out: &[bool]| -> f64 {
        if !out.contains(&true) {
            return 1.0;
        }
        let present = weights.iter().zip(out).filter(|(_, out)| !**out);
        present.map(|(w, _)| w).sum()
    };
    // What fills gaps keeps a part of the noise.
    let kept = if stream.gaps.is_empty() {
        1.0
    } else {
        fit.record.present / share(&out).max(LEAST_PRESENT)
    };
    let density_of = |residual: &[f64]| density(&estimator, residual, rate_hz);
    let read = |residual: Vec<f64>, out: Vec<bool>, density: Density| {
        let present = kept * share(&out).max(LEAST_PRESENT);
        let floor = floor(segmented, fit, &density).raised(1.0 / present);
        let power = floor.power_between(fit.record.slow_to_hz, f64::INFINITY).0;
        Reading {
            residual,
            out,
            density,
            floor,
            power,
        }
    };
    let before = left_out_of(&out);
    // What fills left-out samples holds what the lines did not.
    let mut residual = fit.residual.clone();
    let own = if left_out.is_empty() {
        fit.density.clone()
    } else {
        hum::bridge(&mut residual, left_out);
        density_of(&residual)
    };
    let mut best = read(residual, out, own);
    let coarse = stream.step.unwrap_or(0.0) * LEAST_STEPS > fit.record.residual_rms;
    if !coarse && fit.record.interval.is_none() {
        let mut powers = powers(&best);
        for _ in 0..LOOKS {
            let mut out = best.out.clone();
            if let Some(powers) = &powers {
                powers.mark_loud(&mut out);
            }
            if out == best.out || left_out_of(&out) > MOST_LEFT_OUT * count as f64 {
                break;
            }
            let mut residual = best.residual.clone();
            hum::bridge(&mut residual, &out);
            let own = density_of(&residual);
            let next = read(residual, out, own);
            // What stands too close to strong rests is bridged from one to the other.
            if next.power >= best.power {
                break;
            }
            best = next;
            powers = self::powers(&best);
        }
        if let Some(powers) = powers {
            best.floor.dispersion = powers.dispersion(&best.out);
            best.floor.bulk = powers.bulk(&best.out);
        }
    }
    best.floor.bulk *= bulk_in_frequency(&best.floor, fit.record.slow_to_hz);
    let count = count as f64;
    fit.record.present *= (count - left_out_of(&best.out)) / (count - before).max(1.0);
    fit.record.floor = best.floor;
    fit.density = best.density;
    fit.residual = best.residual;
}

fn left_out_of(out: &[bool]) -> f64 {
    out.iter().filter(|out| **out).count() as f64
}

fn powers(reading: &Reading) -> Option<Powers> {
    let mut level = reading.residual.clone();
    take_off_line(&mut level);
    Powers::new(&level, &reading.floor)
}

/// The floor beside lines and their skirts.
fn floor(segmented: &Segmented<'_>, fit: &StreamFit, density: &Density) -> NoiseFloor {
    let record = &fit.record;
    let mut settings = record.settings.clone();
    if record.combined.tracked {
        settings.moved.clear();
    }
    let frame = segmented.frame();
    let tones = record.tone_segments();
    let segments = &record.segments;
    let mut lines = removed_lines(&frame, &fit.estimator, density, &settings, segments, &tones);
    let width_hz = (density.tapers + 1) as f64 * density.bin_hz;
    if record.combined.tracked && record.combined.frequency_hz > ROOM * width_hz {
        for line in lines.iter_mut().filter(|line| line.frequency_hz > 0.0) {
            line.covers_hz = line.covers_hz.max(width_hz);
        }
    }
    NoiseFloor::beside_skirts(&fit.estimator, density, &lines)
}
