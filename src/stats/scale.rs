//! Noise powers and RMS values: chi-square with effective degrees of freedom.

use super::Estimate;
use super::quantile::chi_square_ratio_quantile;

/// RMS of noise whose mean square has `dof` effective degrees of freedom, with its interval at a `confidence` between 0
/// and 1. `rms` may be in any unit and a density as well; `dof` is above 0 and may be fractional.
///
/// ν s²/σ² is chi-square with ν degrees of freedom, so σ lies between s √(ν/χ²_{1-α/2}) and
/// s √(ν/χ²_{α/2}) (Percival & Walden 1993, section 6.10; the interval of a power spectral density
/// is the same with the square root left out). The standard uncertainty is s/√(2ν).
///
/// ```
/// let noise = humsieve::stats::chi_square_scale_interval(1e-3, 36.1, 0.95);
/// assert!((noise.low - 1e-3 * 0.661651_f64.sqrt()).abs() < 1e-9);
/// ```
#[must_use]
pub fn chi_square_scale_interval(rms: f64, dof: f64, confidence: f64) -> Estimate {
    let tail = 0.5 - 0.5 * confidence;
    Estimate::new(
        rms,
        (
            rms / chi_square_ratio_quantile(1.0 - tail, dof).sqrt(),
            rms / chi_square_ratio_quantile(tail, dof).sqrt(),
        ),
        rms / (2.0 * dof).sqrt(),
        dof,
        confidence,
    )
}
