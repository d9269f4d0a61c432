//! The fit of a stream, orders that may be another's lines looked at once more.

mod outweighing;
mod strangers;

use super::least_squares;
use super::segmented::Segmented;
use super::stream_fit::{Known, StreamFit};
use crate::hum::{PROVED, Presence};
use outweighing::{Outweighing, outweighing};
use strangers::without_strangers;

pub(super) use strangers::order_strays;

/// Most orders of a short record that are told for strangers, each by a fit of its own.
const MOST_STRANGERS: usize = 8;

/// Fits a stream; `known`: what an earlier stretch told, `seen`: what an earlier look at the same record said.
///
/// An order that outweighs all others tells the frequency alone, and may be a test tone's: where the others refute it, or it is one
/// that no rectifier makes so strong, the fit without it stands and it is told.
pub(super) fn fit(
    segmented: &Segmented<'_>,
    known: Option<&Known>,
    seen: Option<&Presence>,
) -> StreamFit {
    let mut result = least_squares::fit(segmented, known, seen);
    if known.is_none() {
        for _ in 0..MOST_STRANGERS {
            let Some(presence) = without_strangers(&result, segmented.rate_hz()) else {
                break;
            };
            result = least_squares::fit(segmented, None, Some(&presence));
        }
    }
    let doubted = match known {
        Some(_) => None,
        None => outweighing(&result.record),
    };
    let Some(Outweighing {
        presence,
        hardly_hum,
    }) = doubted
    else {
        return result;
    };
    let without = least_squares::fit(segmented, None, Some(&presence));
    let (own, other) = (&result.record.combined, &without.record.combined);
    let apart = (own.frequency_hz - other.frequency_hz).powi(2);
    let refuted = apart > PROVED * PROVED * (own.frequency_variance + other.frequency_variance);
    if refuted || hardly_hum {
        without
    } else {
        result
    }
}
