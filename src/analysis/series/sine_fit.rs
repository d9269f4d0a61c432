//! The sine fit of IEEE Std 1057 by itself: offset and one or more harmonics of a fundamental that is
//! known (three parameters) or fitted (four parameters).

use super::design::{Design, FrequencyStep};
use super::fit::SeriesFit;
use crate::analysis::options::MOST_HARMONICS;
use crate::setting::setters;
use crate::spectrum::{Nudft, Weighting};
use crate::stats::Estimate;
use crate::{Error, ErrorKind, setting};
use ndarray::ArrayView1;
use rustfft::num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Largest magnitude of a sample: its square's square is a number.
const LARGEST: f64 = 1e70;
/// Relative step of the frequency at which its fit ends, and the step, in deviations, which lets it stand where that is not
/// reached.
const SETTLED: f64 = 1e-13;
const STANDS: f64 = 1e-2;
/// Relative step that rounding alone may keep up.
const ROUNDED: f64 = 1e-9;
/// Most Gauss-Newton steps of the frequency.
const MOST_ROUNDS: usize = 50;

/// What is fitted beside the fundamental; by default a constant offset and a single sine, at a level of 0.95.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct SineModel {
    /// Highest harmonic order, 1 to 1000; 1 is a single sine.
    pub orders: usize,
    /// Whether a straight line is fitted in place of the constant offset.
    pub drift: bool,
    /// Level of the intervals, strictly between 0 and 1.
    pub confidence: f64,
}

setters!(SineModel {
    set orders: usize;
    set drift: bool;
    set confidence: f64;
});

impl Default for SineModel {
    fn default() -> Self {
        Self {
            orders: 1,
            drift: false,
            confidence: 0.95,
        }
    }
}

/// A fitted sine or harmonic series, with intervals for white noise of the residual's level; amplitudes are in the unit of
/// the samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SineFit {
    /// Fundamental, Hz; where it was known its interval has no width.
    pub frequency_hz: Estimate,
    /// Constant term (with drift: the straight line at the record's middle).
    pub offset: Estimate,
    /// Harmonics by rising order, from 1 without a gap.
    pub harmonics: Vec<SineFitHarmonic>,
    /// Root mean square of the residual over all samples.
    pub residual_rms: f64,
    /// Samples less fitted parameters.
    pub degrees_of_freedom: f64,
    /// Steps that the frequency took; 0 where it was known, 50 where it had not settled.
    pub rounds: usize,
}

/// One fitted harmonic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SineFitHarmonic {
    /// Multiple of the fundamental frequency; 1 is the fundamental itself.
    pub order: usize,
    /// Peak amplitude. Not corrected for what noise adds to a weak line (see
    /// [`line_rms`](crate::stats::line_rms)).
    pub peak: Estimate,
    /// Phase of a cosine at the record's first sample, rad from -π to π (the interval may reach beyond).
    pub phase_rad: Estimate,
    /// Phase of a cosine at the record's middle, rad, where it is known best.
    pub middle_phase_rad: Estimate,
}

impl SineFitHarmonic {
    /// A and B of A cos(ωt) + B sin(ωt), ω of this order, t counted from the first sample; in the unit of the samples.
    #[must_use]
    pub fn cosine_and_sine(&self) -> (f64, f64) {
        let phase = self.phase_rad.value;
        (
            self.peak.value * phase.cos(),
            -self.peak.value * phase.sin(),
        )
    }
}

/// Fits offset and harmonics at a known fundamental: linear least squares (three-parameter sine fit,
/// IEEE Std 1057 and 1241).
///
/// The intervals are those of ordinary least squares with the residual's variance.
///
/// # Errors
/// `BadOption` for a rate or frequency that is not positive and finite, no order or more than 1000, a level out of
/// range or an order at or above half the rate; `BadValue` where a sample is not finite or beyond 1e70; `TooShort`
/// where the record does not determine the model.
///
/// ```
/// use humsieve::analysis::{SineModel, sine_fit_known};
/// use ndarray::Array1;
/// let x = Array1::from_iter((0..64).map(|n| 0.25 + (0.3 * f64::from(n)).sin()));
/// let fit = sine_fit_known(&x.view(), 1000.0, 300.0 / std::f64::consts::TAU, &SineModel::default())?;
/// assert!((fit.offset.value - 0.25).abs() < 1e-9);
/// assert!((fit.harmonics[0].cosine_and_sine().1 - 1.0).abs() < 1e-9);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn sine_fit_known(
    samples: &ArrayView1<'_, f64>,
    sample_rate_hz: f64,
    frequency_hz: f64,
    model: &SineModel,
) -> Result<SineFit, Error> {
    let work = Work::new(samples, sample_rate_hz, frequency_hz, model)?;
    let (design, fit) = work.fit_at(frequency_hz / sample_rate_hz)?;
    Ok(work.conclude(&design, &fit, None))
}

