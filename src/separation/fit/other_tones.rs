//! Which of a record's lines are another's, told before a series is fitted.

use super::course::Course;
use super::fitted::OtherTone;
use super::settings::ENOUGH_HZ;
use crate::hum::{ForeignLine, Presence, Present, look};
use crate::separation::samples::Centred;
use crate::spectrum::Decimator;

/// Tones beside an order that do not follow the series and outweigh it.
pub(crate) fn other_tones(centred: &Centred, rate_hz: f64, course: &Course) -> Vec<OtherTone> {
    let nominal_hz = course.nominal_hz;
    let bridged;
    let samples = if centred.missing.is_some() {
        bridged = centred.bridged();
        &bridged
    } else {
        &centred.values
    };
    let factor = (rate_hz / ENOUGH_HZ) as usize;
    let presence = if factor < 2 {
        look(samples, rate_hz, &[nominal_hz])
    } else {
        let mut low = Vec::with_capacity(samples.len() / factor + 1);
        Decimator::new(factor).push(samples, &mut low);
        look(&low, rate_hz / factor as f64, &[nominal_hz])
    };
    let Presence::Present(found) = presence else {
        return Vec::new();
    };
    let others = found.foreign.iter();
    let others: Vec<OtherTone> = others
        .filter(|f| f.proved && outweighs(f, &found) && !on_the_way(f, &found, course))
        .map(|f| OtherTone {
            order: f.order,
            hz: f.line.hz,
        })
        .collect();
    not_the_series(&others, found.duration_s)
}

/// Whether a line stands where the series itself is at some time: a course that moves spreads its orders.
fn on_the_way(tone: &ForeignLine, found: &Present, course: &Course) -> bool {
    let order = tone.order as f64;
    let doubt = 0.5 / found.duration_s / order;
    let (low, high) = course.range();
    (low - doubt..=high + doubt).contains(&(tone.line.hz / order))
}

/// How many times the whole series' RMS a tone has to be: what a moving series leaves beside an order is no more than itself.
const OUTWEIGHS: f64 = 2.0;

/// Whether a tone is stronger than the series is without it.
fn outweighs(tone: &ForeignLine, found: &Present) -> bool {
    let orders = found.evidence.orders.iter();
    let series: f64 = orders
        .filter(|o| o.order != tone.order)
        .map(|o| o.line.rms.powi(2))
        .chain(tone.own.map(|own| own.rms.powi(2)))
        .sum();
    tone.line.rms.powi(2) > OUTWEIGHS.powi(2) * series
}

/// Those that are not the series itself at another time: lines at one fundamental, whose orders have no common divisor,
/// are of a grid that moved. A tone and its own harmonics stand at multiples of one order.
fn not_the_series(others: &[OtherTone], duration_s: f64) -> Vec<OtherTone> {
    let fundamental = |o: &OtherTone| o.hz / o.order as f64;
    // Half a cell of 1/T at the order, and what a grid wanders.
    let doubt = |o: &OtherTone| 0.5 / duration_s / o.order as f64 + 1e-4 * fundamental(o);
    let stays = |own: &&OtherTone| {
        let alike = others
            .iter()
            .filter(|o| (fundamental(o) - fundamental(own)).abs() <= doubt(o) + doubt(own));
        let (count, divisor) = alike.fold((0, 0), |(count, divisor), o| {
            (count + 1, common_divisor(o.order, divisor))
        });
        count < 2 || divisor > 1
    };
    others.iter().filter(stays).copied().collect()
}

fn common_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { common_divisor(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(fundamental: f64, orders: &[usize]) -> Vec<OtherTone> {
        let tone = |&order: &usize| OtherTone {
            order,
            hz: fundamental * order as f64,
        };
        orders.iter().map(tone).collect()
    }

    #[test]
    fn a_grid_that_moved_is_no_tone_and_a_tone_with_its_harmonics_is() {
        assert_eq!(not_the_series(&at(50.2, &[1, 3, 5, 8]), 10.0), Vec::new());
        let tones = at(50.0, &[8, 16]);
        assert_eq!(not_the_series(&tones, 10.0), tones);
        let mut both = at(50.2, &[2, 3, 5]);
        both.extend(at(50.6, &[7]));
        assert_eq!(not_the_series(&both, 10.0), at(50.6, &[7]));
    }
}
