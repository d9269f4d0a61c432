//! The template method: the series of an interference-only capture, aligned to the record at hand.

use super::fit::Fit;
use super::harmonic::{Centred, HarmonicOptions, Parts, findings, fit_record, following};
use super::input::{check_samples, in_units};
use super::result::{Findings, Match};
use crate::{Error, ErrorKind, WarningCode};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the aligned orders' power that may be left unexplained.
const WORST_MISFIT: f64 = 0.1;
/// Relative misfit of one order that is put down to the template itself.
const TOLERANCE: f64 = 0.03;

/// The mains series of an interference-only capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    orders: Vec<usize>,
    amplitudes: Vec<Complex64>,
    /// Variance of each amplitude.
    variances: Vec<f64>,
    /// The capture's offset.
    offset: f64,
    /// Power of two that the amplitudes are in.
    unit: f64,
}

impl Template {
    /// Measures the series of a `looped` capture.
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
        let fitted = fit_record(&centred, sample_rate_hz, options);
        if fitted.model.orders.is_empty() {
            return Err(Error::new(
                ErrorKind::BadValue,
                "the template shows no mains series; take it with tip and ground lead on the \
                 source's ground, loop closed, or leave it out",
            ));
        }
        let (amplitudes, variances) = series(&fitted);
        let mut rest = vec![0.0; samples.len()];
        fitted.model.residual(&centred.values, &mut rest);
        Ok(Self {
            orders: fitted.model.orders,
            amplitudes,
            variances,
            offset: centred.offset(&rest) * unit,
            unit,
        })
    }

    /// Offset of the interference-only capture: the loop's own.
    #[must_use]
    pub fn offset(&self) -> f64 {
        self.offset
    }
}

