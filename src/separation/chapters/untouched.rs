//! The hum of orders that nothing was taken out of.

use crate::analysis::{Harmonic, Mains};
use crate::stats::{Estimate, LinePower};

/// An interval of a mean square.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Power {
    pub(super) value: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Power {
    fn of(rms: &Estimate, unit: f64) -> Self {
        let square = |rms: f64| (rms / unit).powi(2);
        Self {
            value: square(rms.value),
            low: square(rms.low),
            high: square(rms.high),
        }
    }

    /// The sum of two that do not depend on each other: upper limits' distances from the value add in squares (G. Y. Zou &
    /// A. Donner, Stat. Med. 27, 2008, from memory). Lower limits add, as values that cannot be negative err upwards.
    pub(super) fn plus(self, other: Self) -> Self {
        let value = self.value + other.value;
        let above = (self.high - self.value).hypot(other.high - other.value);
        Self {
            value,
            low: self.low + other.low,
            high: value + above,
        }
    }
}

/// Over the bound that noise alone sets, from which a bound is another's.
const PLAIN: f64 = 1.001;

/// Mean square of the measured hum in the orders that are not among `taken_out`, in a unit of the channel's own.
pub(super) fn untouched(mains: &Mains, taken_out: &[usize], unit: f64, confidence: f64) -> Power {
    if taken_out.is_empty() {
        let whole = mains.hum_rms.as_ref();
        return whole.map_or_else(Power::default, |rms| Power::of(rms, unit));
    }
    let left = mains
        .harmonics
        .iter()
        .filter(|h| !taken_out.contains(&h.order));
    // Bounds that something else than noise set count one by one; so do those whose squares no number holds.
    let (plain, bounded): (Vec<&Harmonic>, Vec<&Harmonic>) =
        left.partition(|h| unit == 1.0 && h.rms.high <= PLAIN * h.power.rms(confidence).high);
    let mut sum = Power::default();
    if !plain.is_empty() {
        let plain = LinePower::sum(plain.iter().map(|h| &h.power));
        // Another's leakage looks like hum to a measurement that follows it less closely than the fit does.
        sum = Power {
            low: 0.0,
            ..Power::of(&plain.rms(confidence), unit)
        };
    }
    for harmonic in bounded {
        // What may be nothing counts by its bound alone: values that cannot be negative would add up.
        let own = Power::of(&harmonic.rms, unit);
        let value = if own.low > 0.0 { own.value } else { 0.0 };
        sum = sum.plus(Power {
            value,
            low: 0.0,
            ..own
        });
    }
    sum
}
