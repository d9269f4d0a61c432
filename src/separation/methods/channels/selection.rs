//! Which of several channels a target has something of, and how much.

use super::comparison::{is_nearer, less, power};
use super::delay::{GainDelay, floor, gain_and_delay};
use super::joint::{Joint, Record, fit};
use super::pair_search::places;
use super::parts::{Part, apply};
use crate::separation::left_power::LeftPower;

/// Channels that the search begins with, one after the other.
const STARTS: usize = 2;
/// Rounds in which every channel's delay is looked for again beside the others'.
const REVISITED: usize = 2;
/// Share of a channel's power that must be its own beside the others'.
const LEAST_OF_ITS_OWN: f64 = 1e-6;
/// Change of a delay that is another place, samples.
const ELSEWHERE: f64 = 0.5;

/// How a target follows from other channels.
#[derive(Debug, Clone)]
pub(crate) struct Matched {
    /// The channels that it has something of, in their order.
    pub(crate) parts: Vec<Part>,
    /// How they are known together; `None` of one channel alone.
    pub(crate) joint: Option<Joint>,
    /// What gains and delays are wrong by.
    pub(crate) doubt: LeftPower,
    /// Power of what is left beside the other channels and beside narrow lines: noise of any of them.
    pub(crate) floor: f64,
}

impl Matched {
    fn of(record: &Record<'_>, mut joint: Joint) -> Self {
        let others = record.others;
        let floor = floor(&less(record.target, &joint.apply(others)), record.there);
        let parts = joint.parts.iter_mut();
        parts.for_each(|part| part.fit.floor = floor);
        Self {
            parts: joint.parts.clone(),
            doubt: joint.doubt(others),
            joint: Some(joint),
            floor,
        }
    }

    /// The other channels as they stand in the target.
    pub(crate) fn apply(&self, others: &[&[f64]]) -> Vec<f64> {
        apply(&self.parts, others)
    }
}

/// Fits gains and delays of all the channels that a target has something of; `None` where it has nothing of any.
///
/// One channel joins after the other: each that what is left has most in common with, conditioned on those before it (what they
/// tell of it taken out: Bendat & Piersol, Random Data, chapter on multiple-input systems, from memory); then all are fitted at
/// once. A channel that adds nothing to the others, one that is all but a copy of another for one, is left out.
pub(crate) fn matched(record: &Record<'_>) -> Option<Matched> {
    let Record {
        target,
        there,
        others,
        longest,
    } = *record;
    let alone = |channel: usize| {
        gain_and_delay(target, there, others[channel], longest).map(|fit| Part { channel, fit })
    };
    if others.len() == 1 {
        let part = alone(0)?;
        return Some(Matched {
            parts: vec![part],
            joint: None,
            doubt: part.fit.doubt(others[0]),
            floor: part.fit.floor,
        });
    }
    let mut starts: Vec<Part> = (0..others.len()).filter_map(alone).collect();
    starts.sort_by(|a, b| worth(&b.fit).total_cmp(&worth(&a.fit)));
    starts.truncate(STARTS);
    let mut best = starts
        .into_iter()
        .filter_map(|start| grown(record, start))
        .reduce(|a, b| better(record, a, b))?;
    best.parts_in_order(record)?;
    Some(Matched::of(record, best))
}

/// The same of what is left once the channels' series are gone, which is passed on about as the whole was.
pub(crate) fn matched_about(record: &Record<'_>, whole: &Matched) -> Option<Matched> {
    if whole.joint.is_none() {
        return matched(record);
    }
    let joint = fit(record, &whole.parts, None)?.without_idle(record)?;
    (!joint.parts.is_empty()).then(|| Matched::of(record, joint))
}

/// Squared gain over its variance.
fn worth(fit: &GainDelay) -> f64 {
    fit.gain.powi(2) / fit.gain_variance.max(1e-300)
}

