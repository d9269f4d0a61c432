//! The reference method: what is coherent with channels that sense the ground noise alone.

use super::passing::{later, scaled};
use super::series::{Sensed, SensedSeries};
use super::transfer::{Transfer, transfers};
use crate::separation::findings::Findings;
use crate::separation::fit::Course;
use crate::separation::methods::channels::{
    CrossSpectra, Matched, Part, Record, broadband, floor, is_nearer, less, matched, matched_about,
    possible, power,
};
use crate::separation::methods::drift::follow;
use crate::separation::methods::parts::Parts;
use crate::separation::methods::series_findings::series_findings;
use crate::separation::options::HarmonicOptions;
use crate::separation::result::{Coherence, Match, ReferenceMatch};
use crate::separation::samples::{Centred, check_pair, check_samples, in_units};
use crate::{Error, ErrorKind};

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
/// Where blocks of a record of 1.5 s or more prove that gain or delay drift, the reference is brought to the target's gain and clock first.
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
    references(samples, &[reference], sample_rate_hz, options)
}

/// Separates what is coherent with several references, as [`reference()`] does with one.
///
/// A gain and a delay of each are fitted at once, a filter for each where the coherence of the rest proves that it pays (multiple-input,
/// single-output: J. S. Bendat & A. G. Piersol, Random Data, chapter on multiple-input systems, from memory). A reference
/// that adds nothing to the others, one that is all but their copy too, is left out.
///
/// # Errors
/// Those of [`reference()`], and `BadOption` for no reference.
pub fn references(
    samples: &[f64],
    references: &[&[f64]],
    sample_rate_hz: f64,
    options: &HarmonicOptions,
) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    if references.is_empty() {
        return Err(ErrorKind::BadOption.error("no reference is given; give one at least"));
    }
    for reference in references {
        check_pair(samples, reference)?;
    }
    options.check()?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let sensed: Vec<Sensed> = references
        .iter()
        .map(|reference| {
            let (sensed, _) = in_units(reference);
            Sensed {
                course: Course::measured(&sensed, sample_rate_hz, options),
                channel: Centred::new(&sensed),
            }
        })
        .collect();
    let sensed: Vec<&Sensed> = sensed.iter().collect();
    let (interference, _) = separate_reference(&centred, &sensed, sample_rate_hz, options);
    Ok(Parts::new(samples, &centred, interference, unit))
}

/// One way to predict the interference.
struct Prediction {
    removed: Vec<f64>,
    found: Findings,
    /// Gain and delay of each reference.
    parts: Vec<(f64, f64)>,
    told: String,
}

pub(crate) fn separate_reference(
    centred: &Centred,
    references: &[&Sensed],
    rate_hz: f64,
    options: &HarmonicOptions,
) -> (Vec<f64>, Findings) {
    by_constants(centred, references, (rate_hz, options), true)
}

/// By one gain and one delay of each reference; where `drifts`, what drifts slowly is made constant first.
fn by_constants(
    centred: &Centred,
    references: &[&Sensed],
    (rate_hz, options): (f64, &HarmonicOptions),
    drifts: bool,
) -> (Vec<f64>, Findings) {
    let n = centred.values.len();
    let longest = (LONGEST_DELAY_S * rate_hz)
        .min(LONGEST_LAG)
        .min(n as f64 / 8.0) as usize;
    let sensed: Vec<Vec<f64>> = references.iter().map(|r| r.channel.bridged()).collect();
    let others: Vec<&[f64]> = sensed.iter().map(Vec::as_slice).collect();
    let there = |i: usize| centred.has(i) && references.iter().all(|r| r.channel.has(i));
    let record = Record {
        target: &centred.values,
        there: &there,
        others: &others,
        longest,
    };
    let Some(whole) = matched(&record) else {
        return nothing_coherent(&record);
    };
    if whole.parts.len() < references.len() {
        let used: Vec<usize> = whole.parts.iter().map(|p| p.channel).collect();
        let needed: Vec<&Sensed> = used.iter().map(|u| references[*u]).collect();
        let (removed, mut found) = by_constants(centred, &needed, (rate_hz, options), drifts);
        if let Some(matched) = &mut found.matched {
            let mut all = vec![ReferenceMatch::default(); references.len()];
            for (u, own) in used.into_iter().zip(matched.references.drain(..)) {
                all[u] = own;
            }
            matched.references = all;
        }
        return (removed, found);
    }
    let followed = match (references, &whole.parts[..]) {
        ([_], [part]) if drifts => Some(follow(&record, &part.fit, rate_hz)),
        _ => None,
    };
    if let (Some(Ok(followed)), [one]) = (&followed, references) {
        let sensed = Sensed {
            channel: Centred {
                mean: one.channel.mean,
                missing: one.channel.missing.as_deref().map(|w| followed.weights(w)),
                values: followed.other.clone(),
            },
            course: one.course.clone(),
        };
        let (removed, mut found) = by_constants(centred, &[&sensed], (rate_hz, options), false);
        if let Some(gain) = found.matched.as_ref().map(|m| m.gain) {
            followed.add_doubt(gain, &mut found);
            found.notes.push(followed.told(rate_hz));
        }
        return (removed, found);
    }
    let channels = Channels {
        centred,
        record,
        rate_hz,
    };
    let by_series = SensedSeries::of(&record, references, &whole, (rate_hz, options))
        .and_then(|series| channels.by_series(&series, &whole));
    let plain = channels.as_sensed(whole);
    let best = match (by_series, plain) {
        (Some(a), Some(b)) if !is_nearer(&centred.values, &b.removed, &a.removed) => a,
        (_, Some(b)) => b,
        (Some(a), None) => a,
        (None, None) => return (vec![0.0; n], Findings::default()),
    };
    let (removed, mut found) = channels.told(best, references);
    if let (Some(Err(hidden)), Some(gain)) = (&followed, found.matched.as_ref().map(|m| m.gain)) {
        hidden.add_doubt(others[0], gain, &mut found);
    }
    (removed, found)
}

