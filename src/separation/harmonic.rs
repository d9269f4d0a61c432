//! The harmonic method: one channel, a series of one tracked fundamental.

use super::fit::{Fit, FitSettings, fit};
use super::search::search;
use super::short::fit_short;

/// Records of fewer cycles are fitted as a whole.
const SHORT_CYCLES: f64 = 13.0;

/// Settings of [`harmonic`].
#[derive(Debug, Clone, PartialEq)]
pub struct HarmonicOptions {
    /// Nominal mains frequencies that come into question, Hz.
    pub nominal_hz: Vec<f64>,
    /// Highest harmonic order; `None`: as many as lie below Nyquist.
    pub harmonics: Option<usize>,
    /// Frequencies that are never removed, Hz.
    pub protect_hz: Vec<f64>,
}

impl Default for HarmonicOptions {
    fn default() -> Self {
        Self {
            nominal_hz: vec![50.0, 60.0],
            harmonics: None,
            protect_hz: Vec::new(),
        }
    }
}

/// A record taken apart: `offset + mains[i] + cleaned[i]` is the input.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct HarmonicParts {
    /// The constant.
    pub offset: f64,
    /// The mains series.
    pub mains: Vec<f64>,
    /// What is left.
    pub cleaned: Vec<f64>,
    /// Whether a mains series was found.
    pub detected: bool,
}

/// Separates the mains series from one channel.
#[must_use]
pub fn harmonic(samples: &[f64], rate_hz: f64, options: &HarmonicOptions) -> HarmonicParts {
    let finite: Vec<f64> = samples.iter().copied().filter(|v| v.is_finite()).collect();
    let mean = finite.iter().sum::<f64>() / finite.len().max(1) as f64;
    let missing = (finite.len() < samples.len()).then(|| {
        samples
            .iter()
            .map(|v| if v.is_finite() { 1.0f32 } else { 0.0 })
            .collect()
    });
    let centred: Vec<f64> = samples
        .iter()
        .map(|v| if v.is_finite() { v - mean } else { 0.0 })
        .collect();
    let fitted = fit_record(&centred, missing, rate_hz, options);
    let mut rest = vec![0.0; samples.len()];
    fitted.model.residual(&centred, &mut rest);
    let mains: Vec<f64> = centred.iter().zip(&rest).map(|(x, r)| x - r).collect();
    let offset = mean + rest.iter().sum::<f64>() / rest.len().max(1) as f64;
    let cleaned = samples
        .iter()
        .zip(&mains)
        .map(|(x, m)| x - m - offset)
        .collect();
    HarmonicParts {
        offset,
        mains,
        cleaned,
        detected: !fitted.model.orders.is_empty(),
    }
}

fn fit_record(
    centred: &[f64],
    missing: Option<Vec<f32>>,
    rate_hz: f64,
    options: &HarmonicOptions,
) -> Fit {
    let duration = centred.len() as f64 / rate_hz;
    let highest = options.nominal_hz.iter().copied().fold(0.0, f64::max);
    if duration * highest < SHORT_CYCLES {
        let settings = FitSettings {
            rate_hz,
            highest_order: options.harmonics.unwrap_or(usize::MAX),
            barred: Vec::new(),
        };
        return fit_short(centred, missing.as_deref(), &options.nominal_hz, &settings);
    }
    let Some(track) = search(centred, rate_hz, &options.nominal_hz) else {
        return Fit::default();
    };
    super::fit::debug(|| {
        format!(
            "search {} {:?} score {}",
            track.nominal_hz,
            &track.points[..track.points.len().min(6)],
            track.score
        )
    });
    let below_nyquist = (0.49 * rate_hz / track.nominal_hz).floor() as usize;
    let highest_order = options.harmonics.unwrap_or(usize::MAX).min(below_nyquist);
    if highest_order == 0 {
        return Fit::default();
    }
    fit(
        centred,
        missing,
        &track,
        &FitSettings {
            rate_hz,
            highest_order,
            barred: Vec::new(),
        },
    )
}
