//! A target predicted from other channels: gains and delays, and short filters where they pay.

use super::comparison::{is_nearer, less, power};
use super::delay::quieten;
use super::joint::Record;
use super::selection::Matched;
use super::short_filter::{Correlations, Filter};
use crate::separation::left_power::LeftPower;

/// Power of what other channels can have brought, of the target's: no more than the whole, as the rest is
/// independent of it, and twice that allows for chance. A channel that a delay of half a sample silences (a line at
/// half the rate) would else be multiplied without bound.
const LARGEST_SHARE: f64 = 2.0;

/// What other channels predict.
pub(crate) struct Broadband {
    pub(crate) removed: Vec<f64>,
    pub(crate) matched: Matched,
    filters: Vec<Filter>,
    /// What gains, delays and filters are wrong by.
    pub(crate) doubt: LeftPower,
}

/// Predicts the target from the others by these gains and delays; `None` where that is more than they can have brought.
///
/// Filters are added to gains and delays only where what they explain of the rest is worth their parameters (Akaike 1974)
/// and clearly lessens the rest as it stands: filters chosen where noise is least could spoil where it is most.
pub(crate) fn broadband(record: &Record<'_>, matched: Matched, rate_hz: f64) -> Option<Broadband> {
    let target = record.target;
    let mut removed = matched.apply(record.others);
    if power(&removed) > LARGEST_SHARE * power(target) {
        return None;
    }
    let mut doubt = matched.doubt;
    let mut rest = less(target, &removed);
    quieten(&mut rest, record.there);
    let used = |channel: usize| record.others[channel];
    let others: Vec<&[f64]> = matched.parts.iter().map(|p| used(p.channel)).collect();
    let centres: Vec<i64> = matched
        .parts
        .iter()
        .map(|p| p.fit.delay.round() as i64)
        .collect();
    let nothing = vec![0.0; rest.len()];
    let filters = Correlations::between(&rest, &others, &centres, rate_hz)
        .and_then(|correlations| correlations.filters())
        .map(|filters| (filtered(&filters, &others, &centres), filters))
        .filter(|(more, _)| is_nearer(&rest, more, &nothing))
        .map(|(more, filters)| {
            removed.iter_mut().zip(&more).for_each(|(r, v)| *r += v);
            let taps = filters.iter().map(|f| f.taps.len()).sum::<usize>() as f64;
            doubt.add(
                matched.floor * taps / target.len() as f64,
                taps,
                f64::INFINITY,
            );
            filters
        });
    Some(Broadband {
        removed,
        matched,
        filters: filters.unwrap_or_default(),
        doubt,
    })
}

/// Sum of the filtered channels.
fn filtered(filters: &[Filter], others: &[&[f64]], centres: &[i64]) -> Vec<f64> {
    let mut each = filters
        .iter()
        .zip(others)
        .zip(centres)
        .map(|((filter, other), centre)| filter.clone().moved(*centre).apply(other));
    let mut sum = each.next().unwrap_or_default();
    for own in each {
        sum.iter_mut().zip(&own).for_each(|(s, v)| *s += v);
    }
    sum
}

impl Broadband {
    pub(crate) fn told(&self) -> String {
        let plain = match &self.matched.parts[..] {
            [one] => format!(
                "with gain {:.5} and delay {:.4} samples",
                one.fit.gain, one.fit.delay
            ),
            several => format!("by {} of them at once", several.len()),
        };
        match self.filters.first() {
            Some(filter) => format!("{plain}, and a filter of {} taps", filter.taps.len()),
            None => plain,
        }
    }
}
