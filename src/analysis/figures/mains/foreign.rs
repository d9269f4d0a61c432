//! Orders with a line beside them that may be another's, and orders that move.

use crate::analysis::figures::facts::ChannelFacts;
use crate::analysis::measurement::Harmonic;
use crate::analysis::stream::RecordFit;
use crate::hum::{Presence, Unseen};
use crate::stats::{Estimate, LinePower};

/// Room over a line's height as its spectrum shows it.
const FOREIGN_ROOM: f64 = 1.1;

/// Bounds that a line near an order leaves: from nothing to its height.
pub(super) fn cover_foreign(fit: &RecordFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let Presence::Present(seen) = &fit.presence else {
        return;
    };
    for other in &seen.foreign {
        let Some(own) = harmonics.get_mut(other.order - 1) else {
            continue;
        };
        let apart =
            (other.line.hz - other.order as f64 * seen.fundamental_hz).abs() * seen.duration_s;
        let height = own
            .rms
            .high
            .max(FOREIGN_ROOM * other.line.rms * hann_skirt(apart));
        if let Some(line) = other.own.filter(|_| other.proved) {
            // Seen apart from the other in the record's own spectrum, to its noise and the other's skirt.
            let half = 2.0 * line.rms / line.strength.sqrt()
                + FOREIGN_ROOM * other.line.rms * hann_skirt(apart);
            let (low, high) = ((line.rms - half).max(0.0), line.rms + half);
            let power = 0.25 * half * half;
            own.rms = Estimate::new(line.rms, (low, high), 0.5 * half, 10.0, own.rms.confidence);
            own.power = LinePower::new(line.rms * line.rms, power, 2.0, 10.0);
            own.detected = low > 0.0;
            hum.low = hum.low.hypot(low);
            hum.value = hum.value.hypot(line.rms);
            hum.high = hum.high.hypot(high);
            continue;
        }
        let without = (hum.low * hum.low - own.rms.high * own.rms.high)
            .max(0.0)
            .sqrt();
        own.rms.low = 0.0;
        own.rms.high = height;
        own.detected = false;
        own.phase_deg = None;
        if other.proved {
            hum.high = hum.high.hypot(height);
        } else {
            hum.low = hum.low.min(without);
        }
    }
}

/// Hum that is not as its model has it, taken for other content where it repeats with the mains' cycle: figures that hold either
/// reading.
pub(super) fn cover_repeating(fit: &RecordFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let whole = hum.value * hum.value;
    if !(fit.other.like_hum > 0.0 && whole > 0.0) {
        return;
    }
    let share = fit.other.like_hum / whole;
    let own = harmonics.iter_mut().map(|own| &mut own.rms);
    for figure in own.chain(std::iter::once(hum)) {
        widen_by_power(figure, share * figure.value.powi(2));
    }
}

/// The same of hum that is not seen: all of it may be.
pub(super) fn cover_left_out(fit: &RecordFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    if fit.other.like_hum > 0.0 {
        let own = harmonics.iter_mut().map(|own| &mut own.rms);
        for figure in own.chain(std::iter::once(hum)) {
            widen_by_power(figure, fit.other.like_hum);
        }
    }
}

/// Gives an RMS room for a power more or less.
pub(super) fn widen_by_power(figure: &mut Estimate, room: f64) {
    figure.low = (figure.low.powi(2) - room).max(0.0).sqrt();
    figure.high = (figure.high.powi(2) + room).sqrt();
    let quarter = 0.25 * (figure.high - figure.low);
    figure.standard_uncertainty = figure.standard_uncertainty.max(quarter);
}

/// An order that moves by itself: its interval holds what of it is steady as well, the line that the whole record shows.
pub(super) fn cover_steady(fit: &RecordFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let Presence::Present(seen) = &fit.presence else {
        return;
    };
    for (order, line) in &seen.shown {
        let moved = fit.settings.moved.get(order - 1).is_some_and(|m| *m > 1.0);
        let Some(own) = harmonics.get_mut(order - 1) else {
            continue;
        };
        if !(moved || fit.combined.harmonics[order - 1].unsteady) || seen.drifts {
            continue;
        }
        let steady = line.rms * (1.0 - 2.0 / line.strength.sqrt()).max(0.0);
        if steady < own.rms.low {
            let less = own.rms.value.powi(2) - steady * steady;
            hum.low = hum.low.min((hum.value.powi(2) - less).max(0.0).sqrt());
            own.rms.low = steady;
        }
    }
}

/// What a series that is not seen may hold, wherever a grid's frequency lies: bounds are those of the highest places. Powers stay
/// those of the fit: the highest of many places would pass for a reading where captures are averaged.
pub(super) fn cover_unseen(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    harmonics: &mut [Harmonic],
    hum: &mut Estimate,
) {
    let Some(unseen) = &fit.unseen else {
        return;
    };
    let line = |own: &Harmonic, observed: f64| {
        let gain = facts.coupled_gain(own.order as f64 * unseen.fundamental_hz);
        // What was left out holds none of a line that was not seen.
        let observed = observed / (gain * fit.present).powi(2);
        LinePower::new(
            observed,
            Unseen::NOISE * own.power.noise_v2 / fit.present,
            2.0,
            own.power.noise_dof,
        )
    };
    let orders = || harmonics.iter().zip(&unseen.orders);
    let series: Vec<LinePower> = orders().map(|(own, seen)| line(own, *seen)).collect();
    let bound = LinePower::sum(series.iter()).rms(hum.confidence);
    if bound.high > hum.high {
        hum.high = bound.high;
        hum.standard_uncertainty = hum.standard_uncertainty.max(bound.standard_uncertainty);
    }
    for (own, highest) in harmonics.iter_mut().zip(&unseen.highest) {
        let bound = line(own, *highest).rms(hum.confidence);
        if bound.high > own.rms.high {
            own.rms.high = bound.high;
            own.rms.standard_uncertainty =
                own.rms.standard_uncertainty.max(bound.standard_uncertainty);
        }
    }
}

/// Height of a Hann-weighted line's skirt so many cells of 1/T away (twice the asymptote is granted), at most its own.
fn hann_skirt(cells: f64) -> f64 {
    if cells < 1.5 {
        return 1.0;
    }
    (2.0 / (std::f64::consts::PI * cells * (cells * cells - 1.0))).min(1.0)
}
