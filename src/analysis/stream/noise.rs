//! The noise beside fitted lines, and what it makes uncertain.

use super::segmented::Frame;
use crate::analysis::combination::OrderNoise;
use crate::analysis::noise::{NoiseFloor, RemovedLine, robust_level};
use crate::analysis::series::{FitSettings, SegmentFit, mean_fundamental};
use crate::spectrum::{Density, Multitaper, Weighting};

/// Share of the fundamental's frequency either side of an order that moves which its movement covers.
const MOVES_OVER: f64 = 0.2;
/// Power of an order over its variance from which its movement within segments shows, in cycles of the fundamental a
/// segment and more, and the most that its skirt then covers, in cells of the segment.
const STRONG: f64 = 1e5;
const STRONG_CYCLES: f64 = 20.0;
const MOST_SKIRT: f64 = 10.0;
/// Width of the main lobe of Hann weights, and what fits to less than a record smear, in cells of the segment.
const HANN_CELLS: f64 = 1.5;
const SMEARED_CELLS: f64 = 1.6;
/// Orders that choose the weights, and their leakage over the noise from which Hann weights cost less.
const CHOOSING: usize = 9;
const LEAKY: f64 = 0.6;
/// Cycles a segment below which there is no choice of weights.
const LEAST_CYCLES: f64 = 4.0;

/// Noise variance a sample beside offset and orders, from a density that still holds the lines.
pub(crate) fn rough_noise(
    total: &Density,
    rate_hz: f64,
    nominal_hz: f64,
    orders: usize,
) -> Vec<f64> {
    let mean = total.mean();
    let dof = 2.0 * (total.records * total.tapers) as f64;
    let reach = (0.6 * nominal_hz / total.bin_hz).max(12.0);
    let half_rate = 0.5 * rate_hz;
    let floor = mean.iter().sum::<f64>() / mean.len().max(1) as f64 * 1e-12;
    (0..=orders)
        .map(|k| {
            let bin = (k.max(1) as f64) * nominal_hz / total.bin_hz;
            robust_level(&mean, bin, reach, dof)
                .max(floor)
                .max(f64::MIN_POSITIVE)
                * half_rate
        })
        .collect()
}

pub(crate) fn floor(
    frame: &Frame,
    estimator: &Multitaper,
    density: &Density,
    settings: &FitSettings,
    segments: &[SegmentFit],
    tones: &[Vec<SegmentFit>],
) -> NoiseFloor {
    let lines = removed_lines(frame, estimator, density, settings, segments, tones);
    NoiseFloor::new(estimator, density, &lines).raised(1.0 / frame.present)
}

/// What series and tones took out of the residual.
pub(crate) fn removed_lines(
    frame: &Frame,
    estimator: &Multitaper,
    density: &Density,
    settings: &FitSettings,
    segments: &[SegmentFit],
    tones: &[Vec<SegmentFit>],
) -> Vec<RemovedLine> {
    let fitted_over_s = frame.fitted_over_s();
    let line = |frequency_hz: f64, covers_hz: f64| RemovedLine {
        frequency_hz,
        fitted_over_s,
        covers_hz,
    };
    let hann_scar =
        HANN_CELLS / fitted_over_s + 0.5 * (estimator.tapers() as f64 + 1.0) * density.bin_hz;
    let scar = match settings.weighting {
        Weighting::Rectangular => 0.0,
        Weighting::Hann => hann_scar,
    };
    // Fitted over less than a record: what the fits took out is smeared over the tapers' width.
    let cut = if fitted_over_s * density.bin_hz < 0.7 {
        SMEARED_CELLS / fitted_over_s
    } else {
        0.0
    };
    let mut lines = Vec::new();
    if frame.slow_to_hz > 0.0 {
        lines.push(line(0.0, frame.slow_to_hz));
    }
    if let Some(fundamental) = mean_fundamental(segments) {
        for k in 1..=settings.orders {
            let power = segments
                .iter()
                .map(|s| s.fit.harmonics[k - 1].norm_sqr())
                .sum::<f64>()
                / segments.len() as f64;
            let noise = settings.coefficient_variance(k, segments[0].fit.length);
            // A strong line that moves within the segments leaves a skirt.
            let limit = STRONG * noise;
            let strong =
                fitted_over_s * fundamental * frame.rate_hz > STRONG_CYCLES && power > limit;
            // What stands beside an order and is stronger than itself is not its movement.
            let own = power > 4.0 * noise;
            let moves = own && settings.moved.get(k - 1).is_some_and(|m| *m > 1.0);
            let covers_hz = if moves {
                scar.max(MOVES_OVER * fundamental * frame.rate_hz)
            } else if strong {
                let skirt = 3.0 * (power / limit).sqrt();
                scar.max(skirt.min(MOST_SKIRT) / fitted_over_s)
            } else {
                scar.max(cut)
            };
            lines.push(line(k as f64 * fundamental * frame.rate_hz, covers_hz));
        }
    }
    let tones = tones.iter().filter_map(|tone| mean_fundamental(tone));
    lines.extend(tones.map(|place| line(place * frame.rate_hz, hann_scar)));
    lines
}

