//! Sources that the orders of the mains make possible.

use crate::WarningCode;
use crate::analysis::measurement::{Evidence, EvidenceKind, Harmonic, Measurement};
use crate::capture::Coupling;
use crate::stats::Estimate;
use std::f64::consts::TAU;

fn detected(measurement: &Measurement) -> impl Iterator<Item = &Harmonic> {
    let harmonics = measurement.mains.harmonics.iter();
    harmonics.filter(|h| h.detected && h.rms.value > 0.0)
}

/// Orders that rise: their level against the logarithm of order by least squares, the slope's interval wholly above
/// half of what a voltage in proportion to the change of a current rises by over that of the current.
pub(super) fn rise(measurement: &Measurement) -> Option<Evidence> {
    /// Half of 20 lg 2, dB per doubling.
    const LEAST_DB: f64 = 3.0;
    const FEWEST: usize = 6;
    let coupled = measurement.acquisition.coupling == Some(Coupling::Ac)
        || measurement
            .quality
            .warnings
            .iter()
            .any(|w| w.code == WarningCode::AcCoupled);
    if coupled {
        // The coupling itself lowers the low orders.
        return None;
    }
    let points: Vec<(f64, f64)> = detected(measurement)
        .map(|h| ((h.order as f64).log2(), 20.0 * h.rms.value.log10()))
        .collect();
    let (first, last) = points.first().zip(points.last())?;
    if points.len() < FEWEST || last.0 - first.0 < 2.0 {
        return None;
    }
    let slope = slope(&points, measurement.confidence);
    (slope.low > LEAST_DB).then(|| {
        Evidence::new(
            EvidenceKind::Induced,
            format!(
                "possibly a changing magnetic field: {} resolved orders rise by {:.1} dB per doubling of order ({:.1} to \
                 {:.1} dB)",
                points.len(),
                slope.value,
                slope.low,
                slope.high
            ),
            [
                ("slope_db_per_doubling", slope.value),
                ("slope_low_db_per_doubling", slope.low),
                ("orders", points.len() as f64),
            ],
            "lay the ground lead along the signal lead and move both away from transformers and mains leads: what follows \
             the leads' position is induced",
        )
        .or(["a capacitance in the way", "a source that rises by itself"])
    })
}

/// Slope of a straight line by least squares, Student distributed with two degrees of freedom less than points.
fn slope(points: &[(f64, f64)], confidence: f64) -> Estimate {
    let n = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let rest = |p: &(f64, f64)| (p.1 - my - slope * (p.0 - mx)).powi(2);
    let variance = points.iter().map(rest).sum::<f64>() / (n - 2.0) / sxx;
    Estimate::student(slope, variance.sqrt(), n - 2.0, confidence)
}

/// Ripple at twice the mains: order 2 and another even one, and even orders of more power than the odd ones, with the
/// intervals' ends against it.
pub(super) fn rectifier(measurement: &Measurement) -> Option<Evidence> {
    let harmonics = || measurement.mains.harmonics.iter();
    let power = |even: bool, end: fn(&Estimate) -> f64| -> f64 {
        harmonics()
            .filter(|h| (h.order % 2 == 0) == even)
            .map(|h| end(&h.rms).powi(2))
            .sum()
    };
    let even = detected(measurement).filter(|h| h.order % 2 == 0);
    let orders: Vec<usize> = even.map(|h| h.order).collect();
    let dominant = power(true, |rms| rms.low) > power(false, |rms| rms.high);
    (orders.first() == Some(&2) && orders.len() >= 2 && dominant).then(|| {
        let (even, odd) = (power(true, |rms| rms.value), power(false, |rms| rms.value));
        let share = even / (even + odd);
        Evidence::new(
            EvidenceKind::Rectifier,
            format!(
                "possibly a rectifier's ripple: {:.0} % of the hum's power is in even orders, {} of them resolved from \
                 order 2 on",
                100.0 * share,
                orders.len()
            ),
            [("even_share", share), ("even_orders", orders.len() as f64)],
            "look at the source's own supply: its filter capacitor, regulator and the way its ground returns; take a capture \
             with the source on a battery, where it has one",
        )
        .or([
            "a transformer magnetised on one side",
            "a signal at twice the mains frequency",
        ])
    })
}

/// Odd orders whose phases line up at one delay, as those of steps or pulses twice a cycle do, alternating in sign.
///
/// Of n phases φ at orders k, R = max over τ of |Σ exp(i(φ + 2πkτ))|/n. Of phases at random n R² is exponentially
/// distributed at each delay (Lord Rayleigh 1880; Mardia & Jupp, Directional Statistics, 2000, from memory), and a
/// half cycle holds as many independent delays as there are odd orders in the span, three times as many where the scan
/// is fine (common practice, no source).
pub(super) fn steep_edges(measurement: &Measurement) -> Option<Evidence> {
    /// Lower orders are those of every distorted load.
    const FROM_ORDER: usize = 5;
    const FALSE_ALARM: f64 = 1e-3;
    const LEAST: f64 = 0.6;
    const SCAN: f64 = 3.0;
    let odd: Vec<(f64, f64)> = detected(measurement)
        .filter(|h| h.order % 2 == 1 && h.order >= FROM_ORDER)
        .filter_map(|h| Some((h.order as f64, h.phase_deg?.value.to_radians())))
        .collect();
    let (first, last) = odd.first().zip(odd.last())?;
    let n = odd.len() as f64;
    let in_step = |delay: f64| {
        let turned = odd.iter().map(|(k, phase)| phase + TAU * k * delay);
        let (cosine, sine) = turned.fold((0.0, 0.0), |(c, s), a| (c + a.cos(), s + a.sin()));
        f64::hypot(cosine, sine) / n
    };
    let steps = (4.0 * last.0).ceil();
    let delays = (0..steps as usize).map(|i| 0.5 * i as f64 / steps);
    let best = delays.map(in_step).fold(0.0, f64::max);
    let span = 0.5 * (last.0 - first.0) + 1.0;
    let chance = SCAN * span * (-n * best * best).exp();
    (best > LEAST && chance < FALSE_ALARM).then(|| {
        Evidence::new(
            EvidenceKind::PhaseCut,
            format!(
                "possibly phase-cut loads: {n:.0} odd orders from {:.0} to {:.0} are in step to {:.0} %, as those of steep \
                 edges or pulses twice a cycle are",
                first.0,
                last.0,
                100.0 * best
            ),
            [
                ("orders_in_step", n),
                ("in_step", best),
                ("chance_of_random_phases", chance),
            ],
            "switch dimmers, chargers and motor drives nearby off one by one, each at its own switch, and capture again",
        )
        .or(["the charging pulses of rectifiers", "motor drives"])
    })
}
