//! The power of lines beside the noise within it.

use super::{Estimate, f_cdf, line_rms};
use crate::numeric::null;
use serde::{Deserialize, Serialize};

/// Observed power of one or several lines and the noise power within it, in the square of the channel's unit, for which V²
/// stands.
///
/// Under the model, `observed_v2 / noise_v2 * components` is noncentral chi-square with
/// `components` degrees of freedom (noncentral F, the noise power itself having `noise_dof`).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LinePower {
    /// Mean square of the fitted lines, noise included, V²; the square of their RMS.
    pub observed_v2: f64,
    /// Expected part of it that is noise, V².
    pub noise_v2: f64,
    /// Real components fitted: two a line (effective number where they differ in noise).
    pub components: f64,
    /// Degrees of freedom of the noise power's estimate; infinite (`null` as JSON) where it is known.
    #[serde(deserialize_with = "null::infinite")]
    pub noise_dof: f64,
}

impl LinePower {
    /// Observed and noise power with their degrees of freedom.
    #[must_use]
    pub fn new(observed_v2: f64, noise_v2: f64, components: f64, noise_dof: f64) -> Self {
        Self {
            observed_v2,
            noise_v2,
            components,
            noise_dof,
        }
    }

    /// A sum of powers as scaled noncentral chi-square with matched mean, noise part and variance.
    ///
    /// With s²/2 the scale, m components and noncentrality λ: noise s²m/2, signal s²λ/2, variance
    /// s²(noise + 2·signal).
    pub(crate) fn of_sum(observed: f64, noise: f64, variance: f64, dof: f64) -> Self {
        let signal = (observed - noise).max(0.0);
        let scale = variance / (noise + 2.0 * signal).max(f64::MIN_POSITIVE);
        let components = (2.0 * noise / scale.max(f64::MIN_POSITIVE)).max(1.0);
        Self::new(observed, noise, components, dof)
    }

    /// Lines in unequal noise, as one.
    pub(crate) fn sum<'a>(lines: impl Iterator<Item = &'a Self>) -> Self {
        let (mut observed, mut noise, mut variance, mut dof_terms) = (0.0, 0.0, 0.0, 0.0);
        for p in lines {
            let signal = (p.observed_v2 - p.noise_v2).max(0.0);
            observed += p.observed_v2;
            noise += p.noise_v2;
            // Of a noncentral chi-square in units of a component's noise: 2m + 4λ.
            let own = p.noise_v2 * (2.0 * p.noise_v2 + 4.0 * signal) / p.components;
            variance += own;
            dof_terms += own * own / p.noise_dof;
        }
        let dof = if dof_terms > 0.0 {
            variance * variance / dof_terms
        } else {
            f64::INFINITY
        };
        Self::of_sum(observed, noise, variance, dof.max(1.0))
    }

    /// With the amplitudes divided by a gain.
    pub(crate) fn divided(&self, gain: f64) -> Self {
        let scale = 1.0 / (gain * gain);
        Self {
            observed_v2: self.observed_v2 * scale,
            noise_v2: self.noise_v2 * scale,
            ..*self
        }
    }

    /// RMS amplitude of the lines.
    pub(crate) fn rms(&self, confidence: f64) -> Estimate {
        line_rms(
            self.observed_v2,
            self.noise_v2,
            self.components,
            self.noise_dof,
            confidence,
        )
    }

    /// Probability that noise alone gives lines this strong.
    pub(crate) fn chance(&self) -> f64 {
        if self.noise_v2 <= 0.0 {
            return if self.observed_v2 > 0.0 { 0.0 } else { 1.0 };
        }
        1.0 - f_cdf(
            self.observed_v2 / self.noise_v2,
            self.components,
            self.noise_dof,
        )
    }
}