/// Hann weights where strong surroundings would leak into an unweighted fit by more than the
/// weights cost.
pub(crate) fn choose_weighting(
    frame: &Frame,
    settings: &FitSettings,
    segments: &[SegmentFit],
    floor: &NoiseFloor,
) -> Weighting {
    let Some(fundamental) = mean_fundamental(segments) else {
        return Weighting::Rectangular;
    };
    let fundamental_hz = fundamental * frame.rate_hz;
    let fitted_over_s = frame.fitted_over_s();
    if fitted_over_s * fundamental_hz < LEAST_CYCLES {
        return Weighting::Rectangular;
    }
    // What is left of strong slow content stands where its own removal hides it from the floor.
    if frame.slow_to_hz > 0.0 {
        return Weighting::Hann;
    }
    // The orders that carry most interference are the low ones; each counts alike, so that one strong
    // line far up does not decide.
    let leakage = floor.leakage(fitted_over_s);
    let shares: Vec<f64> = (1..=settings.orders.min(CHOOSING))
        .map(|k| {
            let frequency = k as f64 * fundamental_hz;
            let level = floor
                .level_at(frequency, fundamental_hz)
                .0
                .max(f64::MIN_POSITIVE);
            leakage.at(frequency) / level
        })
        .collect();
    let mean = shares.iter().sum::<f64>() / shares.len().max(1) as f64;
    if mean > LEAKY {
        Weighting::Hann
    } else {
        Weighting::Rectangular
    }
}

/// Noise variance a sample beside offset and each order, with degrees of freedom of each.
pub(crate) fn noise_variances(
    frame: &Frame,
    settings: &FitSettings,
    floor: &NoiseFloor,
    segments: &[SegmentFit],
) -> (Vec<f64>, Vec<f64>) {
    let half_rate = 0.5 * frame.rate_hz / frame.present;
    let fundamental_hz = mean_fundamental(segments).unwrap_or(0.0) * frame.rate_hz;
    let zero = floor.lowest();
    let mut variances = vec![zero.0 * half_rate];
    let mut dofs = vec![zero.1];
    let leakage = (settings.weighting == Weighting::Rectangular)
        .then(|| floor.leakage(frame.fitted_over_s()));
    for k in 1..=settings.orders {
        let frequency = k as f64 * fundamental_hz;
        let (mut level, dof) = floor.level_at(frequency, fundamental_hz);
        if let Some(leakage) = &leakage {
            level += leakage.at(frequency);
        }
        variances.push((level * half_rate).max(f64::MIN_POSITIVE));
        dofs.push(dof);
    }
    (variances, dofs)
}

/// The noise beside a tone.
pub(crate) fn tone_noise(frame: &Frame, floor: &NoiseFloor, segments: &[SegmentFit]) -> OrderNoise {
    let frequency = mean_fundamental(segments).unwrap_or(0.0) * frame.rate_hz;
    let (level, dof) = floor.level_at(frequency, 0.0);
    OrderNoise {
        variances: segments
            .iter()
            .map(|s| 1.5 * level * frame.rate_hz / s.fit.length as f64)
            .collect(),
        dof,
        guides: true,
    }
}

/// Noise beside each order from the settings' variances a sample and their degrees of freedom.
pub(super) fn order_noise(
    settings: &FitSettings,
    dofs: &[f64],
    segments: &[SegmentFit],
) -> Vec<OrderNoise> {
    let exact = match segments {
        [segment] => segment.design.as_ref().map(|design| {
            let own = design.variances(&settings.noise).into_iter();
            own.zip(&segment.step.harmonic_slopes)
                .map(|((cosine, sine), slope)| {
                    0.5 * (cosine + sine) + 0.5 * slope.norm_sqr() * segment.step.variance
                })
                .collect::<Vec<f64>>()
        }),
        _ => None,
    };
    (1..=settings.orders)
        .map(|k| OrderNoise {
            variances: match &exact {
                Some(own) => vec![own[k - 1]],
                None => segments
                    .iter()
                    .map(|s| settings.coefficient_variance(k, s.fit.length))
                    .collect(),
            },
            dof: dofs[k],
            guides: !settings.aside.contains(&k),
        })
        .collect()
}
