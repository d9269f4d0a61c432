//! Which captures can speak of which figure.

use crate::analysis::Measurement;
use crate::capture::Coupling;
use crate::comparison::result::LeftOut;
use crate::quantity::Quantity;
use crate::{Condition, WarningCode};

/// Captures of one condition that speak of the offset, and of everything else.
#[derive(Debug, Clone, Default)]
pub(in crate::comparison) struct Selection<'a> {
    pub offset: Vec<&'a Measurement>,
    pub alternating: Vec<&'a Measurement>,
}

/// Quantities that are not told for each harmonic: what holds for the hum holds for its harmonics.
pub(in crate::comparison) const ALL: [Quantity; 6] = [
    Quantity::DcOffset,
    Quantity::HumRms,
    Quantity::NoiseRms,
    Quantity::AcRms,
    Quantity::PeakToPeak,
    Quantity::Line,
];
const OFFSET: &[Quantity] = ALL.split_at(1).0;
const ALTERNATING: &[Quantity] = ALL.split_at(1).1;

/// Peak to peak over the largest sample at which a channel counts as constant: rounding of the samples'
/// own numbers (2⁻⁴⁰), below any converter's step.
const CONSTANT: f64 = 1e-12;

impl<'a> Selection<'a> {
    /// A constant channel speaks of nothing, and a capture given twice counts once. The offset comes from
    /// DC-coupled captures only. Everything comes from captures that did not clip, with a step below the
    /// noise, on the finest range; what fails is taken only where nothing better is at hand.
    pub(in crate::comparison) fn of(
        condition: Condition,
        captures: &[&'a Measurement],
        left_out: &mut Vec<LeftOut>,
    ) -> Self {
        let mut note = |m: &Measurement, quantities: &[Quantity], why: &str| {
            let capture = (m.file.as_str(), m.channel.as_str());
            left_out.extend(LeftOut::of(capture, condition, quantities, why));
        };
        let mut speaking: Vec<&Measurement> = Vec::new();
        for &m in captures {
            if is_constant(m) {
                note(
                    m,
                    &ALL,
                    "every sample is the same: a dead or disconnected channel tells nothing",
                );
            } else if !has_powers(m) {
                let largest = m.waveform.max.abs().max(m.waveform.min.abs());
                let why = format!(
                    "values up to {largest:e} {}: their powers leave the range of numbers; state a scale that brings \
                     them to sensible units",
                    m.unit
                );
                note(m, &ALL, &why);
            } else if let Some(twin) = speaking
                .iter()
                .find(|other| fingerprint(other) == fingerprint(m))
            {
                let why = format!("the same samples as {}: it counts once", twin.file);
                note(m, &ALL, &why);
            } else {
                speaking.push(m);
            }
        }
        let mut offset: Vec<&Measurement> = Vec::new();
        for &m in &speaking {
            if is_ac_coupled(m) {
                note(m, OFFSET, "AC coupled: the offset is not in the capture");
            } else {
                offset.push(m);
            }
        }
        let unclipped = |m: &Measurement| m.quality.clipped_samples == 0;
        let fine = |m: &Measurement| !warns(m, WarningCode::CoarseQuantization);
        const CLIPPED: &str = "clipped; another capture did not";
        const COARSE: &str = "its step hides the noise; another capture shows it";
        let offset = prefer(offset, unclipped, |m| note(m, OFFSET, CLIPPED));
        let offset = finest(offset, OFFSET, &mut note);
        let alternating = prefer(speaking, unclipped, |m| note(m, ALTERNATING, CLIPPED));
        let alternating = prefer(alternating, fine, |m| note(m, ALTERNATING, COARSE));
        let alternating = finest(alternating, ALTERNATING, &mut note);
        Self {
            offset,
            alternating,
        }
    }
}

/// Whether a channel holds one value throughout.
pub(in crate::comparison) fn is_constant(m: &Measurement) -> bool {
    let largest = m.waveform.max.abs().max(m.waveform.min.abs());
    m.waveform.peak_to_peak <= CONSTANT * largest
}

/// What two captures of the same samples have alike to the last bit: figures of the waveform, the offset,
/// the hum and the noise, which depend on every sample and its place.
pub(in crate::comparison) fn fingerprint(m: &Measurement) -> [u64; 9] {
    [
        m.waveform.rms,
        m.waveform.ac_rms,
        m.waveform.min,
        m.waveform.max,
        m.dc_offset.value,
        m.noise.rms.value,
        m.mains.hum_rms.map_or(0.0, |rms| rms.value),
        m.samples as f64,
        m.start_s.unwrap_or(0.0),
    ]
    .map(f64::to_bits)
}

/// Whether a capture's figures have squares, and these have squares, within the range of numbers.
fn has_powers(m: &Measurement) -> bool {
    const SIZES: std::ops::RangeInclusive<f64> = 1e-60..=1e60;
    let largest = m.waveform.max.abs().max(m.waveform.min.abs());
    let span = m.waveform.peak_to_peak;
    largest <= *SIZES.end() && (span == 0.0 || SIZES.contains(&span))
}

pub(in crate::comparison) fn is_ac_coupled(m: &Measurement) -> bool {
    m.acquisition.coupling == Some(Coupling::Ac) || warns(m, WarningCode::AcCoupled)
}

pub(in crate::comparison) fn warns(m: &Measurement, code: WarningCode) -> bool {
    m.quality.warnings.iter().any(|w| w.code == code)
}

/// Keeps those that are good, if any is; tells of the others.
fn prefer(
    captures: Vec<&Measurement>,
    good: impl Fn(&Measurement) -> bool,
    mut tell: impl FnMut(&Measurement),
) -> Vec<&Measurement> {
    if !captures.iter().any(|m| good(m)) {
        return captures;
    }
    let (kept, dropped): (Vec<_>, Vec<_>) = captures.into_iter().partition(|m| good(m));
    for m in dropped {
        tell(m);
    }
    kept
}

/// Those on the finest range, where every capture's range is known.
fn finest<'a>(
    captures: Vec<&'a Measurement>,
    quantities: &[Quantity],
    note: &mut impl FnMut(&Measurement, &[Quantity], &str),
) -> Vec<&'a Measurement> {
    let ranges: Option<Vec<f64>> = captures
        .iter()
        .map(|m| m.acquisition.full_scale_v)
        .collect();
    let Some(smallest) = ranges.and_then(|r| r.into_iter().min_by(f64::total_cmp)) else {
        return captures;
    };
    prefer(
        captures,
        |m| {
            m.acquisition
                .full_scale_v
                .is_some_and(|range| range <= 1.01 * smallest)
        },
        |m| note(m, quantities, "a finer range was at hand and did not clip"),
    )
}
