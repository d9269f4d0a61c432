//! The one type of a measured figure.

use super::quantile::normal_quantile;
use super::student_curve::recurring_student_quantile;
use serde::{Deserialize, Serialize};

/// A figure with its uncertainty: point estimate, standard uncertainty, degrees of freedom and the
/// interval at a stated confidence.
///
/// The interval covers random scatter only; calibration errors where a session gave them. It need
/// not be symmetric, and it reaches 0 for an amplitude that is not resolved above the noise. Value, ends and standard
/// uncertainty are in the unit of the figure.
///
/// As JSON it is read back to the bit: an end or degrees of freedom without bound are `null` there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "Written")]
#[non_exhaustive]
pub struct Estimate {
    /// Point estimate.
    pub value: f64,
    /// Lower end of the interval, at most the value.
    pub low: f64,
    /// Upper end of the interval, at least the value.
    pub high: f64,
    /// Standard uncertainty (GUM, JCGM 100:2008).
    pub standard_uncertainty: f64,
    /// Degrees of freedom of the standard uncertainty; infinite where it is known.
    pub degrees_of_freedom: f64,
    /// Level of the interval, between 0 and 1: over many records that share of such intervals holds the true value.
    pub confidence: f64,
}

impl Estimate {
    /// An estimate whose interval, lower end first, was found by its own distribution; widened to its own value where that
    /// lies outside (at low levels an interval about the median may leave the mean out).
    #[must_use]
    pub fn new(
        value: f64,
        (low, high): (f64, f64),
        standard_uncertainty: f64,
        degrees_of_freedom: f64,
        confidence: f64,
    ) -> Self {
        Self {
            value,
            low: low.min(value),
            high: high.max(value),
            standard_uncertainty,
            degrees_of_freedom,
            confidence,
        }
    }

    /// A normally distributed estimate with known standard uncertainty.
    ///
    /// ```
    /// let offset = humsieve::Estimate::normal(1e-3, 1e-5, 0.95);
    /// assert!((offset.high - 1.0196e-3).abs() < 1e-8);
    /// ```
    #[must_use]
    pub fn normal(value: f64, standard_uncertainty: f64, confidence: f64) -> Self {
        Self::student(value, standard_uncertainty, f64::INFINITY, confidence)
    }

    /// A normally distributed estimate whose standard uncertainty was itself estimated with
    /// `degrees_of_freedom` (fractional or infinite): Student's t, JCGM 100:2008, G.3.
    #[must_use]
    pub fn student(
        value: f64,
        standard_uncertainty: f64,
        degrees_of_freedom: f64,
        confidence: f64,
    ) -> Self {
        let half = if standard_uncertainty == 0.0 {
            0.0
        } else {
            coverage_factor(confidence, degrees_of_freedom) * standard_uncertainty
        };
        Self::new(
            value,
            (value - half, value + half),
            standard_uncertainty,
            degrees_of_freedom,
            confidence,
        )
    }

    /// The same figure in units of 1/`factor` (above 0); what is beyond the range of numbers stays at its end.
    #[must_use]
    pub(crate) fn scaled(self, factor: f64) -> Self {
        let times = |x: f64| (x * factor).clamp(-f64::MAX, f64::MAX);
        Self {
            value: times(self.value),
            low: times(self.low),
            high: times(self.high),
            standard_uncertainty: times(self.standard_uncertainty),
            ..self
        }
    }

    /// Whether the interval, ends included, holds `x`.
    #[must_use]
    pub fn contains(&self, x: f64) -> bool {
        (self.low..=self.high).contains(&x)
    }
}

/// An estimate as JSON holds it.
#[derive(Deserialize)]
struct Written {
    value: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    standard_uncertainty: Option<f64>,
    degrees_of_freedom: Option<f64>,
    confidence: f64,
}

impl From<Written> for Estimate {
    fn from(written: Written) -> Self {
        let known = written.value.is_some();
        let unbounded = |infinity: f64| if known { infinity } else { f64::NAN };
        Self {
            value: written.value.unwrap_or(f64::NAN),
            low: written.low.unwrap_or(unbounded(f64::NEG_INFINITY)),
            high: written.high.unwrap_or(unbounded(f64::INFINITY)),
            standard_uncertainty: written
                .standard_uncertainty
                .unwrap_or(unbounded(f64::INFINITY)),
            degrees_of_freedom: written.degrees_of_freedom.unwrap_or(f64::INFINITY),
            confidence: written.confidence,
        }
    }
}

/// Factor by which a standard uncertainty is multiplied for a two-sided interval at `confidence`:
/// Student's t, the normal quantile for infinite degrees of freedom (JCGM 100:2008, G.3).
#[must_use]
pub fn coverage_factor(confidence: f64, degrees_of_freedom: f64) -> f64 {
    let probability = 0.5 + 0.5 * confidence;
    if degrees_of_freedom == f64::INFINITY {
        normal_quantile(probability)
    } else {
        recurring_student_quantile(probability, degrees_of_freedom)
    }
}
