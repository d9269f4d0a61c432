//! The power of lines beside the noise within it.

use serde::{Deserialize, Deserializer, Serialize};

/// Observed power of one or several lines and the noise power within it.
///
/// Under the model, `observed_v2 / noise_v2 * components` is noncentral chi-square with
/// `components` degrees of freedom (noncentral F, the noise power itself having `noise_dof`).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LinePower {
    /// Mean square of the fitted lines, noise included, V².
    pub observed_v2: f64,
    /// Expected part of it that is noise, V².
    pub noise_v2: f64,
    /// Real components fitted: two a line (effective number where they differ in noise).
    pub components: f64,
    /// Degrees of freedom of the noise power's estimate; infinite (`null` as JSON) where it is known.
    #[serde(deserialize_with = "unbounded")]
    pub noise_dof: f64,
}

/// `null` as what it stands for.
fn unbounded<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(deserializer)?.unwrap_or(f64::INFINITY))
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
}
