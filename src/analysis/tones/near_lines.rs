//! Steady lines a few hertz beside strong orders.
//!
//! Segments of a second cannot part what stands within a few hertz of a strong order from that order's own movement: the
//! skirt of a moving line covers it. The transform of the whole record can: a line is narrow and stands on one side, while
//! what a line's own movement leaves stands on both.

use crate::numeric::parabola;
use crate::spectrum::{Decimator, Window, fft};
use rustfft::num_complex::Complex64;

/// Window of the transform: side lobes of -92 dB, four bins from centre to first null.
const WINDOW: Window = Window::BLACKMAN_HARRIS;
/// Half width of a line in bins, with a little room.
const HALF_WIDTH: usize = 6;
/// How far from an order lines are looked for, Hz.
const NEAREST_HZ: f64 = 1.0;
const FARTHEST_HZ: f64 = 15.0;
/// A line's power over the spectrum's usual one beside it, over that a half width away on either side, and over that of the
/// mirrored place.
const CLEAR: f64 = 100.0;
const NARROW: f64 = 30.0;
const ONE_SIDED: f64 = 10.0;
/// Side lobes of the order itself.
const DYNAMIC: f64 = 1e-8;
/// Bins in which the usual power is looked for.
const BESIDE: usize = 40;

/// What a record's transform shows near strong orders.
#[derive(Debug, Default)]
pub(crate) struct NearLines {
    /// Frequencies of the lines, Hz, the strongest first.
    pub(crate) lines_hz: Vec<f64>,
    /// The fundamental by the lowest of the orders, Hz.
    pub(crate) fundamental_hz: Option<f64>,
}

/// Lines beside the orders `orders` of `fundamental_hz`.
pub(crate) fn near_lines(
    samples: &[f64],
    rate_hz: f64,
    fundamental_hz: f64,
    orders: &[usize],
) -> NearLines {
    let Some(highest) = orders.iter().max() else {
        return NearLines::default();
    };
    // No higher rate than the orders need: the transform shall be small.
    let needed = 1.02 * *highest as f64 * fundamental_hz + 2.0 * FARTHEST_HZ;
    let factor = (Decimator::CLEAN * rate_hz / needed) as usize;
    let mut input = Vec::new();
    if factor > 1 {
        Decimator::new(factor).run(samples, &mut input);
    } else {
        input.extend_from_slice(samples);
    }
    let rate_hz = rate_hz / factor.max(1) as f64;
    let length = fft::good_length_to(input.len());
    input.truncate(length);
    let bin_hz = rate_hz / length as f64;
    let nearest = ((NEAREST_HZ / bin_hz) as usize).max(HALF_WIDTH + 2);
    let farthest = (FARTHEST_HZ.min(0.4 * fundamental_hz) / bin_hz) as usize;
    if nearest >= farthest {
        return NearLines::default();
    }
    let plan = fft::forward(length);
    let mut spectrum = plan.make_output_vec();
    if plan.process(&mut input, &mut spectrum).is_err() {
        return NearLines::default();
    }
    drop(input);
    let power = |bin: usize| windowed(&spectrum, bin);
    let mut lines: Vec<(f64, f64)> = Vec::new();
    let mut fundamental = None;
    for order in orders {
        let expected = *order as f64 * fundamental_hz / bin_hz;
        // The order itself: the strongest bin nearby.
        let open = (0.01 * expected).max(3.0).min(nearest as f64 / 2.0);
        let (from, to) = ((expected - open) as usize, (expected + open) as usize);
        let Some(centre) = (from..=to).max_by(|a, b| power(*a).total_cmp(&power(*b))) else {
            continue;
        };
        let reach = farthest + BESIDE + HALF_WIDTH;
        if centre < reach || centre + reach + 4 > spectrum.len() {
            continue;
        }
        let own = power(centre);
        fundamental.get_or_insert_with(|| {
            let place = between(power(centre - 1), own, power(centre + 1));
            (centre as f64 + place) * bin_hz / *order as f64
        });
        let around: Vec<f64> = (centre - reach..=centre + reach).map(power).collect();
        for side in [-1isize, 1] {
            let on = |side: isize, distance: usize| {
                around[reach.wrapping_add_signed(side * distance as isize)]
            };
            let at = |distance: usize| on(side, distance);
            let mut distance = nearest;
            while distance <= farthest {
                let found = at(distance);
                let largest = |side: isize, reach: usize| {
                    let places = distance - reach..=distance + reach;
                    places.map(|place| on(side, place)).fold(0.0, f64::max)
                };
                if found >= largest(side, 2)
                    && found > DYNAMIC * own
                    && found > NARROW * at(distance - HALF_WIDTH)
                    && found > NARROW * at(distance + HALF_WIDTH)
                    && found > ONE_SIDED * largest(-side, 3)
                    && found > CLEAR * usual(distance + HALF_WIDTH, &at)
                {
                    let place = between(at(distance - 1), found, at(distance + 1));
                    let bin = centre as f64 + side as f64 * (distance as f64 + place);
                    lines.push((found, bin * bin_hz));
                    distance += HALF_WIDTH;
                } else {
                    distance += 1;
                }
            }
        }
    }
    lines.sort_by(|a, b| b.0.total_cmp(&a.0));
    NearLines {
        lines_hz: lines.into_iter().map(|(_, frequency)| frequency).collect(),
        fundamental_hz: fundamental,
    }
}

