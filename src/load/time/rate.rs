//! The sample rate from what the user, the time column and the preamble say.

use crate::capture::{RateOrigin, TimeBase};
use crate::load::preamble::stated::CONTRADICTION;
use crate::load::shown::short;
use crate::load::time::grid::{Grid, ROUNDED_TOLD, rate_of};
use crate::{Error, ErrorKind, Warning, WarningCode};

/// What is said of the rate, by whom.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct StatedRates {
    /// The user's option, Hz.
    pub user_hz: Option<f64>,
    /// The preamble or header row, Hz.
    pub stated_hz: Option<f64>,
    /// The line that says so.
    pub stated_line: Option<u64>,
    /// Time of the first frame, s.
    pub start_s: f64,
}

/// The time base, and what contradicts it.
///
/// The user's rate stands above the time column, the time column above the preamble; but a preamble
/// that agrees with a column within the column's uncertainty knows the rate better.
pub(crate) fn decide(
    statements: StatedRates,
    grid: Option<Grid>,
) -> Result<(TimeBase, Vec<Warning>), Error> {
    let mut warnings = Vec::new();
    let column = grid.map(|grid| (grid, rate_of(grid)));
    let based = |rate: f64, uncertainty: f64, origin: RateOrigin| TimeBase {
        sample_rate_hz: rate,
        sample_rate_uncertainty_hz: uncertainty,
        start_s: statements.start_s,
        origin,
    };
    let mut contradicts = |used: (&str, f64), other: (&str, f64)| {
        if (used.1 / other.1 - 1.0).abs() > CONTRADICTION {
            warnings.push(WarningCode::RateMismatch.warning(format!(
                    "{} says {} Hz, {} {} Hz; {} is used: check which is right and give it with --sample-rate",
                    used.0, short(used.1), other.0, short(other.1), used.0
                ),
            ));
        }
    };
    let time_base = match (statements.user_hz, column, statements.stated_hz) {
        (Some(user), column, stated) => {
            if let Some((_, (rate, _))) = column {
                contradicts(("the option", user), ("the time column", rate));
            } else if let Some(stated) = stated {
                contradicts(("the option", user), ("the preamble", stated));
            }
            based(user, 0.0, RateOrigin::User)
        }
        (None, Some((grid, (rate, uncertainty))), stated) => {
            let base = match stated {
                Some(stated) if (stated - rate).abs() <= (3.0 * uncertainty).max(1e-9 * stated) => {
                    based(stated, 0.0, RateOrigin::Header)
                }
                Some(stated) => {
                    contradicts(("the time column", rate), ("the preamble", stated));
                    based(rate, uncertainty, RateOrigin::TimeColumn)
                }
                None => based(rate, uncertainty, RateOrigin::TimeColumn),
            };
            if grid.spread_s > ROUNDED_TOLD * grid.step_s {
                warnings.push(WarningCode::RoundedTime.warning(format!(
                        "the time column is written in steps of {} s, the samples are {} s apart; the rate {} Hz (standard uncertainty {} Hz) is that of the whole column: write the time with more digits",
                        short(grid.resolution_s), short(grid.step_s), short(base.sample_rate_hz), short(uncertainty)
                    ),
                ));
            }
            base
        }
        (None, None, Some(stated)) => based(stated, 0.0, RateOrigin::Header),
        (None, None, None) => {
            return Err(ErrorKind::NoSampleRate.error(
                "nothing in the file tells the sample rate: there is no time column and no rate \
                 or interval in front of the data; give it with --sample-rate",
            ));
        }
    };
    time_base
        .check()
        .map_err(|error| match (time_base.origin, statements.stated_line) {
            (RateOrigin::Header, Some(line)) => error.at_line(line),
            _ => error,
        })?;
    Ok((time_base, warnings))
}
