//! Evidence for the cause of interference: numbers and the next safe step, not a verdict.

use crate::analysis::measurement::{Evidence, EvidenceKind, Mains, Measurement, Tone};
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

/// What the figures point to. `cycle` is the mean mains cycle of the resolved harmonics.
pub(crate) fn evidence(measurement: &Measurement, cycle: Option<&[f64]>) -> Vec<Evidence> {
    let mut found = Vec::new();
    if measurement.mains.detected {
        found.extend(slope(measurement));
        found.extend(rectifier(measurement));
        if let Some(cycle) = cycle {
            found.extend(pulses(cycle));
        }
        found.extend(ground_offset(measurement));
    }
    found.extend(switching(measurement));
    found
}

/// Slope of the resolved harmonics' level against order, dB a decade.
fn slope(measurement: &Measurement) -> Option<Evidence> {
    let points: Vec<(f64, f64)> = measurement
        .mains
        .harmonics
        .iter()
        .filter(|h| h.detected)
        .map(|h| ((h.order as f64).log10(), 20.0 * h.rms.value.log10()))
        .collect();
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let (mx, my) = (
        points.iter().map(|p| p.0).sum::<f64>() / n,
        points.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let numbers = [("slope_db_per_decade", slope), ("harmonics_resolved", n)];
    if slope < -6.0 {
        Some(Evidence::new(
            EvidenceKind::Conducted,
            format!(
                "{n:.0} resolved harmonics fall with order by {:.0} dB a decade: carried by wire",
                -slope
            ),
            numbers,
            "break or shorten the common ground path: an isolator rated for the voltage at hand, or a differential measurement",
        ))
    } else if slope > 3.0 {
        Some(Evidence::new(
            EvidenceKind::Induced,
            format!(
                "{n:.0} resolved harmonics rise with order by {slope:.0} dB a decade: induced by a changing field"
            ),
            numbers,
            "make the loop's area smaller: run the ground lead along the signal lead, move both away from transformers",
        ))
    } else {
        None
    }
}

fn rectifier(measurement: &Measurement) -> Option<Evidence> {
    let power = |even: bool| -> f64 {
        measurement
            .mains
            .harmonics
            .iter()
            .filter(|h| h.detected && (h.order % 2 == 0) == even)
            .map(|h| h.rms.value * h.rms.value)
            .sum()
    };
    let (even, odd) = (power(true), power(false));
    let share = even / (even + odd);
    (share > 0.5).then(|| {
        Evidence::new(
            EvidenceKind::Rectifier,
            format!("{:.0} % of the hum's power is in even orders: a rectifier's ripple at twice the mains", 100.0 * share),
            [("even_share", share)],
            "look at the source's own supply: filter capacitor, regulator, its ground return",
        )
    })
}

fn pulses(cycle: &[f64]) -> Option<Evidence> {
    let rms = (cycle.iter().map(|x| x * x).sum::<f64>() / cycle.len() as f64).sqrt();
    let peak = cycle.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    let crest = peak / rms.max(f64::MIN_POSITIVE);
    let narrow = cycle.iter().filter(|x| x.abs() > 0.5 * peak).count() as f64 / cycle.len() as f64;
    (crest > 3.0 && narrow < 0.12).then(|| {
        Evidence::new(
            EvidenceKind::PhaseCut,
            format!("the mean cycle holds pulses {:.1} times its RMS, over {:.0} % of the cycle: phase-cut or rectifier loads", crest, 100.0 * narrow),
            [("cycle_crest_factor", crest), ("cycle_share_above_half_peak", narrow)],
            "switch dimmers, chargers and motor drives nearby off one by one and capture again",
        )
    })
}

fn ground_offset(measurement: &Measurement) -> Option<Evidence> {
    let (offset, hum) = (measurement.dc_offset, measurement.mains.hum_rms?);
    (offset.low > 0.0 || offset.high < 0.0).then_some(())?;
    (offset.value.abs() > 3.0 * hum.value).then(|| {
        Evidence::new(
            EvidenceKind::GroundOffset,
            format!("an offset {:.1} times the hum stands beside it: a difference of the two grounds' potentials or the instrument's own zero", offset.value.abs() / hum.value),
            [("offset_over_hum", offset.value.abs() / hum.value)],
            "compare with the shorted probe on the same range; where the difference stays, the grounds differ",
        )
    })
}

fn switching(measurement: &Measurement) -> Option<Evidence> {
    let sidebands = measurement
        .tones
        .iter()
        .filter(|t| {
            t.relation.as_deref().is_some_and(|r| {
                r.starts_with("sideband") && r.ends_with("twice the mains frequency")
            })
        })
        .count();
    let carrier = measurement.tones.iter().find(|t| {
        let of_mains = t
            .relation
            .as_deref()
            .is_some_and(|r| r.starts_with("order"));
        t.frequency_hz.value > 1000.0 && !of_mains
    })?;
    (sidebands > 0).then(|| {
        Evidence::new(
            EvidenceKind::SwitchingSupply,
            format!("{sidebands} sidebands at twice the mains frequency stand beside tones up to {:.0} Hz: a switching supply's common-mode current", carrier.frequency_hz.value),
            [("sidebands", sidebands as f64), ("strongest_tone_hz", carrier.frequency_hz.value)],
            "try another supply or a battery for the instrument's computer; never defeat a protective earth",
        )
    })
}
