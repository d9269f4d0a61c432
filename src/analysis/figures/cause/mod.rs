//! What one record alone shows of a cause: sources that are possible, never a path. Nearly every source falls with
//! order, so a falling spectrum tells nothing; which way the interference comes in is told by conditions held against
//! each other (`comparison::cause`).

mod lines;
mod orders;
mod relation;

pub(super) use relation::relate;

use crate::WarningCode;
use crate::analysis::measurement::{Evidence, Measurement};

/// Sources that a record makes possible.
pub(super) fn evidence(measurement: &Measurement) -> Vec<Evidence> {
    let mut found = Vec::new();
    if measurement.mains.detected {
        let rectifier = orders::rectifier(measurement);
        // The ripple has edges of its own, twice a cycle.
        let steep = match rectifier {
            None => orders::steep_edges(measurement),
            Some(_) => None,
        };
        // Pulses are as strong in every order, which is no rise.
        if steep.is_none() {
            found.extend(orders::rise(measurement));
        }
        found.extend(rectifier);
        found.extend(steep);
    }
    let switching = lines::switching_supply(measurement);
    // A wanted signal has lines and multiples of its own.
    let warnings = &measurement.quality.warnings;
    let alone = warnings
        .iter()
        .all(|w| w.code != WarningCode::NotInterferenceAlone);
    if switching.is_none() && alone {
        found.extend(lines::motor(measurement));
    }
    found.extend(switching);
    found
}
