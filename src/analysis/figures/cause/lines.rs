//! Sources that lines beside the mains make possible.

use crate::analysis::measurement::{Evidence, EvidenceKind, Measurement, Tone};
use crate::stats::Estimate;

fn half(e: &Estimate) -> f64 {
    0.5 * (e.high - e.low)
}

/// Lines that are no order of the mains: orders stand at the distance of sidebands, and are multiples, by themselves.
fn lines(measurement: &Measurement) -> Vec<&Tone> {
    let mains = &measurement.mains;
    let fundamental = mains.frequency_hz.filter(|_| mains.detected);
    let resolution = 1.0 / measurement.duration_s;
    let is_order = |t: &&Tone| {
        let relation = t.relation.as_deref().unwrap_or_default();
        let near = fundamental.is_some_and(|f| {
            let order = (t.frequency_hz.value / f.value).round();
            let reach = 2.0 * half(&t.frequency_hz).hypot(order * half(&f));
            (t.frequency_hz.value - order * f.value).abs() < reach.max(resolution)
        });
        near || relation.starts_with("order")
    };
    let tones = measurement.tones.iter();
    tones.filter(|t| !is_order(t)).collect()
}

/// A line with a weaker one on either side at twice the mains frequency: the ripple of a rectified mains on what a
/// converter switches.
pub(super) fn switching_supply(measurement: &Measurement) -> Option<Evidence> {
    /// Converters switch above hearing; lower lines are folded or between two of them (common practice, no source).
    const FROM_HZ: f64 = 1000.0;
    let mains = &measurement.mains;
    let twice = 2.0 * mains.frequency_hz.map_or(mains.nominal_hz, |f| f.value);
    let lines = lines(measurement);
    let resolution = 1.0 / measurement.duration_s;
    let beside = |carrier: &Tone, distance: f64| {
        lines.iter().any(|t| {
            let place = carrier.frequency_hz.value + distance;
            let reach = resolution.max(2.0 * half(&t.frequency_hz));
            (t.frequency_hz.value - place).abs() < reach && t.rms.value < carrier.rms.value
        })
    };
    let has_sidebands = |carrier: &&&Tone| beside(carrier, twice) && beside(carrier, -twice);
    let mut carriers = lines
        .iter()
        .filter(|t| t.frequency_hz.value > FROM_HZ)
        .filter(has_sidebands);
    let strongest = carriers.next()?;
    let count = 1 + carriers.count();
    let hz = strongest.frequency_hz.value;
    Some(
        Evidence::new(
            EvidenceKind::SwitchingSupply,
            format!(
                "possibly a switching supply: the line at {hz:.0} Hz has one on either side at twice the mains frequency{}",
                match count {
                    1 => String::new(),
                    _ => format!(", as have {} others", count - 1),
                }
            ),
            [
                ("strongest_tone_hz", hz),
                ("lines_with_sidebands", count as f64),
                ("sideband_distance_hz", twice),
            ],
            "try another supply or a battery for the instrument's computer or for the source; never defeat a protective earth",
        )
        .or([
            "a signal modulated at twice the mains frequency",
            "a lamp's or a charger's converter nearby",
        ]),
    )
}

/// A line of a frequency that is no mains, and two or more of its multiples among the other lines, at least half of
/// them.
pub(super) fn motor(measurement: &Measurement) -> Option<Evidence> {
    /// Shafts, blades and slots (common practice, no source).
    const SHAFT_HZ: std::ops::Range<f64> = 5.0..1000.0;
    const FEWEST_MULTIPLES: usize = 2;
    /// Multiples met within this part of the base on either side: a line anywhere is one by chance in a tenth.
    const REACH: f64 = 0.05;
    let lines = lines(measurement);
    let multiples = |base: &Tone| {
        let hz = base.frequency_hz.value;
        let above = lines
            .iter()
            .filter(|t| t.frequency_hz.value > 1.5 * hz)
            .collect::<Vec<_>>();
        let is_multiple = |t: &&&&Tone| {
            let ratio = (t.frequency_hz.value / hz).round();
            let reach = half(&t.frequency_hz).hypot(ratio * half(&base.frequency_hz));
            let distance = (t.frequency_hz.value - ratio * hz).abs();
            2.0 * reach < REACH * hz && distance <= (2.0 * reach).max(1e-4 * t.frequency_hz.value)
        };
        let met = above.iter().filter(is_multiple).count();
        (met >= FEWEST_MULTIPLES && 2 * met >= above.len()).then_some((hz, met))
    };
    let bases = lines
        .iter()
        .filter(|t| SHAFT_HZ.contains(&t.frequency_hz.value));
    let (hz, met) = bases
        .filter_map(|t| multiples(t))
        .max_by(|a, b| a.1.cmp(&b.1).then(b.0.total_cmp(&a.0)))?;
    Some(
        Evidence::new(
            EvidenceKind::Motor,
            format!(
                "possibly a motor or a fan: a line at {hz:.2} Hz, which is no mains, has {met} multiples beside it"
            ),
            [("base_hz", hz), ("multiples", met as f64)],
            "switch motors and fans nearby off one by one, each at its own switch, and capture again",
        )
        .or([
            "a signal of that frequency",
            "a display, a clock or a vibration",
        ]),
    )
}
