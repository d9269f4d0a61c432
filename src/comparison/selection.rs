//! Which captures can speak of which figure.

use super::result::LeftOut;
use crate::analysis::Measurement;
use crate::capture::Coupling;
use crate::{Condition, WarningCode};

/// Captures of one condition that speak of the offset, and of everything else.
#[derive(Debug, Clone, Default)]
pub(super) struct Selection<'a> {
    pub offset: Vec<&'a Measurement>,
    pub alternating: Vec<&'a Measurement>,
}

const OFFSET: &str = "dc_offset";
const ALTERNATING: &str = "hum_rms, harmonics, noise_rms, ac_rms, peak_to_peak";

impl<'a> Selection<'a> {
    /// The offset comes from DC-coupled captures only. Everything comes from captures that did not
    /// clip, with a step below the noise, on the finest range; what fails is taken only where nothing
    /// better is at hand.
    pub(super) fn of(
        condition: Condition,
        captures: &[&'a Measurement],
        left_out: &mut Vec<LeftOut>,
    ) -> Self {
        let mut note = |m: &Measurement, figures: &str, reason: &str| {
            left_out.push(LeftOut {
                file: m.file.clone(),
                channel: m.channel.clone(),
                condition,
                figures: figures.into(),
                reason: reason.into(),
            });
        };
        let mut offset: Vec<&Measurement> = Vec::new();
        for &m in captures {
            if is_ac_coupled(m) {
                note(m, OFFSET, "AC coupled: the offset is not in the capture");
            } else {
                offset.push(m);
            }
        }
        let offset = finest(offset, OFFSET, &mut note);
        let alternating = prefer(
            captures.to_vec(),
            |m| m.quality.clipped_samples == 0,
            |m| note(m, ALTERNATING, "clipped; another capture did not"),
        );
        let alternating = prefer(
            alternating,
            |m| !warns(m, WarningCode::CoarseQuantization),
            |m| {
                note(
                    m,
                    ALTERNATING,
                    "its step hides the noise; another capture shows it",
                );
            },
        );
        let alternating = finest(alternating, ALTERNATING, &mut note);
        Self {
            offset,
            alternating,
        }
    }
}

pub(super) fn is_ac_coupled(m: &Measurement) -> bool {
    m.acquisition.coupling == Some(Coupling::Ac) || warns(m, WarningCode::AcCoupled)
}

pub(super) fn warns(m: &Measurement, code: WarningCode) -> bool {
    m.quality.warnings.iter().any(|w| w.code == code)
}

/// Keeps those that are good, if any is; tells of the others.
fn prefer<'a>(
    captures: Vec<&'a Measurement>,
    good: impl Fn(&Measurement) -> bool,
    mut tell: impl FnMut(&Measurement),
) -> Vec<&'a Measurement> {
    if !captures.iter().any(|m| good(m)) {
        return captures;
    }
    let (kept, dropped): (Vec<_>, Vec<_>) = captures.into_iter().partition(|m| good(m));
    for m in dropped {
        tell(m);
    }
    kept
}

/// Those on the finest range that did not clip, where every capture's range is known.
fn finest<'a>(
    captures: Vec<&'a Measurement>,
    figures: &str,
    note: &mut impl FnMut(&Measurement, &str, &str),
) -> Vec<&'a Measurement> {
    let captures = prefer(
        captures,
        |m| m.quality.clipped_samples == 0,
        |m| {
            if figures == OFFSET {
                note(m, figures, "clipped; another capture did not");
            }
        },
    );
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
        |m| note(m, figures, "a finer range was at hand and did not clip"),
    )
}