/// Median power of the bins from a distance on.
fn usual(from: usize, at: &dyn Fn(usize) -> f64) -> f64 {
    let mut powers: Vec<f64> = (from..from + BESIDE).map(at).collect();
    crate::stats::median(&mut powers)
}

/// Power of a bin of the windowed record: the window's cosines stand as a sum over neighbours.
fn windowed(spectrum: &[Complex64], bin: usize) -> f64 {
    let mut sum = Complex64::default();
    for (k, a) in WINDOW.coefficients().iter().enumerate() {
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        if k == 0 {
            sum += spectrum.get(bin).copied().unwrap_or_default() * *a;
        } else if bin >= k && bin + k < spectrum.len() {
            sum += (spectrum[bin - k] + spectrum[bin + k]) * (0.5 * sign * a);
        }
    }
    sum.norm_sqr()
}

/// Place of a peak between bins by a parabola through the logarithms.
fn between(before: f64, peak: f64, after: f64) -> f64 {
    parabola::peak(before.ln(), peak.ln(), after.ln())
        .filter(|place| place.is_finite())
        .map_or(0.0, |place| place.clamp(-0.5, 0.5))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn record(wanted: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..20_000)
            .map(|n| {
                let noise = f64::from((n * 7919 + n * n % 10_007) % 1009) / 1009.0 - 0.5;
                wanted(f64::from(n) / 2000.0) + 1e-3 * noise
            })
            .collect()
    }

    #[test]
    fn a_line_five_hertz_off_is_found() {
        let x = record(|t| (TAU * 50.02 * t).cos() + 0.01 * (TAU * 55.013 * t).cos());
        let found = near_lines(&x, 2000.0, 50.1, &[1]);
        let [line] = found.lines_hz[..] else {
            panic!("{found:?}")
        };
        assert!((line - 55.013).abs() < 5e-3, "{found:?}");
        assert!(
            (found.fundamental_hz.unwrap() - 50.02).abs() < 5e-3,
            "{found:?}"
        );
    }

    #[test]
    fn modulation_leaves_no_line() {
        let x = record(|t| {
            let amplitude = 1.0 + 0.1 * (TAU * 4.0 * t).cos();
            amplitude * (TAU * 50.02 * t + 0.1 * (TAU * 7.0 * t).sin()).cos()
        });
        let found = near_lines(&x, 2000.0, 50.02, &[1]);
        assert!(found.lines_hz.is_empty(), "{found:?}");
    }
}
