//! The reference method: what is coherent with a channel that senses the ground noise alone.

use super::transfer::{Transfer, transfers};
use crate::Error;
use crate::hum::part_with_hum;
use crate::separation::findings::Findings;
use crate::separation::fit::{Course, Fit, HumModel, fit_record};
use crate::separation::methods::channels::{
    Broadband, CrossSpectra, GainDelay, broadband, floor, gain_and_delay, is_nearer, less,
    possible, power,
};
use crate::separation::methods::parts::Parts;
use crate::separation::methods::series_findings::series_findings;
use crate::separation::options::HarmonicOptions;
use crate::separation::result::Match;
use crate::separation::samples::{Centred, check_pair, check_samples, in_units};
use rustfft::num_complex::Complex64;

/// Longest delay between the channels, s.
const LONGEST_DELAY_S: f64 = 0.02;
const LONGEST_LAG: f64 = 8192.0;
/// Mean square that may have stayed unseen, in parts of one sample's: what is not resolved once in a thousand.
const UNSEEN: f64 = 40.0;

/// Separates what is coherent with `reference`, a channel of equal length that senses the ground noise
/// alone.
///
/// One gain and one delay (also a part of a sample, up to 20 ms and 8192 samples) are fitted where the wanted signal is not
/// (Knapp & Carter, IEEE Trans. ASSP 24, 1976, from memory).
/// The reference's mains series, free of the reference's own noise, is passed on by them; by a smooth transfer
/// function where most orders ask for one. A wanted tone on an order stays. The rest is passed on by a gain and
/// delay or a short filter, as far as its coherence proves that this pays.
///
/// # Errors
/// `NoSamples` for no samples, `BadValue` for channels of unequal length, `BadOption` for a rate or a setting out of
/// range.
pub fn reference(
    samples: &[f64],
    reference: &[f64],
    sample_rate_hz: f64,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    check_pair(samples, reference)?;
    options.check()?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let (sensed, _) = in_units(reference);
    let course = Course::measured(&sensed, sample_rate_hz, options);
    let other = Centred::new(&sensed);
    let (interference, _) =
        separate_reference(&centred, &other, sample_rate_hz, options, course.as_ref());
    Ok(Parts::new(samples, &centred, interference, unit))
}

/// One way to predict the interference.
struct Prediction {
    removed: Vec<f64>,
    found: Findings,
    gain: f64,
    delay: f64,
    told: String,
}

pub(crate) fn separate_reference(
    centred: &Centred,
    other: &Centred,
    rate_hz: f64,
    options: &HarmonicOptions,
    course: Option<&Course>,
) -> (Vec<f64>, Findings) {
    let n = centred.values.len();
    let longest = (LONGEST_DELAY_S * rate_hz)
        .min(LONGEST_LAG)
        .min(n as f64 / 8.0) as usize;
    let sensed = other.bridged();
    let there = |i: usize| centred.has(i) && other.has(i);
    let Some(whole) = gain_and_delay(&centred.values, &there, &sensed, longest) else {
        let found = Findings {
            unseen_power: floor(&centred.values, &there) * UNSEEN / n.max(1) as f64,
            notes: vec![
                "reference method: nothing is coherent with the reference, so nothing was taken out"
                    .into(),
            ],
            ..Findings::default()
        };
        return (vec![0.0; n], found);
    };
    let channels = Channels {
        centred,
        sensed: &sensed,
        there: &there,
        rate_hz,
        longest,
    };
    let plain = channels.as_sensed();
    let by_series = course.and_then(|course| {
        channels.by_series(&fit_sensed(other, rate_hz, options, course), &whole)
    });
    let best = match (by_series, plain) {
        (Some(a), Some(b)) if !is_nearer(&centred.values, &b.removed, &a.removed) => a,
        (_, Some(b)) => b,
        (Some(a), None) => a,
        (None, None) => return (vec![0.0; n], Findings::default()),
    };
    let after = power(&less(&centred.values, &best.removed));
    let Prediction {
        removed, mut found, ..
    } = best;
    let coherence = CrossSpectra::new(&centred.values, &sensed, rate_hz).coherence();
    let reached = (after > 0.0).then(|| 10.0 * (power(&centred.values) / after).log10());
    found.coherent_power = power(&removed);
    found.own_offset = Some(best.gain * other.mean);
    found.matched = Some(Match {
        gain: best.gain,
        delay_s: best.delay / rate_hz,
        coherence,
        bound_db: possible(coherence, reached),
        reached_db: reached,
        noise_factor: 1.0,
        ..Match::default()
    });
    found.notes = vec![format!(
        "reference method: coherence {coherence:.4}; {}",
        best.told
    )];
    (removed, found)
}