/// What is said where the references show nothing of the interference.
fn nothing_coherent(record: &Record<'_>) -> (Vec<f64>, Findings) {
    let n = record.target.len();
    let named = match record.others.len() {
        1 => "reference",
        _ => "references",
    };
    let found = Findings {
        unseen_power: floor(record.target, record.there) * UNSEEN / n.max(1) as f64,
        notes: vec![format!(
            "reference method: nothing is coherent with the {named}, so nothing was taken out"
        )],
        ..Findings::default()
    };
    (vec![0.0; n], found)
}

struct Channels<'a> {
    centred: &'a Centred,
    record: Record<'a>,
    rate_hz: f64,
}

impl Channels<'_> {
    /// The prediction that is taken, with what is found of it.
    fn told(&self, best: Prediction, references: &[&Sensed]) -> (Vec<f64>, Findings) {
        let x = &self.centred.values;
        let Prediction {
            removed,
            mut found,
            parts,
            told,
        } = best;
        let after = power(&less(x, &removed));
        let spectra = CrossSpectra::new(x, self.record.others, self.rate_hz);
        let coherence = spectra.coherence();
        let reached = (after > 0.0).then(|| 10.0 * (power(x) / after).log10());
        let brought = |i: &usize| parts[*i].0.powi(2) * power(self.record.others[*i]);
        let most = (0..parts.len()).max_by(|a, b| brought(a).total_cmp(&brought(b)));
        let (gain, delay) = parts[most.unwrap_or(0)];
        found.coherent_power = power(&removed);
        let offsets = parts.iter().zip(references);
        found.own_offset = Some(offsets.map(|(part, r)| part.0 * r.channel.mean).sum());
        let reference = |(gain, delay): &(f64, f64)| ReferenceMatch {
            gain: *gain,
            delay_s: delay / self.rate_hz,
            ..ReferenceMatch::default()
        };
        let share = |(frequency_hz, coherence)| Coherence {
            frequency_hz,
            coherence,
        };
        found.matched = Some(Match {
            gain,
            delay_s: delay / self.rate_hz,
            coherence,
            bound_db: possible(coherence, reached),
            reached_db: reached,
            noise_factor: 1.0,
            references: parts.iter().map(reference).collect(),
            coherence_by_octave: spectra
                .coherence_by_octave()
                .into_iter()
                .map(share)
                .collect(),
            ..Match::default()
        });
        found.notes = vec![format!(
            "reference method: coherence {coherence:.4}; {told}"
        )];
        (removed, found)
    }

    /// The references as they are, their own noise included.
    fn as_sensed(&self, matched: Matched) -> Option<Prediction> {
        let whole = broadband(&self.record, matched, self.rate_hz)?;
        let mut found = Findings {
            unsure_power: whole.matched.floor,
            ..Findings::default()
        };
        let named = match self.record.others.len() {
            1 => "the reference itself",
            _ => "the references themselves",
        };
        let mut parts = vec![(0.0, 0.0); self.record.others.len()];
        for part in &whole.matched.parts {
            parts[part.channel] = (part.fit.gain, part.fit.delay);
        }
        found.left = whole.doubt;
        Some(Prediction {
            told: format!("{named} {}", whole.told()),
            parts,
            removed: whole.removed,
            found,
        })
    }

    /// The references' series without their noise, and of the rest what is coherent.
    fn by_series(&self, series: &SensedSeries, whole: &Matched) -> Option<Prediction> {
        let x = &self.centred.values;
        let n = x.len();
        let fitted = &series.fitted;
        if fitted.model.orders.is_empty() || n <= 64 {
            return None;
        }
        let measured = transfers(x, self.centred.missing.clone(), fitted, self.rate_hz);
        let transfer = Transfer::new(&measured, &series.whole);
        let mut passed = fitted.clone();
        let of_sum;
        (passed.model, of_sum) =
            later(&scaled(&fitted.model, &transfer.factors), x, transfer.delay);
        let rest = match series.parts.len() {
            1 => of_sum,
            _ => series.without_each(x, &transfer),
        };
        let square = transfer.gain * transfer.gain;
        passed.excess.lasting *= square;
        passed.excess.passing *= square;
        for (noise, factor) in passed.noise.iter_mut().zip(&transfer.factors) {
            *noise *= factor.norm_sqr();
        }
        let mut removed = less(x, &rest);
        let mut found = series_findings(&passed, n, self.rate_hz);
        found.mains_power = power(&removed);
        let rests: Vec<&[f64]> = series.rests.iter().map(Vec::as_slice).collect();
        let beyond = Record {
            target: &rest,
            others: &rests,
            ..self.record
        };
        let more =
            matched_about(&beyond, whole).and_then(|found| broadband(&beyond, found, self.rate_hz));
        if let Some(more) = more.as_ref().filter(|_| series.parts.len() > 1) {
            found.pass_on_alike(unlike(&more.matched.parts, &series.parts));
        }
        found
            .left
            .add(transfer.doubt(&measured), 2.0, f64::INFINITY);
        found.left.add_weighted(1.0, &series.doubt);
        let told = match more {
            Some(more) => {
                removed
                    .iter_mut()
                    .zip(&more.removed)
                    .for_each(|(r, v)| *r += v);
                found.left.add_weighted(1.0, &more.doubt);
                found.unsure_power += more.matched.floor.min(power(&more.removed));
                format!("the rest {}", more.told())
            }
            None => {
                found.unseen_power = floor(&rest, self.record.there) * UNSEEN / n as f64;
                "beyond them nothing is coherent, so no more was taken out".into()
            }
        };
        let passed_on = |part: &Part| {
            (
                part.fit.gain * transfer.gain,
                part.fit.delay + transfer.delay,
            )
        };
        let parts: Vec<(f64, f64)> = series.parts.iter().map(passed_on).collect();
        Some(Prediction {
            told: format!(
                "{}; {} mains orders without the {}; {told}",
                gains_and_delays(&parts),
                passed.model.orders.len(),
                how(parts.len(), transfer.varies)
            ),
            parts,
            removed,
            found,
        })
    }
}

