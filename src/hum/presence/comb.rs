//! Another's lines at multiples of a multiple of the fundamental: a test tone of 1 kHz and its harmonics stand at every twentieth
//! order of 50 Hz, and a lamp's switching may at every fourth.

use super::evidence::{Evidence, largest_about};
use crate::hum::line_spectrum::Line;

/// Least multiple of the fundamental at which another's lines are looked for beside hum: rectifiers leave every second.
const LEAST_STEP: usize = 3;
/// Of a comb's first lines so many are looked at, and so many have to stand out, this many times as high as orders that are none of it.
const FIRST_LINES: usize = 4;
const STANDING: usize = 2;
const STANDS_OUT: f64 = 3.0;
/// Strength from which a line that stands out alone is more than noise.
const SEEN: f64 = 20.0;
/// Multiple from which nothing but such lines is no hum, but for a rectifier's of three phases, whose ripple is at every sixth (common
/// practice, no source).
const LEAST_ALONE: usize = 4;
const THREE_PHASES: usize = 6;
/// How near to the nominal frequency a series is a clock's rather than a grid's, as a share.
pub(super) const CLOCKED: f64 = 1e-4;
/// Least RMS of a ripple's first line, as a share of its largest, and of an order that no chance makes.
const FIRST_OF_LARGEST: f64 = 0.3;

/// The largest multiple that all orders that count stand at, but for weak ones that `by_chance` makes.
pub(super) fn sole_step(evidence: &Evidence, by_chance: f64) -> usize {
    let orders = || evidence.orders.iter();
    let largest = orders().map(|own| own.line.rms).fold(0.0, f64::max);
    let has_all = |step: &usize| {
        let mut others = orders().filter(|own| !own.order.is_multiple_of(*step));
        let worth: f64 = others.clone().map(|own| own.worth).sum();
        worth < by_chance && others.all(|own| own.line.rms < FIRST_OF_LARGEST * largest)
    };
    let highest = orders().map(|own| own.order).max().unwrap_or(1);
    (2..=highest).rev().find(has_all).unwrap_or(1)
}

/// Whether a series that has orders at multiples of `step` alone is none of a grid with that nominal frequency.
pub(super) fn is_anothers(evidence: &Evidence, step: usize, nominal_hz: f64) -> bool {
    if step == 1 {
        return false;
    }
    let members = || {
        let own = evidence.orders.iter();
        own.filter(|counted| counted.order.is_multiple_of(step))
    };
    let largest = members().map(|own| own.line.rms).fold(0.0, f64::max);
    let first = members().find(|own| own.order == step);
    let ripples = first.is_some_and(|own| own.line.rms > FIRST_OF_LARGEST * largest);
    let clocked = (evidence.fundamental_hz / nominal_hz - 1.0).abs() < CLOCKED;
    let of_a_rectifier = step < LEAST_ALONE || (step.is_multiple_of(THREE_PHASES) && !clocked);
    !(ripples && of_a_rectifier)
}

/// The multiple of the fundamental at whose multiples lines stand that stand out from all orders about them.
pub(super) fn step_beside(shown: &[(usize, Line)]) -> Option<usize> {
    let lines = || shown.iter().filter(|(order, _)| *order >= LEAST_STEP);
    let height = |order: usize| {
        let at = shown.binary_search_by_key(&order, |(own, _)| *own).ok()?;
        Some(shown[at].1.rms)
    };
    let stands = |order: usize| {
        height(order).is_some_and(|rms| rms > STANDS_OUT * largest_about(shown, order))
    };
    let is_comb = |step: usize| {
        let count = (1..=FIRST_LINES).filter(|j| stands(j * step)).count();
        // A hum's third, ninth and fifteenth order may well stand out.
        let second = step > LEAST_STEP || stands(2 * step);
        stands(step) && count >= STANDING && second
    };
    lines()
        .filter(|(order, _)| is_comb(*order))
        .max_by(|a, b| a.1.rms.total_cmp(&b.1.rms))
        .map(|(order, _)| *order)
}

/// Multiples that may be another's where their frequency is not that of the orders between: those with two orders and more that
/// count, while two others count or the first does.
pub(super) fn steps(evidence: &Evidence) -> impl Iterator<Item = usize> {
    let orders = evidence.orders.iter().map(|own| own.order);
    let count = move |step: usize| {
        orders
            .clone()
            .filter(|order| order.is_multiple_of(step))
            .count()
    };
    let all = evidence.orders.len();
    let first = evidence.orders.first().is_some_and(|own| own.order == 1);
    let highest = evidence.orders.last().map_or(0, |own| own.order);
    (2..=highest / 2).filter(move |&step| {
        let own = count(step);
        own >= STANDING && all - own >= if first { 1 } else { 2 }
    })
}

