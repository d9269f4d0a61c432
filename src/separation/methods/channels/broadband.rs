//! One channel predicted from another: gain and delay, and a short filter where it pays.

use super::comparison::{is_nearer, less, power};
use super::delay::{GainDelay, gain_and_delay, quieten};
use super::short_filter::{Correlations, Filter};
use crate::separation::left_power::LeftPower;

/// Power of what another channel can have brought, of the target's: no more than the whole, as the rest is
/// independent of it, and twice that allows for chance. A channel that a delay of half a sample silences (a line at
/// half the rate) would else be multiplied without bound.
const LARGEST_SHARE: f64 = 2.0;

/// What another channel predicts.
pub(crate) struct Broadband {
    pub(crate) removed: Vec<f64>,
    pub(crate) match_: GainDelay,
    filter: Option<Filter>,
    /// What gain, delay and filter are wrong by.
    pub(crate) doubt: LeftPower,
}

/// Predicts `target` from `other`; `None` where they have nothing in common.
///
/// A filter is added to gain and delay only where what it explains of the rest is worth its parameters (Akaike 1974)
/// and clearly lessens the rest as it stands: a filter chosen where noise is least could spoil where it is most.
pub(crate) fn broadband(
    target: &[f64],
    there: &dyn Fn(usize) -> bool,
    other: &[f64],
    (longest, rate_hz): (usize, f64),
) -> Option<Broadband> {
    let match_ = gain_and_delay(target, there, other, longest)?;
    let mut removed = match_.apply(other);
    if power(&removed) > LARGEST_SHARE * power(target) {
        return None;
    }
    let mut doubt = match_.doubt(other);
    let mut rest = less(target, &removed);
    quieten(&mut rest, there);
    let centre = match_.delay.round() as i64;
    let nothing = vec![0.0; rest.len()];
    let filter = Correlations::between(&rest, other, centre, rate_hz)
        .and_then(|correlations| correlations.filter())
        .map(|filter| (filter.clone().moved(centre).apply(other), filter))
        .filter(|(more, _)| is_nearer(&rest, more, &nothing))
        .map(|(more, filter)| {
            removed.iter_mut().zip(&more).for_each(|(r, v)| *r += v);
            let taps = filter.taps.len() as f64;
            doubt.add(
                match_.floor * taps / target.len() as f64,
                taps,
                f64::INFINITY,
            );
            filter
        });
    Some(Broadband {
        removed,
        match_,
        filter,
        doubt,
    })
}

impl Broadband {
    pub(crate) fn told(&self) -> String {
        let plain = format!(
            "with gain {:.5} and delay {:.4} samples",
            self.match_.gain, self.match_.delay
        );
        match &self.filter {
            Some(filter) => format!("{plain}, and a filter of {} taps", filter.taps.len()),
            None => plain,
        }
    }
}
