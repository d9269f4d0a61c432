//! The instrument's limits of error beside the scatter.

use super::Instrument;
use crate::stats::{Estimate, coverage_factor};

/// The interval of a figure with the instrument's limits of error combined into it; `None` where
/// the session gives none that touches the figure.
///
/// Each limit ±a counts as a rectangular distribution, u = a/√3 (Type B, JCGM 100:2008, 4.3.7);
/// the parts are independent, so their squares add; the expanded uncertainty takes Student's
/// factor at the effective degrees of freedom of Welch and Satterthwaite (G.4). The interval is
/// never narrower than that of the scatter alone.
///
/// ```
/// use humsieve::Estimate;
/// use humsieve::session::{Session, expanded};
/// let text = "[instrument]\ngain_accuracy_percent = 3\n[[capture]]\nfile = 'a'\ncondition = 'looped'";
/// let session = Session::parse(text, "session.toml")?;
/// let hum = Estimate::normal(1e-3, 1e-6, 0.95);
/// let wide = expanded(&hum, "hum_rms", &session.instrument);
/// let half = wide.map(|wide| wide.high - wide.value).unwrap_or(f64::NAN);
/// let expected = 1.959964 * (1e-6f64.powi(2) + (3e-5f64).powi(2) / 3.0).sqrt();
/// assert!((half / expected - 1.0).abs() < 1e-6);
/// # Ok::<(), humsieve::Error>(())
/// ```
#[must_use]
pub fn expanded(estimate: &Estimate, quantity: &str, instrument: &Instrument) -> Option<Estimate> {
    let relative = [
        instrument.gain_accuracy_percent,
        instrument.probe_tolerance_percent,
    ];
    let offset = instrument
        .offset_accuracy_v
        .filter(|_| quantity == "dc_offset");
    let limits: Vec<f64> = relative
        .into_iter()
        .flatten()
        .map(|percent| percent / 100.0 * estimate.value.abs())
        .chain(offset)
        .collect();
    if limits.is_empty() {
        return None;
    }
    let type_b = limits.iter().map(|limit| limit * limit / 3.0).sum::<f64>();
    let type_a = estimate.standard_uncertainty.powi(2);
    let combined = (type_a + type_b).sqrt();
    let freedom = if type_a > 0.0 && estimate.degrees_of_freedom.is_finite() {
        combined.powi(4) / (type_a.powi(2) / estimate.degrees_of_freedom)
    } else {
        f64::INFINITY
    };
    let half = coverage_factor(estimate.confidence, freedom) * combined;
    if !half.is_finite() {
        return None;
    }
    let floor = if quantity == "dc_offset" {
        f64::NEG_INFINITY
    } else {
        0.0
    };
    let low = (estimate.value - half).max(floor).min(estimate.low);
    let high = (estimate.value + half).max(estimate.high);
    Some(Estimate::new(
        estimate.value,
        (low, high),
        combined,
        freedom,
        estimate.confidence,
    ))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn nothing_given_nothing_claimed() {
        let estimate = Estimate::normal(1.0, 0.1, 0.95);
        assert_eq!(expanded(&estimate, "hum_rms", &Instrument::default()), None);
        let offset_only = Instrument {
            offset_accuracy_v: Some(1e-3),
            ..Instrument::default()
        };
        assert_eq!(expanded(&estimate, "hum_rms", &offset_only), None);
        assert!(expanded(&estimate, "dc_offset", &offset_only).is_some());
    }

    /// Welch-Satterthwaite on one Type A and one Type B part, worked by hand: u_A = 3 with 4
    /// degrees of freedom, a = 4√3 so u_B = 4: u = 5, ν = 625/(81/4) = 30.864.
    #[test]
    fn degrees_of_freedom_follow_welch_and_satterthwaite() {
        let estimate = Estimate::new(0.0, (-1.0, 1.0), 3.0, 4.0, 0.95);
        let instrument = Instrument {
            offset_accuracy_v: Some(4.0 * 3f64.sqrt()),
            ..Instrument::default()
        };
        let wide = expanded(&estimate, "dc_offset", &instrument).unwrap();
        assert_relative_eq!(wide.standard_uncertainty, 5.0, max_relative = 1e-12);
        assert_relative_eq!(wide.degrees_of_freedom, 625.0 / 20.25, max_relative = 1e-12);
    }

    #[test]
    fn an_rms_interval_stays_above_zero() {
        let estimate = Estimate::new(1e-6, (0.0, 3e-6), 1e-6, 40.0, 0.95);
        let instrument = Instrument {
            gain_accuracy_percent: Some(1.0),
            ..Instrument::default()
        };
        let wide = expanded(&estimate, "hum_rms", &instrument).unwrap();
        assert_eq!(wide.low, 0.0);
        assert!(wide.high >= 3e-6);
    }
}
