//! Lines that are no order of the mains (switching supplies, data buses, motors), matched between captures
//! and compared like every other figure.

use super::rows::{Pair, Row};
use crate::Condition;
use crate::analysis::{Measurement, Tone};
use crate::comparison::figure::{Observation, Reading};
use crate::comparison::selection::Selection;
use crate::quantity::Quantity;
use crate::stats::Estimate;
use std::collections::BTreeMap;

/// How far a line may move from one capture to the next, as a fraction of its frequency: free-running
/// oscillators drift by as much with temperature and load (common practice, no source).
const DRIFT: f64 = 1e-3;
/// The same in inverse lengths of the shorter record: two bins of its spectrum.
const BINS: f64 = 2.0;
/// Nearer to an order than this many inverse lengths of the record a line is not told from it.
const BESIDE_ORDER: f64 = 3.0;
/// How much weaker than its amplitude a line between two bins of a Hann window may look beside the noise: by
/// the root of its noise bandwidth of 1.5 bins and its scalloping of 1.42 dB (F. J. Harris, Proc. IEEE 66,
/// 1978).
const WINDOW: f64 = 1.224_744_871_391_589 * 1.178;
/// Chance of a line out of noise in a record, over which `measure` lists one.
const FALSE_ALARM: f64 = 0.01;

/// One line in the captures of all conditions.
pub(in crate::comparison) struct Line<'a> {
    pub frequency_hz: Estimate,
    /// By condition, each capture with the tone it shows, if any.
    captures: BTreeMap<Condition, Vec<(&'a Measurement, Option<&'a Tone>)>>,
}

impl<'a> Line<'a> {
    /// Every line, the strongest first.
    pub(in crate::comparison) fn all(
        selections: &BTreeMap<Condition, Selection<'a>>,
        confidence: f64,
    ) -> Vec<Self> {
        let captures: Vec<(Condition, &'a Measurement)> = selections
            .iter()
            .flat_map(|(&condition, s)| s.alternating.iter().map(move |&m| (condition, m)))
            .collect();
        let mut open: Vec<(usize, &'a Tone)> = captures
            .iter()
            .enumerate()
            .flat_map(|(index, (_, m))| m.tones.iter().map(move |tone| (index, tone)))
            .filter(|(_, tone)| !is_order(tone))
            .collect();
        open.sort_by(|(_, a), (_, b)| {
            let by_frequency = a.frequency_hz.value.total_cmp(&b.frequency_hz.value);
            b.rms.value.total_cmp(&a.rms.value).then(by_frequency)
        });
        let mut lines = Vec::new();
        while let Some(&(home, strongest)) = open.first() {
            let place_hz = strongest.frequency_hz.value;
            let distance = |tone: &Tone| (tone.frequency_hz.value - place_hz).abs();
            let nearest = |(index, (_, m)): (usize, &(Condition, &Measurement))| {
                let longest = m.duration_s.min(captures[home].1.duration_s);
                let reach = (BINS / longest).max(DRIFT * place_hz);
                let near = open
                    .iter()
                    .filter(|(place, tone)| *place == index && distance(tone) <= reach);
                near.min_by(|(_, a), (_, b)| distance(a).total_cmp(&distance(b)))
                    .map(|(_, tone)| *tone)
            };
            let tones: Vec<Option<&Tone>> = captures.iter().enumerate().map(nearest).collect();
            open.retain(|&(index, tone)| !tones[index].is_some_and(|t| std::ptr::eq(t, tone)));
            lines.push(Self::of(&captures, &tones, confidence));
        }
        lines
    }

    fn of(
        all: &[(Condition, &'a Measurement)],
        tones: &[Option<&'a Tone>],
        confidence: f64,
    ) -> Self {
        let mut captures: BTreeMap<Condition, Vec<(&Measurement, Option<&Tone>)>> = BTreeMap::new();
        for ((condition, m), tone) in all.iter().zip(tones) {
            captures.entry(*condition).or_default().push((m, *tone));
        }
        let mut observations: Vec<Observation> = tones
            .iter()
            .flatten()
            .map(|tone| Observation::Offset(tone.frequency_hz))
            .collect();
        observations.sort_by(Observation::compare);
        let frequency_hz = Reading::of(&observations, None, None, confidence).map_or_else(
            || Estimate::normal(f64::NAN, 0.0, confidence),
            |r| r.estimate,
        );
        Self {
            frequency_hz,
            captures,
        }
    }

    /// The line's row; `None` readings where no capture of a condition can speak of it.
    pub(in crate::comparison) fn row(
        &self,
        unit: &str,
        has_isolated: bool,
        confidence: f64,
    ) -> Row {
        let readings = Condition::ALL.map(|condition| self.reading(condition, confidence));
        let pair = Pair {
            quantity: Quantity::Line,
            readings,
            has_isolated,
            confidence,
        };
        pair.row(unit, true)
    }

    fn reading(&self, condition: Condition, confidence: f64) -> Option<Reading> {
        let captures = self.captures.get(&condition)?;
        let mut observations: Vec<Observation> = captures
            .iter()
            .filter_map(|(m, tone)| match tone {
                Some(tone) => Some(Observation::line(tone.power, tone.rms)),
                None => below_detection(m, self.frequency_hz.value).map(Observation::Bounded),
            })
            .filter(Observation::is_usable)
            .collect();
        observations.sort_by(Observation::compare);
        let printed = match captures.as_slice() {
            [(_, Some(tone))] => Some(tone.rms),
            [(m, None)] => below_detection(m, self.frequency_hz.value),
            _ => None,
        };
        Reading::of(&observations, printed, None, confidence)
    }
}

/// Whether a tone is an order above the modelled ones.
fn is_order(tone: &Tone) -> bool {
    let relation = tone.relation.as_deref().unwrap_or_default();
    relation.starts_with("order ")
}

/// What a line that was not listed is below. Its power over the noise in one bin, χ² of two degrees of
/// freedom, would have had to pass a quantile 2 ln(n/α) of n bins: a line of RMS A in a one-sided
/// density S over a time T has the noncentrality 2 A² T/S, and passes in 97.5 % where the root of that
/// lies two deviations above the threshold's, the window's loss on top. `None` where the local density is not known or an order of
/// the mains covers the place.
fn below_detection(m: &Measurement, frequency_hz: f64) -> Option<Estimate> {
    if m.mains.detected {
        let mains = m.mains.frequency_hz.map_or(m.mains.nominal_hz, |f| f.value);
        let order = (frequency_hz / mains).round();
        let beside = (frequency_hz - order * mains).abs() * m.duration_s < BESIDE_ORDER;
        if beside && order >= 1.0 {
            return None;
        }
    }
    let (low, high) = m.noise.band_hz;
    if !(low..=high).contains(&frequency_hz) {
        return None;
    }
    let off = |band: (f64, f64)| (band.0 - frequency_hz).max(frequency_hz - band.1).max(0.0);
    let bands = m.noise.third_octaves.iter();
    let band = bands.min_by(|a, b| off(a.band_hz).total_cmp(&off(b.band_hz)))?;
    if off(band.band_hz) > 0.3 * frequency_hz {
        return None;
    }
    let density = band.rms.high.powi(2) / (band.band_hz.1 - band.band_hz.0);
    let threshold = (2.0 * (m.samples as f64 / FALSE_ALARM).ln()).sqrt();
    let bound = WINDOW * (threshold + 2.0) * (density / (2.0 * m.duration_s)).sqrt();
    bound
        .is_finite()
        .then(|| Estimate::new(0.0, (0.0, bound), bound / 2.0, f64::INFINITY, m.confidence))
}
