//! An order that outweighs all others.

use crate::analysis::stream::stream_fit::RecordFit;
use crate::hum::{ForeignLine, OUTWEIGHS, Presence};

/// RMS of an order over the root-sum of all others beyond which it is hum only as the ripple of a rectifier of one, three or six
/// phases (common practice, no source).
const MOST_RATIO: f64 = 10.0;
const RIPPLES: [usize; 3] = [2, 6, 12];

/// A series in which one order beyond the first outweighs all others.
pub(super) struct Outweighing {
    /// The series with that order's line for one that may be another's.
    pub(super) presence: Presence,
    /// Whether it is stronger than hum makes it.
    pub(super) hardly_hum: bool,
}

/// `None` where no order outweighs, or it is told already.
pub(super) fn outweighing(record: &RecordFit) -> Option<Outweighing> {
    let Presence::Present(seen) = &record.presence else {
        return None;
    };
    let harmonics = record.combined.harmonics.iter();
    let squares: Vec<f64> = harmonics.map(|own| own.amplitude.norm_sqr()).collect();
    let (i, largest) = squares
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    let ratio = (largest / (squares.iter().sum::<f64>() - largest)).sqrt();
    let order = i + 1;
    if order == 1 || !(ratio > OUTWEIGHS) || seen.foreign.iter().any(|f| f.order == order) {
        return None;
    }
    let power = record.combined.harmonics[i].power;
    let mut doubted = seen.clone();
    let hz = order as f64 * record.combined.frequency_hz;
    let line = ForeignLine::of_order(order, hz, &power, false);
    doubted.foreign.push(line);
    Some(Outweighing {
        presence: Presence::Present(doubted),
        hardly_hum: ratio > MOST_RATIO && !RIPPLES.contains(&order),
    })
}
