//! The mains series of an interference-only capture.

use crate::separation::fit::{Course, Fit, fit_record};
use crate::separation::options::HarmonicOptions;
use crate::separation::samples::{Centred, check_samples, in_units};
use crate::{Error, ErrorKind};
use rustfft::num_complex::Complex64;

/// The mains series of an interference-only capture: amplitude and phase of each order, and the offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    pub(super) orders: Vec<usize>,
    pub(super) amplitudes: Vec<Complex64>,
    /// Variance of each amplitude.
    pub(super) variances: Vec<f64>,
    /// The capture's offset.
    pub(super) offset: f64,
    /// Mean fundamental of the capture, Hz.
    pub(super) hz: f64,
    /// Power of two that the amplitudes are in.
    pub(super) unit: f64,
}

impl Template {
    /// Measures the series of a `looped` capture's channel, samples at this rate, Hz.
    ///
    /// # Errors
    /// `BadValue` where the capture shows no mains series, `NoSamples` for no samples, `BadOption` for a rate or a
    /// setting out of range.
    pub fn new(
        samples: &[f64],
        sample_rate_hz: f64,
        options: &HarmonicOptions,
    ) -> Result<Self, Error> {
        check_samples(samples, sample_rate_hz)?;
        options.check()?;
        let (scaled, unit) = in_units(samples);
        let centred = Centred::new(&scaled);
        let course = Course::measured(&scaled, sample_rate_hz, options);
        let fitted = course.map_or_else(Fit::default, |course| {
            fit_record(&centred, sample_rate_hz, options, &course)
        });
        if fitted.model.orders.is_empty() {
            return Err(ErrorKind::BadValue.error(
                "the template shows no mains series; take it with tip and ground lead on the \
                 source's ground, loop closed, or leave it out",
            ));
        }
        let (amplitudes, variances) = series(&fitted);
        let mut rest = vec![0.0; samples.len()];
        fitted.model.residual(&centred.values, &mut rest);
        Ok(Self {
            hz: fitted.model.cycles() * sample_rate_hz / samples.len() as f64,
            orders: fitted.model.orders,
            amplitudes,
            variances,
            offset: centred.offset(&rest) * unit,
            unit,
        })
    }

    /// Offset of the interference-only capture, in its unit: the loop's own.
    #[must_use]
    pub fn offset(&self) -> f64 {
        self.offset
    }
}

/// Amplitudes of the longest piece, and their variances.
pub(super) fn series(fitted: &Fit) -> (Vec<Complex64>, Vec<f64>) {
    let model = &fitted.model;
    let mut lengths = vec![0usize; model.constants.len()];
    for (i, p) in model.piece.iter().enumerate() {
        lengths[*p] += model.edges[i + 1] - model.edges[i];
    }
    let longest = (0..lengths.len()).max_by_key(|p| lengths[*p]).unwrap_or(0);
    let samples = lengths[longest].max(1) as f64;
    (
        model.constants[longest].clone(),
        fitted.noise.iter().map(|s| s / samples).collect(),
    )
}
