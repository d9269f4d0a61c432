//! Orders of a record of few cycles that may be another's lines.
//!
//! A line that stands by chance at the place of an order is fitted as one, and bends the frequency to itself. In a longer record its own
//! place tells it from the series; in few cycles what tells is that the orders contradict each other, or that one stands far above
//! those about it.

use crate::analysis::combination::{Agreement, Stray, parted, series_detected, stranger, strays};
use crate::analysis::options::GRID_RANGE;
use crate::analysis::stream::stream_fit::StreamFit;
use crate::hum::{ForeignLine, Presence, Present};
use crate::spectrum::{Weighting, hann};
use crate::stats::LinePower;

/// Cycles from which orders of a single segment tell their own frequencies.
const ORDERS_APART: f64 = 2.0;
/// Probability of a series that is none, beside what was told for another's.
const FALSE_ALARM: f64 = 0.01;
/// Distance from an order's place, cells of 1/T, from which a line can be told to be another's.
const APART_CELLS: f64 = 0.1;
/// How many times the RMS of each of the two orders on either side an order has whose place is not the series', and one that may be a
/// line of its own whatever its place; the lowest such order: lower ones are as strong in what rectifiers draw.
const RISES: f64 = 2.0;
const LONE: f64 = 3.0;
const LONE_FROM: usize = 4;
const NEIGHBOURS: usize = 2;

/// What the orders of a single segment say of their own frequencies; empty where they are not apart, or none is there.
pub(crate) fn order_strays(fit: &StreamFit) -> Vec<Stray> {
    let record = &fit.record;
    let ([segment], false) = (
        record.segments.as_slice(),
        matches!(record.presence, Presence::Absent { .. }),
    ) else {
        return Vec::new();
    };
    let length = fit.residual.len();
    if segment.fit.fundamental * (length as f64) < ORDERS_APART {
        return Vec::new();
    }
    let settings = &record.settings;
    let tells = |order: usize| !settings.muted.contains(&order) && !settings.aside.contains(&order);
    let noise = |order: usize| {
        let own = settings.noise.get(order).copied();
        own.filter(|own| *own > 0.0 && tells(order))
    };
    let weights: Vec<f64> = match settings.weighting {
        Weighting::Rectangular => vec![1.0; length],
        Weighting::Hann => hann(length).collect(),
    };
    strays(&segment.fit, &fit.residual, &weights, noise)
}

/// Orders for another's lines.
struct Strangers {
    orders: Vec<Stray>,
    /// What the others agree on, where that told them.
    rest: Option<Agreement>,
    proved: bool,
}

impl Strangers {
    /// One whose frequency the others contradict, one far above those about it, or those above which contradict those below.
    fn among(strays: &[Stray], fit: &StreamFit) -> Option<Self> {
        let record = &fit.record;
        let cell = 1.0 / fit.residual.len() as f64;
        let rms = |order: usize| -> f64 {
            let own = order.checked_sub(1);
            let own = own.and_then(|i| record.combined.harmonics.get(i));
            own.map_or(0.0, |own| own.amplitude.norm())
        };
        let named = |orders: &[usize]| -> Vec<Stray> {
            let own = strays.iter().filter(|own| orders.contains(&own.order));
            own.copied().collect()
        };
        let beside = |(own, _): &(Stray, Agreement)| {
            own.distance.abs() > APART_CELLS * cell && rises(own.order, RISES, rms)
        };
        if let Some((own, rest)) = stranger(strays).filter(beside) {
            return Some(Self {
                orders: vec![own],
                rest: Some(rest),
                proved: true,
            });
        }
        let (orders, rest) = match lone(fit, rms) {
            Some(order) => (vec![order], None),
            None => {
                let (orders, low) = parted(strays)?;
                if !orders.iter().any(|order| rises(*order, RISES, rms)) {
                    return None;
                }
                (orders, Some(low))
            }
        };
        Some(Self {
            orders: named(&orders),
            rest,
            proved: false,
        })
    }
}

/// The series with orders that may be another's told; `None` where nothing speaks against them, or they are no series otherwise.
pub(super) fn without_strangers(fit: &StreamFit, rate_hz: f64) -> Option<Presence> {
    let record = &fit.record;
    // A longer record tells lines by themselves.
    if !record.presence.is_of_few_cycles() {
        return None;
    }
    let strays = order_strays(fit);
    if strays.is_empty() {
        return None;
    }
    let Strangers {
        orders,
        rest,
        proved,
    } = Strangers::among(&strays, fit)?;
    let is_another = |order: usize| orders.iter().any(|own| own.order == order);
    let powers = record.combined.harmonics.iter().enumerate();
    let powers: Vec<LinePower> = powers
        .map(|(i, own)| match (is_another(i + 1), own.power) {
            (true, p) => LinePower::new(p.noise_v2, p.noise_v2, p.components, p.noise_dof),
            (false, power) => power,
        })
        .collect();
    let duration_s = fit.residual.len() as f64 / rate_hz;
    if !series_detected(&powers, duration_s, record.nominal_hz, FALSE_ALARM) {
        return None;
    }
    let mut seen = match &record.presence {
        Presence::Present(seen) => seen.clone(),
        _ => Present {
            nominal_hz: record.nominal_hz,
            duration_s,
            plain: true,
            ..Present::default()
        },
    };
    let combined = &record.combined;
    let others = rest.map_or((0.0, combined.frequency_variance), |rest| {
        (
            rest.fundamental * rate_hz,
            rest.variance * rest.ratio * rate_hz * rate_hz,
        )
    });
    let reach_hz = GRID_RANGE * record.nominal_hz;
    seen.fundamental_hz = (combined.frequency_hz + others.0)
        .clamp(record.nominal_hz - reach_hz, record.nominal_hz + reach_hz);
    seen.uncertainty_hz = others.1.sqrt().min(reach_hz);
    seen.foreign.extend(orders.iter().filter_map(|own| {
        let power = combined.harmonics.get(own.order - 1)?.power;
        let hz = own.order as f64 * combined.frequency_hz + own.distance * rate_hz;
        Some(ForeignLine::of_order(own.order, hz, &power, proved))
    }));
    Some(Presence::Present(seen))
}

/// Whether an order's RMS is so many times that of each of the orders beside it.
fn rises(order: usize, times: f64, rms: impl Fn(usize) -> f64) -> bool {
    let about = order.saturating_sub(NEIGHBOURS)..=order + NEIGHBOURS;
    let about = about.filter(|k| *k != order).map(&rms);
    rms(order) > times * about.fold(0.0, f64::max)
}

/// The strongest of the orders that stand far above those about them, and are not told yet.
fn lone(fit: &StreamFit, rms: impl Fn(usize) -> f64) -> Option<usize> {
    let record = &fit.record;
    let settings = &record.settings;
    let told = |order: &usize| settings.aside.contains(order) || settings.muted.contains(order);
    let stands = |order: &usize| {
        let power = record.combined.harmonics[order - 1].power;
        power.observed_v2 > LONE * LONE * power.noise_v2 && rises(*order, LONE, &rms)
    };
    (LONE_FROM..=record.combined.harmonics.len())
        .filter(|order| !told(order) && stands(order))
        .max_by(|a, b| rms(*a).total_cmp(&rms(*b)))
}
