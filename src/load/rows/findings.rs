//! What is to be told of a record once it has been read to its end.

use crate::capture::Channel;
use crate::load::rows::row::Missing;
use crate::load::shown::{short, shown};
use crate::load::time::tracker::Tracker;
use crate::{Error, Warning, WarningCode};

/// Frames off or missing from the even grid of the time column.
pub(crate) fn of_times(tracker: &Tracker, frames: u64) -> Vec<Warning> {
    let uneven = tracker.told_unevenness().map(|(share, line)| {
        WarningCode::UnevenSampling.warning(format!(
                "stamps lie up to {} of a sample interval off the even grid (most in line {line}); high frequencies are blurred: use a hardware-timed capture",
                short(share)
            ),
        )
    });
    let gaps = tracker.gaps().map(|(missing, gaps, line)| {
        WarningCode::MissingSamples.warning(format!(
                "{missing} of {frames} frames are missing in {gaps} gap{} of the time column (first before line {line})",
                if gaps == 1 { "" } else { "s" }
            ),
        )
    });
    uneven.into_iter().chain(gaps).collect()
}

/// Samples missing from the channels.
pub(crate) fn of_samples(channels: &[Channel], missing: &[Missing], frames: u64) -> Vec<Warning> {
    channels
        .iter()
        .zip(missing)
        .filter(|(_, missing)| missing.count > 0)
        .map(|(channel, missing)| {
            WarningCode::MissingSamples.warning(format!(
                "{} of {frames} samples of channel '{}' are missing (first in line {})",
                missing.count,
                shown(&channel.name),
                missing.first_line
            ))
        })
        .collect()
}

/// A last line that was cut.
pub(crate) fn of_cut(line: u64) -> Warning {
    WarningCode::MissingSamples.warning(format!(
        "the file ends in the middle of line {line}; that row is left out: export the capture again"
    ))
}

/// Closing lines that are no rows, where they are more than a table's closing words.
pub(crate) fn of_closing_lines(first: &Error, lines: u64, frames: u64) -> Option<Warning> {
    const WORDS_MOST: u64 = 16;
    (lines > WORDS_MOST.max(frames / 10)).then(|| {
        WarningCode::MissingSamples.warning(format!(
                "{lines} lines from line {} on are no rows and were left out ({}); the {frames} frames above are used",
                first.line().unwrap_or(0),
                first.message()
            ),
        )
    })
}

/// Another number of frames than the preamble promises.
pub(crate) fn of_length(stated: u64, frames: u64) -> Option<Warning> {
    let (code, what) = match stated.cmp(&frames) {
        std::cmp::Ordering::Greater => (WarningCode::MissingSamples, ": export the capture again"),
        std::cmp::Ordering::Less => (WarningCode::RangeMismatch, "; all of them are used"),
        std::cmp::Ordering::Equal => return None,
    };
    Some(code.warning(format!(
        "the preamble promises {stated} points, the file holds {frames}{what}"
    )))
}