/// Amplitudes of the longest piece, and their variances.
fn series(fitted: &Fit) -> (Vec<Complex64>, Vec<f64>) {
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

/// Separates by a template: time shift, frequency and one gain are fitted on the harmonics that agree
/// with it, and the whole series follows from the template. A signal on a harmonic survives.
///
/// # Errors
/// `BadValue` where the template does not fit the record, `NoSamples` for no samples, `BadOption` for a rate or a
/// setting out of range.
pub fn template(
    samples: &[f64],
    sample_rate_hz: f64,
    template: &Template,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    options.check()?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let (interference, _) = separate_template(&centred, sample_rate_hz, template, options)?;
    Ok(Parts::new(samples, &centred, interference, unit))
}

/// How a template lies on a series.
struct Alignment {
    shift_cycles: f64,
    gain: f64,
    /// Orders (indices into the template) that agree.
    agreeing: Vec<usize>,
    /// Unexplained share of the agreeing orders' power.
    misfit: f64,
    /// Share of the template's orders that agree.
    share: f64,
    gain_variance: f64,
    shift_variance: f64,
}

impl Alignment {
    /// Mean square by which the aligned template is wrong for want of knowing gain and shift.
    fn doubt(&self, template: &Template) -> f64 {
        let orders = template.orders.iter().zip(&template.amplitudes);
        orders
            .map(|(k, a)| {
                let turn = (2.0 * PI * *k as f64 * self.gain).powi(2) * self.shift_variance;
                0.5 * a.norm_sqr() * (self.gain_variance + turn)
            })
            .sum()
    }
}

pub(super) fn separate_template(
    centred: &Centred,
    rate_hz: f64,
    template: &Template,
    options: &HarmonicOptions,
) -> Result<(Vec<f64>, Findings), Error> {
    let first = fit_record(centred, rate_hz, options);
    if first.model.orders.is_empty() {
        let hum = vec![0.0; centred.values.len()];
        let mut found = findings(&first, hum.len(), rate_hz);
        found.notes =
            vec!["template method: the record shows no mains series, so none was taken out".into()];
        found.own_offset = Some(template.offset);
        return Ok((hum, found));
    }
    let alignment = align(template, &first)?;
    // A signal on a harmonic would move the phase track: fitted again without those orders.
    let disagreeing: Vec<usize> = first
        .model
        .orders
        .iter()
        .copied()
        .filter(|k| {
            template
                .orders
                .iter()
                .position(|o| o == k)
                .is_none_or(|i| !alignment.agreeing.contains(&i))
        })
        .collect();
    let (mut fitted, alignment) = if disagreeing.is_empty() {
        (first, alignment)
    } else {
        let mean_hz = mean_frequency(&first, centred.values.len(), rate_hz);
        let mut clear = options.clone();
        clear
            .protect_hz
            .extend(disagreeing.iter().map(|k| *k as f64 * mean_hz));
        let again = fit_record(centred, rate_hz, &clear);
        if again.model.orders.is_empty() {
            (first, alignment)
        } else {
            let alignment = align(template, &again)?;
            (again, alignment)
        }
    };
    let pieces = fitted.model.constants.len();
    let constants: Vec<Complex64> = template
        .orders
        .iter()
        .zip(&template.amplitudes)
        .map(|(k, a)| {
            let turn = 2.0 * PI * *k as f64 * alignment.shift_cycles;
            a * alignment.gain * Complex64::from_polar(1.0, turn)
        })
        .collect();
    let noise: Vec<f64> = template
        .variances
        .iter()
        .map(|v| v * alignment.gain.powi(2) * centred.values.len() as f64)
        .collect();
    let track = following(&fitted, centred.values.len() as f64);
    fitted.track_parameters = 0.0;
    fitted.model.set_orders(template.orders.clone());
    fitted.model.constants = vec![constants; pieces];
    fitted.parameters = vec![1.0; noise.len()];
    fitted.noise = noise;
    let mut rest = vec![0.0; centred.values.len()];
    fitted.model.residual(&centred.values, &mut rest);
    let hum: Vec<f64> = centred
        .values
        .iter()
        .zip(&rest)
        .map(|(x, r)| x - r)
        .collect();
    let mut found = findings(&fitted, hum.len(), rate_hz);
    found.residual_power += track + alignment.doubt(template);
    found.mains_power = hum.iter().map(|v| v * v).sum::<f64>() / hum.len() as f64;
    // Of what the orders leave unexplained nobody knows how much is the record's noise.
    found.unsure_power = alignment.misfit * found.mains_power;
    let mean_hz = mean_frequency(&fitted, centred.values.len(), rate_hz);
    found.touched.clear();
    found.notes = vec![format!(
        "template method: {} of {} orders agree with the template (gain {:.4}, {:.2} % of their \
         power unexplained); the others follow from it, so a signal on them is left",
        alignment.agreeing.len(),
        template.orders.len(),
        alignment.gain,
        100.0 * alignment.misfit,
    )];
    found.own_offset = Some(template.offset);
    found.matched = Some(Match {
        gain: alignment.gain / template.unit,
        delay_s: -alignment.shift_cycles / mean_hz,
        coherence: 1.0 - alignment.misfit,
        bound_db: None,
        reached_db: Some(-10.0 * alignment.misfit.max(1e-12).log10()),
        rejection: Vec::new(),
        noise_factor: 1.0,
    });
    if pieces > 1 || alignment.share < 0.5 {
        found.warn(
            WarningCode::RangeMismatch,
            "the record's mains waveform differs from the template's in places: the load changed \
             between the captures; take both in the same state of the set-up",
        );
    }
    Ok((hum, found))
}

fn mean_frequency(fitted: &Fit, samples: usize, rate_hz: f64) -> f64 {
    let phase = &fitted.model.phase;
    (phase[phase.len() - 1] - phase[0]) * rate_hz / samples as f64
}

/// Finds the shift and gain on which most orders agree.
fn align(template: &Template, fitted: &Fit) -> Result<Alignment, Error> {
    let (amplitudes, variances) = series(fitted);
    // Index into the template, its order and amplitude, the record's amplitude, its variance.
    let pairs: Vec<(usize, f64, Complex64, Complex64, f64)> = template
        .orders
        .iter()
        .enumerate()
        .filter_map(|(i, k)| {
            let j = fitted.model.orders.iter().position(|o| o == k)?;
            let variance = variances[j] + template.variances[i];
            Some((
                i,
                *k as f64,
                template.amplitudes[i],
                amplitudes[j],
                variance,
            ))
        })
        .collect();
    let refuse = |why: String| {
        Error::new(
            ErrorKind::BadValue,
            format!(
                "the template does not fit the record: {why}; take the template on the same set-up \
                 in the same state, or separate without it"
            ),
        )
    };
    if pairs.is_empty() {
        return Err(refuse("they have no harmonic in common".into()));
    }
    let residual = |pair: &(usize, f64, Complex64, Complex64, f64), shift: f64, gain: f64| {
        let turned = pair.2 * gain * Complex64::from_polar(1.0, 2.0 * PI * pair.1 * shift);
        let scale = pair.4 * (1.0 + gain * gain) + (TOLERANCE * gain).powi(2) * pair.2.norm_sqr();
        ((pair.3 - turned).norm_sqr(), scale)
    };
    // Median of the gains that single orders ask for; bounded loss against signals on harmonics.
    let mut gains: Vec<f64> = pairs
        .iter()
        .map(|p| p.3.norm() / p.2.norm().max(1e-300))
        .collect();
    gains.sort_by(f64::total_cmp);
    let mut candidates: Vec<f64> = (1..=7).map(|q| gains[(gains.len() - 1) * q / 8]).collect();
    candidates.dedup();
    let loss = |shift: f64, gain: f64| -> f64 {
        pairs
            .iter()
            .map(|p| {
                let (squares, scale) = residual(p, shift, gain);
                let r = squares / scale;
                r / (1.0 + r / 9.0)
            })
            .sum()
    };
    let highest = pairs.iter().map(|p| p.1).fold(1.0, f64::max);
    let steps = (24.0 * highest).ceil() as usize;
    let mut best = (f64::INFINITY, 0.0, 1.0);
    for gain in &candidates {
        for step in 0..steps {
            let shift = step as f64 / steps as f64;
            let value = loss(shift, *gain);
            if value < best.0 {
                best = (value, shift, *gain);
            }
        }
    }
    let (mut shift, mut gain) = (best.1, best.2);
    let mut certain = (1e-300, 1e-300);
    for _ in 0..20 {
        // Reweighted Gauss-Newton: gain along the turned template, shift across it.
        let mut sums = [0.0; 4];
        for p in &pairs {
            let (squares, scale) = residual(p, shift, gain);
            let weight = 1.0 / (scale * (1.0 + squares / scale / 9.0).powi(2));
            let turned = p.2 * Complex64::from_polar(1.0, 2.0 * PI * p.1 * shift);
            let ratio = turned.conj() * p.3;
            let slope = 2.0 * PI * p.1;
            sums[0] += weight * ratio.re;
            sums[1] += weight * turned.norm_sqr();
            sums[2] += weight * slope * ratio.im;
            sums[3] += weight * slope * slope * gain * turned.norm_sqr();
        }
        // A complex misfit's variance is shared by its two parts.
        certain = (2.0 * sums[1], 2.0 * gain * sums[3]);
        gain = sums[0] / sums[1].max(1e-300);
        shift += (sums[2] / sums[3].abs().max(1e-300)).clamp(-0.1 / highest, 0.1 / highest);
    }
    let agreeing: Vec<usize> = pairs
        .iter()
        .filter(|p| {
            let (squares, scale) = residual(p, shift, gain);
            squares < 16.0 * scale
        })
        .map(|p| p.0)
        .collect();
    let (mut left, mut power) = (0.0, 1e-300);
    for p in pairs.iter().filter(|p| agreeing.contains(&p.0)) {
        left += residual(p, shift, gain).0;
        power += p.3.norm_sqr();
    }
    let share = agreeing.len() as f64 / pairs.len() as f64;
    let whole: f64 = pairs.iter().map(|p| p.2.norm_sqr()).sum();
    let agreed: f64 = pairs
        .iter()
        .filter(|p| agreeing.contains(&p.0))
        .map(|p| p.2.norm_sqr())
        .sum();
    let misfit = left / power;
    if agreed < 0.5 * whole {
        return Err(refuse(format!(
            "{} of {} harmonics disagree by more than their noise",
            pairs.len() - agreeing.len(),
            pairs.len()
        )));
    }
    if misfit > WORST_MISFIT || gain <= 0.0 {
        return Err(refuse(format!(
            "{:.0} % of the harmonics' power is left unexplained",
            100.0 * misfit
        )));
    }
    Ok(Alignment {
        shift_cycles: shift.rem_euclid(1.0),
        gain,
        agreeing,
        misfit,
        share,
        gain_variance: 1.0 / certain.0.max(1e-300),
        shift_variance: 1.0 / certain.1.abs().max(1e-300),
    })
}