/// The greatest number that divides all; 0 of none.
pub(super) fn common_divisor(orders: impl Iterator<Item = usize>) -> usize {
    orders.fold(0, |mut a, mut b| {
        while b > 0 {
            (a, b) = (b, a % b);
        }
        a
    })
}

/// Orders that stand out from those about them, alone, where a clock of the nominal frequency has them.
pub(super) fn clocked(shown: &[(usize, Line)], nominal_hz: f64) -> Vec<usize> {
    let is_clocked = |(order, line): &&(usize, Line)| {
        let place = *order as f64 * nominal_hz;
        *order >= LEAST_STEP
            && line.strength > SEEN
            && line.rms > STANDS_OUT * largest_about(shown, *order)
            && (line.hz / place - 1.0).abs() < CLOCKED
    };
    let found = shown.iter().filter(is_clocked);
    found.map(|(order, _)| *order).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hum::{Presence, look};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 8000.0;

    /// Two seconds of lines, frequency and amplitude, in noise.
    fn look_at(lines: &[(f64, f64)]) -> Presence {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let samples: Vec<f64> = (0..16_000)
            .map(|n| {
                let t = f64::from(n) / RATE_HZ;
                let tones = lines.iter().zip(1..);
                let tones =
                    tones.map(|((hz, height), i)| height * (TAU * hz * t + f64::from(i)).cos());
                let draw: f64 = StandardNormal.sample(&mut rng);
                tones.sum::<f64>() + 0.02 * draw
            })
            .collect();
        look(&samples, RATE_HZ, &[50.0, 60.0])
    }

    fn hum(hz: f64) -> impl Iterator<Item = (f64, f64)> {
        [(1.0, 0.3), (3.0, 0.1), (5.0, 0.06), (7.0, 0.03)]
            .into_iter()
            .map(move |(k, height)| (k * hz, height))
    }

    /// A tone and its second and third harmonic.
    fn tone(hz: f64) -> impl Iterator<Item = (f64, f64)> {
        [(1.0, 1.0), (2.0, 0.2), (3.0, 0.3)]
            .into_iter()
            .map(move |(k, height)| (k * hz, height))
    }

    #[test]
    fn a_test_tone_and_its_harmonics_are_no_mains() {
        for hz in [200.0, 250.0, 400.0, 440.0, 500.0, 600.0, 1000.0] {
            let lines: Vec<_> = tone(hz).collect();
            let seen = look_at(&lines);
            assert_eq!(seen, Presence::Absent { plain: false }, "{hz} Hz");
        }
    }

    /// Common practice, no source: the ripple of one phase is at twice the mains frequency, of three phases at six times.
    #[test]
    fn a_rectifiers_ripple_is_mains() {
        for hz in [100.04, 119.92, 300.12] {
            let lines: Vec<_> = tone(hz).collect();
            // Where nothing else is in the record, sharper tests say so.
            let seen = look_at(&lines);
            let may_be = matches!(
                seen,
                Presence::Present(_) | Presence::Absent { plain: true }
            );
            assert!(may_be, "{hz} Hz");
        }
    }

    #[test]
    fn a_tone_on_a_multiple_does_not_bend_the_fundamental() {
        for (mains_hz, tone_hz) in [
            (50.06, 1000.0),
            (59.93, 300.0),
            (50.06, 100.0),
            (60.05, 400.0),
        ] {
            let lines: Vec<_> = hum(mains_hz).chain(tone(tone_hz)).collect();
            let Presence::Present(seen) = look_at(&lines) else {
                panic!("no mains at {mains_hz} Hz beside {tone_hz} Hz");
            };
            let off_hz = seen.fundamental_hz - mains_hz;
            assert!(off_hz.abs() < 5.0 * seen.uncertainty_hz, "{off_hz} Hz off");
            let orders: Vec<usize> = seen.foreign.iter().map(|other| other.order).collect();
            let first = (tone_hz / mains_hz).round() as usize;
            let on_an_order = (tone_hz / first as f64 / mains_hz - 1.0).abs() < 0.01;
            assert!(!on_an_order || orders.contains(&first), "{orders:?}");
        }
    }

    #[test]
    fn what_all_orders_are_multiples_of() {
        assert_eq!(common_divisor([20, 8, 12].into_iter()), 4);
        assert_eq!(common_divisor([3, 7].into_iter()), 1);
        assert_eq!(common_divisor(std::iter::empty()), 0);
    }
}
