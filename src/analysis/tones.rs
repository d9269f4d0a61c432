//! Lines that are no mains harmonic.

use super::noise_floor::NoiseFloor;
use crate::spectrum::Density;
use crate::stats::{chi_square_ratio_quantile, f_quantile};

/// Probability of any false tone in a record.
const FALSE_ALARM: f64 = 0.01;

/// Side lobes of a line against its peak, d bins away: SKIRT/d⁴. Of J sine tapers the mean is
/// (J+1)(2J+1)/(24π²d⁴) of white noise's share, J = 8 giving 0.65, against 1/2J at the peak.
const SKIRT: f64 = 12.0;

/// A density peak that noise does not explain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PeakBin {
    pub(super) frequency_hz: f64,
    /// Density over its surroundings.
    pub(super) ratio: f64,
}

/// Peaks of the residual density above its surroundings, highest ratio first; bins without weight
/// (covered by lines already fitted) and what a stronger peak's side lobes explain are left out.
pub(super) fn find_peaks(residual: &Density, floor: &NoiseFloor, from_hz: f64) -> Vec<PeakBin> {
    let values = residual.mean();
    let count = values.len();
    let tapers = residual.tapers;
    let reach = (4 * tapers).max(16);
    if count < 2 * reach {
        return Vec::new();
    }
    let dof = 2.0 * (residual.tapers * residual.records) as f64;
    let cells = (count as f64 / tapers as f64).max(1.0);
    // By how far the level beside a bin is looked for.
    let thresholds: Vec<f64> = (0..=reach)
        .map(|near| {
            if near < tapers + 2 {
                f64::INFINITY
            } else if residual.records > 4 {
                let level = 1.0 + 2.0 / near as f64;
                chi_square_ratio_quantile(1.0 - FALSE_ALARM / cells, dof) * level
            } else {
                let level_dof = 2.0 * (near * residual.records) as f64;
                f_quantile(1.0 - FALSE_ALARM / cells, dof, level_dof)
            }
        })
        .collect();
    let levels = local_levels(&values, &floor.weight, tapers, reach, dof);
    let first = (from_hz / residual.bin_hz).ceil().max(tapers as f64) as usize;
    let mut peaks: Vec<PeakBin> = Vec::new();
    let mut b = first;
    while b + 1 < count {
        let threshold = thresholds[near(b, tapers, reach)];
        if floor.weight[b] > 0.0 && levels[b] > 0.0 && values[b] > threshold * levels[b] {
            // A tone fills the tapers' bandwidth: its centre is the run's centroid.
            let mut end = b;
            let (mut sum, mut moment, mut ratio) = (0.0, 0.0, 0.0f64);
            while end < count
                && values[end] > 0.5 * threshold.sqrt() * levels[end]
                && end < b + 4 * tapers + 4
            {
                let excess = values[end] - levels[end];
                sum += excess;
                moment += excess * end as f64;
                ratio = ratio.max(values[end] / levels[end]);
                end += 1;
            }
            if sum > 0.0 {
                peaks.push(PeakBin {
                    frequency_hz: moment / sum * residual.bin_hz,
                    ratio,
                });
            }
            b = end.max(b + 1);
        } else {
            b += 1;
        }
    }
    peaks.sort_by(|a, b| b.ratio.total_cmp(&a.ratio));
    let mut clear: Vec<PeakBin> = Vec::new();
    for peak in peaks {
        let skirt = clear.iter().any(|strong| {
            let distance = (peak.frequency_hz - strong.frequency_hz) / residual.bin_hz;
            peak.ratio < SKIRT * strong.ratio / distance.powi(4)
        });
        if !skirt {
            clear.push(peak);
        }
    }
    clear
}

/// Bins to either side from which a bin's level is told: fewer towards 0 Hz, where a density may fall fast.
fn near(bin: usize, tapers: usize, reach: usize) -> usize {
    (bin / 3).clamp(tapers + 2, reach)
}

/// Level around each bin: the geometric mean of a low quantile on either side, so that lines and a
/// slope of the density both leave it alone.
fn local_levels(values: &[f64], weight: &[f64], tapers: usize, reach: usize, dof: f64) -> Vec<f64> {
    let count = values.len();
    let quantile = chi_square_ratio_quantile(0.4, dof).max(0.05);
    let mut part: Vec<f64> = Vec::with_capacity(reach);
    let mut side = |from: usize, to: usize| -> Option<f64> {
        part.clear();
        part.extend(
            (from..to)
                .filter(|&i| weight[i] > 0.0)
                .map(|i| values[i] / weight[i]),
        );
        if part.len() < (to - from).max(6) / 3 {
            return None;
        }
        let rank = (part.len() * 2) / 5;
        let (_, &mut value, _) = part.select_nth_unstable_by(rank, f64::total_cmp);
        Some(value / quantile)
    };
    // The level is smooth: found on every fourth bin, held between.
    let stride = 4;
    let coarse: Vec<f64> = (0..count.div_ceil(stride))
        .map(|i| {
            let b = (i * stride + stride / 2).min(count - 1);
            let near = near(b, tapers, reach);
            let left = side(
                b.saturating_sub(tapers + near).max(1),
                b.saturating_sub(tapers).max(1),
            );
            let right = side((b + tapers).min(count), (b + tapers + near).min(count));
            match (left, right) {
                (Some(l), Some(r)) => (l * r).sqrt().max(0.25 * l.max(r)),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => f64::INFINITY,
            }
        })
        .collect();
    (0..count).map(|b| coarse[b / stride]).collect()
}