/// Fits offset, harmonics and the fundamental itself, by Gauss-Newton steps from a start within half a
/// cell (1/record length over the highest order) of it: the four-parameter sine fit of IEEE Std 1057 and
/// 1241, all orders guiding the one frequency.
///
/// The intervals are those of the Fisher information with the residual's variance, the frequency's
/// uncertainty carried into offset, amplitudes and phases: in white noise the Cramér-Rao bound (D. C. Rife
/// and R. R. Boorstyn, IEEE Trans. Information Theory 20(5), 1974; S. M. Kay, Fundamentals of Statistical
/// Signal Processing: Estimation Theory, 1993, ex. 3.14).
///
/// The steps end where one is below 1e-13 of the frequency, after 50, and before one that would leave the range of 0 to
/// half the rate; what was reached is returned without an error, so hold [`SineFit::rounds`] against 50 where the start is
/// not sure.
///
/// # Errors
/// As [`sine_fit_known`], and `BadValue` where the frequency does not settle.
///
/// ```
/// use humsieve::analysis::{SineModel, sine_fit_free};
/// use ndarray::Array1;
/// let x = Array1::from_iter((0..64).map(|n| 0.25 + (0.3 * f64::from(n)).sin()));
/// let fit = sine_fit_free(&x.view(), 1000.0, 48.0, &SineModel::default())?;
/// assert!((fit.frequency_hz.value - 300.0 / std::f64::consts::TAU).abs() < 1e-8);
/// # Ok::<(), humsieve::Error>(())
/// ```
pub fn sine_fit_free(
    samples: &ArrayView1<'_, f64>,
    sample_rate_hz: f64,
    start_hz: f64,
    model: &SineModel,
) -> Result<SineFit, Error> {
    let work = Work::new(samples, sample_rate_hz, start_hz, model)?;
    let mut fundamental = start_hz / sample_rate_hz;
    let limit = 0.4 / (work.samples.len() * model.orders) as f64;
    let weights = vec![1.0; model.orders];
    let mut rounds = 0;
    loop {
        let (design, fit) = work.fit_at(fundamental)?;
        let step = design.frequency_step(&work.transform, &fit, &weights, None);
        let moved = step.step.clamp(-limit, limit);
        let next = fundamental + moved;
        if moved.abs() <= SETTLED * fundamental || rounds == MOST_ROUNDS && moved == step.step {
            let found = work.conclude(&design, &fit, Some((&step, rounds)));
            let moved_hz = moved.abs() * sample_rate_hz;
            let stands = STANDS * found.frequency_hz.standard_uncertainty;
            if rounds < MOST_ROUNDS || moved_hz < stands.max(ROUNDED * found.frequency_hz.value) {
                return Ok(found);
            }
        }
        if rounds == MOST_ROUNDS || !work.carries(next) {
            return Err(ErrorKind::BadValue.error(format!(
                "the frequency does not settle from {start_hz} Hz: start within half of 1/record length over the highest order \
                 of the line, or fit it at a known frequency"
            )));
        }
        fundamental = next;
        rounds += 1;
    }
}

struct Work<'a> {
    samples: Vec<f64>,
    transform: Nudft,
    sample_rate_hz: f64,
    model: &'a SineModel,
}

impl<'a> Work<'a> {
    fn new(
        samples: &ArrayView1<'_, f64>,
        sample_rate_hz: f64,
        frequency_hz: f64,
        model: &'a SineModel,
    ) -> Result<Self, Error> {
        let refuse = |message: String| Err(ErrorKind::BadOption.error(message));
        setting::positive("the sample rate", sample_rate_hz, " Hz")?;
        setting::positive("the frequency", frequency_hz, " Hz")?;
        setting::confidence(model.confidence)?;
        if model.orders > MOST_HARMONICS {
            return refuse(format!(
                "{} orders; at most {MOST_HARMONICS} are fitted",
                model.orders
            ));
        }
        if model.orders == 0 || model.orders as f64 * frequency_hz >= 0.5 * sample_rate_hz {
            return refuse(format!(
                "{} orders of {frequency_hz} Hz; at least one, and all below half the rate of {sample_rate_hz} Hz",
                model.orders
            ));
        }
        if let Some(at) = samples.iter().position(|x| !(x.abs() <= LARGEST)) {
            return Err(ErrorKind::BadValue.error(format!(
                    "sample {at} is {}, not finite or beyond {LARGEST:e}; leave out the part of the record that holds it",
                    samples[at]
                ),
            ));
        }
        let samples = samples.to_vec();
        Ok(Self {
            transform: Nudft::new(&samples),
            samples,
            sample_rate_hz,
            model,
        })
    }