impl Findings {
    /// What a series takes along of other content, or leaves of its own, stands in the rest with the other sign: where that is passed
    /// on too, only this share of it is left.
    fn pass_on_alike(&mut self, unlike: f64) {
        self.left = self.left.times(unlike);
        self.unsure_power *= unlike;
        self.unseen_power *= unlike;
    }
}

/// Gains and delays in samples, in words.
fn gains_and_delays(parts: &[(f64, f64)]) -> String {
    if let [(gain, delay)] = parts {
        return format!("gain {gain:.4}, delay {delay:.3} samples");
    }
    let list = |of: &dyn Fn(&(f64, f64)) -> String| -> String {
        parts.iter().map(of).collect::<Vec<_>>().join(", ")
    };
    format!(
        "gains {}; delays {} samples",
        list(&|(gain, _)| format!("{gain:.4}")),
        list(&|(_, delay)| format!("{delay:.3}"))
    )
}

/// Whose noise is left out, and how the series is passed on.
fn how(count: usize, varies: bool) -> &'static str {
    match (count, varies) {
        (1, false) => "reference's noise through that gain and delay",
        (1, true) => "reference's noise through a transfer function that varies with frequency",
        (_, false) => "references' noise through those gains and delays",
        (_, true) => {
            "references' noise through them and a transfer function that varies with frequency"
        }
    }
}

/// Square of the largest share by which a reference's rest is passed on by another gain than its series.
fn unlike(rests: &[Part], series: &[Part]) -> f64 {
    let share = |part: &Part| {
        let rest = rests.iter().find(|rest| rest.channel == part.channel);
        rest.map_or(1.0, |rest| (1.0 - rest.fit.gain / part.fit.gain).powi(2))
    };
    series.iter().map(share).fold(0.0, f64::max).min(1.0)
}
