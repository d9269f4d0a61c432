//! What several channels bring to a target.

use super::delay::GainDelay;

/// One of several channels, and its gain and delay beside the others'.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Part {
    pub(crate) channel: usize,
    pub(crate) fit: GainDelay,
}

/// Sum of what the parts bring.
pub(super) fn apply(parts: &[Part], others: &[&[f64]]) -> Vec<f64> {
    let mut parts = parts.iter();
    let Some(first) = parts.next() else {
        return vec![0.0; others.first().map_or(0, |other| other.len())];
    };
    let mut sum = first.fit.apply(others[first.channel]);
    for part in parts {
        let own = part.fit.apply(others[part.channel]);
        sum.iter_mut().zip(&own).for_each(|(s, v)| *s += v);
    }
    sum
}