    fn carries(&self, fundamental: f64) -> bool {
        fundamental > 0.0 && self.model.orders as f64 * fundamental < 0.5
    }

    fn fit_at(&self, fundamental: f64) -> Result<(Design, SeriesFit), Error> {
        let parameters = 2 + usize::from(self.model.drift) + 2 * self.model.orders;
        (self.samples.len() > parameters)
            .then(|| {
                Design::with_drift(
                    self.samples.len(),
                    Weighting::Rectangular,
                    fundamental,
                    self.model.orders,
                    &[],
                    self.model.drift,
                )
            })
            .flatten()
            .map(|design| {
                let fit = design.fit(&self.transform);
                (design, fit)
            })
            .ok_or_else(|| {
                ErrorKind::TooShort.error(format!(
                        "{} samples do not determine offset and {} orders at {} Hz: capture a longer record or ask for \
                         fewer orders",
                        self.samples.len(),
                        self.model.orders,
                        fundamental * self.sample_rate_hz
                    ),
                )
            })
    }

    fn conclude(
        &self,
        design: &Design,
        fit: &SeriesFit,
        free: Option<(&FrequencyStep, usize)>,
    ) -> SineFit {
        let squares: f64 = self
            .samples
            .iter()
            .enumerate()
            .map(|(n, x)| (x - fit.value_at(n)).powi(2))
            .sum();
        let count = self.samples.len() as f64;
        let parameters = 1 + usize::from(self.model.drift) + 2 * self.model.orders;
        let dof = count - parameters as f64 - f64::from(u8::from(free.is_some()));
        let variance = squares / dof;
        let estimate = |value: f64, variance: f64| {
            Estimate::student(value, variance.sqrt(), dof, self.model.confidence)
        };
        // Variances in units of the residual's; the frequency's in (cycles a sample)².
        let of_frequency = free.map_or(0.0, |(step, _)| step.variance * variance);
        let noise = vec![variance; self.model.orders + 1];
        let own = design.variances(&noise);
        let offset = design.offset_variance(&noise);
        let offset_slope = free.map_or(0.0, |(step, _)| step.offset_slope);
        let middle = 0.5 * (count - 1.0);
        let harmonics = fit
            .harmonics
            .iter()
            .zip(&own)
            .enumerate()
            .map(|(i, (c, &(cosine, sine)))| {
                let slope = free
                    .and_then(|(step, _)| step.harmonic_slopes.get(i).copied())
                    .unwrap_or_default();
                let power = c.norm_sqr().max(f64::MIN_POSITIVE);
                // d|c|/dν and dφ/dν are the parts of c*·dc/dν.
                let turned = c.conj() * slope;
                let (along, across) = (turned.re / power.sqrt(), turned.im / power);
                let to_first = -2.0 * PI * (i + 1) as f64 * middle;
                let first = (c * Complex64::cis(to_first * fit.fundamental)).arg();
                let phase_own = (c.im * c.im * cosine + c.re * c.re * sine) / (power * power);
                SineFitHarmonic {
                    order: i + 1,
                    peak: estimate(
                        c.norm(),
                        (c.re * c.re * cosine + c.im * c.im * sine) / power
                            + along * along * of_frequency,
                    ),
                    phase_rad: estimate(
                        first,
                        phase_own + (across + to_first).powi(2) * of_frequency,
                    ),
                    middle_phase_rad: estimate(c.arg(), phase_own + across * across * of_frequency),
                }
            })
            .collect();
        let rate = self.sample_rate_hz;
        SineFit {
            frequency_hz: estimate(fit.fundamental * rate, of_frequency * rate * rate),
            offset: estimate(
                fit.offset,
                offset + offset_slope * offset_slope * of_frequency,
            ),
            harmonics,
            residual_rms: (squares / count).sqrt(),
            degrees_of_freedom: dof,
            rounds: free.map_or(0, |(_, rounds)| rounds),
        }
    }
}
