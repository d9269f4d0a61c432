//! Noise in the band.

use super::facts::ChannelFacts;
use super::floors::Floors;
use crate::analysis::measurement::{BandNoise, Noise};
use crate::analysis::stream::RecordFit;
use crate::stats::{Estimate, chi_square_scale_interval, coverage_factor};
use crate::{Warning, WarningCode};

pub(super) fn noise(
    facts: &ChannelFacts<'_>,
    floors: &Floors,
    fit: &RecordFit,
    warnings: &mut Vec<Warning>,
) -> Noise {
    // What is slow was told as a signal: below where it was taken off there is no noise to read.
    let resolved = fit.floor.bin_hz.max(1.0 / facts.duration_s());
    let lowest = resolved.max(fit.slow_to_hz.min(0.25 * facts.rate_hz()));
    let (low, high) = band(facts, lowest, warnings);
    // Noise over the record is a part of what moves in it.
    let most = facts.waveform.ac_rms.powi(2);
    let rms_between = |low: f64, high: f64| {
        let (power, dof) = floors.power_between(low, high);
        let rms = power.clamp(0.0, most).sqrt();
        let estimate = chi_square_scale_interval(rms, dof, facts.options.confidence);
        (down_to(estimate, floors.least_share(low, high)), dof)
    };
    let (rms, dof) = rms_between(low, high);
    let per_root = 1.0 / (high - low).sqrt();
    let density = Estimate::new(
        rms.value * per_root,
        (rms.low * per_root, rms.high * per_root),
        rms.standard_uncertainty * per_root,
        dof,
        facts.options.confidence,
    );
    let third_octaves = if facts.options.detail.third_octaves {
        third_octaves(low, high)
            .into_iter()
            .map(|band| BandNoise {
                band_hz: band,
                rms: rms_between(band.0, band.1).0,
            })
            .collect()
    } else {
        Vec::new()
    };
    Noise {
        band_hz: (low, high),
        rms,
        density_v_per_rthz: density,
        corner_hz: floors.low.corner_hz(),
        third_octaves,
    }
}

/// An RMS of which a share of the power at least is noise.
fn down_to(estimate: Estimate, share: f64) -> Estimate {
    if share >= 1.0 {
        return estimate;
    }
    let low = estimate.low * share.sqrt();
    let dof = estimate.degrees_of_freedom;
    let covered = coverage_factor(estimate.confidence, dof);
    Estimate::new(
        estimate.value,
        (low, estimate.high),
        (estimate.value - low) / covered,
        dof,
        estimate.confidence,
    )
}

/// The band of the noise, Hz: what is asked for, as far as the record resolves it.
pub(super) fn band(
    facts: &ChannelFacts<'_>,
    lowest: f64,
    warnings: &mut Vec<Warning>,
) -> (f64, f64) {
    let nyquist = 0.5 * facts.rate_hz();
    let Some((low, high)) = facts.options.band_hz else {
        return (lowest, nyquist);
    };
    let used = (low.max(0.5 * lowest), high.min(nyquist));
    if used.0 >= used.1 {
        warnings.push(WarningCode::BandReduced.warning(format!(
            "the band {low}:{high} Hz lies outside what the record resolves; {lowest:.4} to {nyquist} Hz was used"
        )));
        return (lowest, nyquist);
    }
    if used != (low, high) {
        let longer = if used.1 < high {
            "at a higher rate"
        } else {
            "a longer record"
        };
        warnings.push(WarningCode::BandReduced.warning(format!(
            "of the band {low}:{high} Hz the record resolves {:.4} to {:.4} Hz; capture {longer}",
            used.0, used.1
        )));
    }
    used
}

/// Base-ten third-octave bands (IEC 61260-1) that lie wholly within a band.
fn third_octaves(low: f64, high: f64) -> Vec<(f64, f64)> {
    let edge = |n: i32| 10f64.powf((f64::from(n) - 0.5) / 10.0);
    let first = (10.0 * low.max(1e-3).log10()).floor() as i32;
    (first..first + 200)
        .map(|n| (edge(n), edge(n + 1)))
        .filter(|b| b.0 >= low && b.1 <= high)
        .collect()
}
