//! How tones belong to the mains and to each other, in words.

use crate::analysis::measurement::{Mains, Tone};
use crate::stats::Estimate;

/// Words for tones that are orders of the mains above the modelled ones, or belong to each other: whole
/// multiples of a stronger one, or sidebands of it at once or twice the mains frequency.
pub(crate) fn relate(tones: &mut [Tone], mains: &Mains, mains_hz: f64) {
    for i in 0..tones.len() {
        let own = tones[i].frequency_hz;
        let tolerance = (own.high - own.low).max(1e-4 * own.value);
        let relation = tones[..i].iter().find_map(|stronger| {
            let base = stronger.frequency_hz.value;
            let distance = (own.value - base).abs();
            for (factor, words) in [
                (1.0, "the mains frequency"),
                (2.0, "twice the mains frequency"),
            ] {
                if mains_hz > 0.0
                    && (distance - factor * mains_hz).abs() < tolerance.max(0.02 * mains_hz)
                {
                    return Some(format!("sideband of {base:.6} Hz at {words}"));
                }
            }
            let ratio = (own.value / base).round();
            (ratio >= 2.0 && (own.value - ratio * base).abs() < tolerance.max(1e-3 * base))
                .then(|| format!("multiple {ratio:.0} of {base:.6} Hz"))
        });
        tones[i].relation = order_of_mains(own, mains).or(relation);
    }
}

/// A line at a multiple of the detected fundamental above the modelled orders, within twice the joint
/// interval of the two frequencies; nothing where that is so wide that any line would meet a multiple.
fn order_of_mains(own: Estimate, mains: &Mains) -> Option<String> {
    let fundamental = mains.frequency_hz?;
    let order = (own.value / fundamental.value).round();
    let half = |e: Estimate| 0.5 * (e.high - e.low);
    let reach = 2.0
        * half(own)
            .hypot(order * half(fundamental))
            .max(5e-6 * own.value);
    let distance = (own.value - order * fundamental.value).abs();
    (order > mains.harmonics.len() as f64 && reach < 0.04 * fundamental.value && distance <= reach)
        .then(|| format!("order {order:.0} of the mains"))
}
