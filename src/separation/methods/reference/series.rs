//! The mains series that references sense, of one or of several as they stand in the target together.

use super::passing::without_each;
use super::transfer::Transfer;
use crate::hum::part_with_hum;
use crate::separation::fit::{Course, Fit, HumModel, fit_record};
use crate::separation::left_power::LeftPower;
use crate::separation::methods::channels::{
    GainDelay, Joint, Matched, Part, Record, fit, less, power,
};
use crate::separation::options::HarmonicOptions;
use crate::separation::samples::Centred;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Relative doubt about gains found with the references' noise in them, and doubt about the highest order's phase.
const DOUBT: f64 = 0.02;

/// A reference, and how the mains runs in it where that is known.
pub(crate) struct Sensed {
    pub(crate) channel: Centred,
    pub(crate) course: Option<Course>,
}

/// The series that references bring, and what they hold beside it.
pub(super) struct SensedSeries {
    /// The one reference's series, or that of the sum of all as they stand in the target: what is known of what is passed on.
    pub(super) fitted: Fit,
    /// What gain and delay of it in the target are known by.
    pub(super) whole: GainDelay,
    /// Gain and delay of each reference in the series.
    pub(super) parts: Vec<Part>,
    /// Each reference's own series.
    pub(super) models: Vec<HumModel>,
    /// Each reference without its series.
    pub(super) rests: Vec<Vec<f64>>,
    /// What the parts are wrong by, but for a common gain and delay.
    pub(super) doubt: LeftPower,
}

impl SensedSeries {
    /// The series of references that are all needed, `whole` being how the target follows from them; `None` where none
    /// shows mains.
    pub(super) fn of(
        record: &Record<'_>,
        references: &[&Sensed],
        whole: &Matched,
        (rate_hz, options): (f64, &HarmonicOptions),
    ) -> Option<Self> {
        let brought = |p: &&Part| p.fit.gain.powi(2) * power(record.others[p.channel]);
        let course = whole
            .parts
            .iter()
            .filter(|p| references[p.channel].course.is_some())
            .max_by(|a, b| brought(a).total_cmp(&brought(b)))
            .and_then(|p| references[p.channel].course.as_ref())?;
        let fits: Vec<Fit> = references
            .iter()
            .map(|r| {
                fit_sensed(
                    &r.channel,
                    rate_hz,
                    options,
                    r.course.as_ref().unwrap_or(course),
                )
            })
            .collect();
        let rests: Vec<Vec<f64>> = fits
            .iter()
            .zip(record.others)
            .map(|(fitted, other)| {
                let mut rest = vec![0.0; other.len()];
                fitted.model.residual(other, &mut rest);
                rest
            })
            .collect();
        let Some(joint) = &whole.joint else {
            return Some(Self::of_one(fits, rests, whole.parts[0].fit));
        };
        let joint = by_series(record, &fits, &rests, joint).unwrap_or_else(|| joint.clone());
        let models: Vec<HumModel> = fits.into_iter().map(|fitted| fitted.model).collect();
        let together = Centred {
            values: as_they_stand(record.target, (&joint.parts, &models), &rests),
            mean: 0.0,
            missing: missing(references, &joint.parts),
        };
        let (doubt, [gain_variance, delay_variance]) = joint.doubt_beside_common();
        Some(Self {
            fitted: fit_sensed(&together, rate_hz, options, course),
            whole: GainDelay {
                gain: 1.0,
                delay: 0.0,
                gain_variance,
                delay_variance,
                floor: whole.floor,
            },
            parts: joint.parts,
            models,
            rests,
            doubt,
        })
    }

    /// What is left of `x` without the series of each reference, so that what one's series leaves of it is passed on alike.
    pub(super) fn without_each(&self, x: &[f64], transfer: &Transfer) -> Vec<f64> {
        let common = |order: usize, turn: f64| {
            let among = self.fitted.model.orders.iter().position(|o| *o == order);
            match among {
                Some(o) => transfer.factors[o],
                None => Complex64::from_polar(transfer.gain, -turn * transfer.delay),
            }
        };
        without_each(x, (&self.parts, &self.models), &common, transfer.delay)
    }

    fn of_one(fits: Vec<Fit>, rests: Vec<Vec<f64>>, whole: GainDelay) -> Self {
        let as_it_is = GainDelay {
            gain: 1.0,
            delay: 0.0,
            ..whole
        };
        Self {
            models: fits.iter().map(|fitted| fitted.model.clone()).collect(),
            fitted: fits.into_iter().next().unwrap_or_default(),
            whole,
            parts: vec![Part {
                channel: 0,
                fit: as_it_is,
            }],
            rests,
            doubt: LeftPower::default(),
        }
    }
}

/// References as they stand in the target together: their series as the models have them, also where a delay asks for more than the
/// record holds, and the rest of each.
fn as_they_stand(
    x: &[f64],
    (parts, models): (&[Part], &[HumModel]),
    rests: &[Vec<f64>],
) -> Vec<f64> {
    let alike = |_, _| Complex64::new(1.0, 0.0);
    let mut sum = less(x, &without_each(x, (parts, models), &alike, 0.0));
    for part in parts {
        let own = part.fit.apply(&rests[part.channel]);
        sum.iter_mut().zip(&own).for_each(|(s, v)| *s += v);
    }
    sum
}

/// Gains and delays by the series alone, free of the references' noise, from what the channels as a whole say.
fn by_series(
    record: &Record<'_>,
    fits: &[Fit],
    rests: &[Vec<f64>],
    whole: &Joint,
) -> Option<Joint> {
    let turned = |fitted: &Fit| {
        let highest = fitted.model.orders.iter().max().copied().unwrap_or(0) as f64;
        2.0 * PI * highest * fitted.model.cycles() / record.target.len() as f64
    };
    let with_series = fits.iter().filter(|f| !f.model.orders.is_empty());
    let top = with_series.map(turned).fold(1e-9, f64::max);
    let series: Vec<Vec<f64>> = record
        .others
        .iter()
        .zip(rests)
        .map(|(other, rest)| other.iter().zip(rest).map(|(x, r)| x - r).collect())
        .collect();
    let series: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
    let sensed = Record {
        others: &series,
        ..*record
    };
    let known = whole.known(DOUBT, DOUBT / top)?;
    fit(&sensed, &whole.parts, Some(&known))
}

/// Where a sample of the sum of references, each later by its delay, is not known; `None` where all are.
fn missing(references: &[&Sensed], parts: &[Part]) -> Option<Vec<f32>> {
    let mut known: Option<Vec<f32>> = None;
    for part in parts {
        let Some(own) = &references[part.channel].channel.missing else {
            continue;
        };
        let last = own.len() as i64 - 1;
        let lag = part.fit.delay.round() as i64;
        let known = known.get_or_insert_with(|| vec![1.0; own.len()]);
        for (i, k) in known.iter_mut().enumerate() {
            if own[(i as i64 - lag).clamp(0, last) as usize] == 0.0 {
                *k = 0.0;
            }
        }
    }
    known
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