/// All channels that are needed, beginning with one.
fn grown(record: &Record<'_>, start: Part) -> Option<Joint> {
    let mut best = fit(record, &[start], None)?;
    let mut refused: Vec<usize> = Vec::new();
    loop {
        let rest = less(record.target, &best.apply(record.others));
        let waits = |channel: &usize| {
            !refused.contains(channel) && best.parts.iter().all(|p| p.channel != *channel)
        };
        let found = (0..record.others.len())
            .filter(waits)
            .filter_map(|channel| own_share(record, &rest, &best.parts, channel))
            .max_by(|a, b| worth(&a.fit).total_cmp(&worth(&b.fit)));
        let Some(found) = found else { break };
        let joined = joined(record, &best.parts, found)
            .filter(|joint| joint.parts.iter().any(|p| p.channel == found.channel));
        match joined {
            Some(joint) => {
                refused.extend(best.parts.iter().map(|p| p.channel));
                refused.retain(|channel| joint.parts.iter().all(|p| p.channel != *channel));
                best = joint;
            }
            None => refused.push(found.channel),
        }
    }
    for _ in 0..REVISITED {
        let Some(better) = revisited(record, &best) else {
            break;
        };
        best = better;
    }
    Some(best)
}

/// All parts with one more, fitted from where it was found and from the places that it and each of the others could have together.
fn joined(record: &Record<'_>, parts: &[Part], found: Part) -> Option<Joint> {
    let mut starts = vec![[parts, &[found]].concat()];
    for i in 0..parts.len() {
        let mut beside = parts.to_vec();
        let one = beside.remove(i);
        for [one, two] in places(record, &beside, [one, found]) {
            let mut start = parts.to_vec();
            start[i] = one;
            start.push(two);
            starts.push(start);
        }
    }
    starts
        .iter()
        .filter_map(|start| fit(record, start, None)?.without_idle(record))
        .reduce(|a, b| better(record, a, b))
}

/// The one that leaves clearly less; of two alike the likelier by frequency.
///
/// Frequencies that hold nothing but the channels' own noise are most, and less of it passes by gains that are too small: they must
/// not outvote the lines of a series.
fn better(record: &Record<'_>, one: Joint, other: Joint) -> Joint {
    match is_better(record, &other, &one) {
        true => other,
        false => one,
    }
}

fn is_better(record: &Record<'_>, one: &Joint, other: &Joint) -> bool {
    let (by_one, by_other) = (one.apply(record.others), other.apply(record.others));
    is_nearer(record.target, &by_one, &by_other)
        || (one.cost < other.cost && !is_nearer(record.target, &by_other, &by_one))
}

/// Gain and delay by which `rest` follows from what a channel holds beside these parts.
fn own_share(record: &Record<'_>, rest: &[f64], parts: &[Part], channel: usize) -> Option<Part> {
    let mut own = record.others[channel].to_vec();
    for part in parts {
        let other = record.others[part.channel];
        if let Some(shared) = gain_and_delay(&own, record.there, other, record.longest) {
            own = less(&own, &shared.apply(other));
        }
    }
    // What is left of a copy is what rounding leaves: it would fit by any gain.
    if !(power(&own) > LEAST_OF_ITS_OWN * power(record.others[channel])) {
        return None;
    }
    gain_and_delay(rest, record.there, &own, record.longest).map(|fit| Part { channel, fit })
}

/// The same where a channel's delay is elsewhere beside the others' and less is left so; `None` where all stay.
fn revisited(record: &Record<'_>, joint: &Joint) -> Option<Joint> {
    if joint.parts.len() < 2 {
        return None;
    }
    let mut best: Option<Joint> = None;
    for i in 0..joint.parts.len() {
        let now = best.as_ref().unwrap_or(joint);
        let Some(part) = now.parts.get(i).copied() else {
            break;
        };
        let mut beside = now.parts.clone();
        beside.remove(i);
        let rest = less(record.target, &apply(&beside, record.others));
        let Some(found) = own_share(record, &rest, &beside, part.channel) else {
            continue;
        };
        if (found.fit.delay - part.fit.delay).abs() < ELSEWHERE {
            continue;
        }
        let mut starts = now.parts.clone();
        starts[i] = found;
        let tried = fit(record, &starts, None).and_then(|joint| joint.without_idle(record));
        if let Some(tried) = tried.filter(|tried| is_better(record, tried, now)) {
            best = Some(tried);
        }
    }
    best
}

impl Joint {
    /// Puts the parts into the order of their channels.
    fn parts_in_order(&mut self, record: &Record<'_>) -> Option<()> {
        if self.parts.is_sorted_by_key(|p| p.channel) {
            return Some(());
        }
        let mut starts = self.parts.clone();
        starts.sort_by_key(|p| p.channel);
        *self = fit(record, &starts, None)?;
        Some(())
    }
}