/// The reference's series; where its hum is there for a part of the record alone, that of the part.
fn fit_sensed(sensed: &Centred, rate_hz: f64, options: &HarmonicOptions, course: &Course) -> Fit {
    let whole = &sensed.values;
    if sensed.missing.is_none()
        && let Some((span, _)) = part_with_hum(whole, rate_hz, &[course.nominal_hz])
    {
        let part = span.samples;
        let own = Centred::new(&whole[part.clone()]);
        let own_course = course.from(part.start as f64 / rate_hz);
        let fitted = fit_record(&own, rate_hz, options, &own_course);
        if !fitted.model.orders.is_empty() {
            return fitted.within(&part, whole.len());
        }
    }
    fit_record(sensed, rate_hz, options, course)
}

struct Channels<'a> {
    centred: &'a Centred,
    sensed: &'a [f64],
    there: &'a dyn Fn(usize) -> bool,
    rate_hz: f64,
    longest: usize,
}

impl Channels<'_> {
    fn broadband(&self, target: &[f64], other: &[f64]) -> Option<Broadband> {
        broadband(target, self.there, other, (self.longest, self.rate_hz))
    }

    /// The reference as it is, its own noise included.
    fn as_sensed(&self) -> Option<Prediction> {
        let whole = self.broadband(&self.centred.values, self.sensed)?;
        let mut found = Findings {
            unsure_power: whole.match_.floor,
            ..Findings::default()
        };
        found.left = whole.doubt;
        Some(Prediction {
            told: format!("the reference itself {}", whole.told()),
            gain: whole.match_.gain,
            delay: whole.match_.delay,
            removed: whole.removed,
            found,
        })
    }

    /// The reference's series without its noise, and of the rest what is coherent.
    fn by_series(&self, fitted: &Fit, whole: &GainDelay) -> Option<Prediction> {
        let n = self.sensed.len();
        if fitted.model.orders.is_empty() || n <= 64 {
            return None;
        }
        let x = &self.centred.values;
        let mut rest_sensed = vec![0.0; n];
        fitted.model.residual(self.sensed, &mut rest_sensed);
        let measured = transfers(x, self.centred.missing.clone(), fitted, self.rate_hz);
        let transfer = Transfer::new(&measured, whole);
        let mut passed = fitted.clone();
        let rest;
        (passed.model, rest) = later(&scaled(&fitted.model, &transfer.factors), x, transfer.delay);
        let square = transfer.gain * transfer.gain;
        passed.excess.lasting *= square;
        passed.excess.passing *= square;
        for (noise, factor) in passed.noise.iter_mut().zip(&transfer.factors) {
            *noise *= factor.norm_sqr();
        }
        let mut removed = less(x, &rest);
        let mut found = series_findings(&passed, n, self.rate_hz);
        found.mains_power = power(&removed);
        found
            .left
            .add(transfer.doubt(&measured), 2.0, f64::INFINITY);
        let told = match self.broadband(&rest, &rest_sensed) {
            Some(more) => {
                removed
                    .iter_mut()
                    .zip(&more.removed)
                    .for_each(|(r, v)| *r += v);
                found.left.add_weighted(1.0, &more.doubt);
                found.unsure_power += more.match_.floor.min(power(&more.removed));
                format!("the rest {}", more.told())
            }
            None => {
                found.unseen_power = floor(&rest, self.there) * UNSEEN / n as f64;
                "beyond them nothing is coherent, so no more was taken out".into()
            }
        };
        let how = if transfer.varies {
            "through a transfer function that varies with frequency"
        } else {
            "through that gain and delay"
        };
        Some(Prediction {
            told: format!(
                "gain {:.4}, delay {:.3} samples; {} mains orders without the reference's noise {how}; {told}",
                transfer.gain,
                transfer.delay,
                passed.model.orders.len()
            ),
            gain: transfer.gain,
            delay: transfer.delay,
            removed,
            found,
        })
    }
}

/// A model with its changes later by a delay, and what it leaves of `x`, which says at which of the two samples next to the delay they
/// lie.
fn later(model: &HumModel, x: &[f64], delay: f64) -> (HumModel, Vec<f64>) {
    let tried = [delay.floor(), delay.ceil()].map(|by| model.with_changes_later(by as i64));
    let rests = [&tried[0], &tried[1]].map(|model| {
        let mut rest = vec![0.0; x.len()];
        model.residual(x, &mut rest);
        rest
    });
    let bend = |rest: &[f64], i: usize| (rest[i] - 0.5 * (rest[i - 1] + rest[i + 1])).powi(2);
    let differing = |i: &usize| rests[0][*i] != rests[1][*i];
    let gained: f64 = (1..x.len().saturating_sub(1))
        .filter(differing)
        .map(|i| bend(&rests[0], i) - bend(&rests[1], i))
        .sum();
    let [early, late] = tried;
    let [of_early, of_late] = rests;
    if gained > 0.0 {
        (late, of_late)
    } else {
        (early, of_early)
    }
}

fn scaled(shape: &HumModel, factors: &[Complex64]) -> HumModel {
    let mut model = shape.clone();
    for constants in &mut model.constants {
        for (c, f) in constants.iter_mut().zip(factors) {
            *c *= f;
        }
    }
    for (deviation, f) in model.deviations.iter_mut().zip(factors) {
        for d in deviation.iter_mut() {
            *d *= f;
        }
    }
    model
}
