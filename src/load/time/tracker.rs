//! A time column followed row by row against its even grid: unevenness and gaps.

use crate::load::shown::short;
use crate::load::time::grid::{Grid, UNEVEN_LIMIT, uncertainty};
use crate::load::time::row_time::Stamp;
use crate::{Error, ErrorKind};

/// Share of a sample interval from which on uneven stamps are told.
const UNEVEN_TOLD: f64 = 0.05;

/// Follows a time column row by row against the even grid.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tracker {
    grid: Grid,
    /// Predicted residual: `level + slope * (frame - centre)` from what was read so far.
    level: f64,
    tilt: f64,
    /// Rounding that a stamp may have, s: none where the first rows are exactly even.
    slack: f64,
    warn: f64,
    refit_at: u64,
    count: f64,
    sum_i: f64,
    sum_ii: f64,
    sum_r: f64,
    sum_ir: f64,
    missing: u64,
    /// Largest deviation seen, share of a step, and its line.
    worst: (f64, u64),
    first_gap: Option<(u64, u64)>,
    gaps: u64,
    /// Largest residual against the grid of the first rows, and largest extra rounding, s.
    spread: f64,
    rounding: f64,
}

impl Tracker {
    /// Starts at the first frame.
    pub fn new(grid: Grid) -> Self {
        let step = grid.step_s.abs();
        let slack = if grid.spread_s == 0.0 {
            0.0
        } else {
            grid.resolution_s
        };
        Self {
            grid,
            slack,
            warn: UNEVEN_TOLD * step + slack,
            refit_at: 64,
            ..Self::default()
        }
    }

    /// Takes the stamp of `frame`; gives the number of frames missing before it.
    #[inline]
    pub fn accept(&mut self, frame: u64, stamp: Stamp, line: u64) -> Result<u64, Error> {
        let rounding_s = stamp.rounding_s;
        #[expect(clippy::cast_precision_loss)]
        let index = frame as f64;
        let residual = stamp.after_s - index * self.grid.step_s;
        let deviation = (residual - self.level - self.tilt * index).abs();
        if deviation > self.warn + rounding_s || deviation.is_nan() {
            let missing = self.judge(frame, residual, rounding_s, line)?;
            if missing > 0 {
                return Ok(missing);
            }
        }
        self.spread = self.spread.max(residual.abs());
        self.rounding = self.rounding.max(rounding_s);
        self.count += 1.0;
        self.sum_i += index;
        self.sum_ii += index * index;
        self.sum_r += residual;
        self.sum_ir += index * residual;
        if frame >= self.refit_at {
            self.refit();
            self.refit_at = (frame + 64).max(frame + frame / 4);
        }
        Ok(0)
    }

    /// Takes stamps from `frame` on that have no rounding of their own, in seconds after the first, as long
    /// as they keep to the grid; gives how many were taken.
    #[inline]
    pub fn accept_even(&mut self, frame: u64, stamps: impl Iterator<Item = f64>) -> usize {
        let mut taken = 0;
        let mut sums = (self.count, self.sum_i, self.sum_ii, self.sum_r, self.sum_ir);
        let mut spread = self.spread;
        let (mut level, mut tilt) = (self.level, self.tilt);
        for after_s in stamps {
            let frame = frame + taken as u64;
            #[expect(clippy::cast_precision_loss)]
            let index = frame.cast_signed() as f64;
            let residual = after_s - index * self.grid.step_s;
            let deviation = (residual - level - tilt * index).abs();
            if deviation > self.warn || deviation.is_nan() {
                break;
            }
            spread = spread.max(residual.abs());
            sums.0 += 1.0;
            sums.1 += index;
            sums.2 += index * index;
            sums.3 += residual;
            sums.4 += index * residual;
            taken += 1;
            if frame >= self.refit_at {
                (self.count, self.sum_i, self.sum_ii, self.sum_r, self.sum_ir) = sums;
                self.refit();
                (level, tilt) = (self.level, self.tilt);
                self.refit_at = (frame + 64).max(frame + frame / 4);
            }
        }
        (self.count, self.sum_i, self.sum_ii, self.sum_r, self.sum_ir) = sums;
        self.spread = spread;
        taken
    }

    /// A stamp off the grid: a gap of whole steps, told unevenness or an error.
    #[cold]
    fn judge(
        &mut self,
        frame: u64,
        residual: f64,
        rounding_s: f64,
        line: u64,
    ) -> Result<u64, Error> {
        let step = self.grid.step_s;
        let index = frame as f64;
        let ahead = residual - self.level - self.tilt * index;
        // A stamp that falls behind by its last digit is rounded; one that runs ahead on an exactly
        // even column follows a gap.
        let slack = rounding_s
            + if ahead > 0.0 {
                self.slack
            } else {
                self.grid.resolution_s
            };
        if ahead.abs() <= UNEVEN_LIMIT * step + slack {
            let share = (ahead.abs() - slack) / step;
            if share > self.worst.0 {
                self.worst = (share, line);
            }
            return Ok(0);
        }
        let steps = (ahead / step).round();
        let off_grid = (ahead - steps * step).abs();
        let allowed = 16.max(frame / 10);
        let fits = steps >= 1.0
            && off_grid <= 0.25 * step + slack
            && self.missing as f64 + steps <= allowed as f64;
        if fits {
            let missing = steps as u64;
            self.missing += missing;
            self.gaps += 1;
            self.first_gap.get_or_insert((line, missing));
            return Ok(missing);
        }
        let expected = self.level + self.tilt * index + index * step;
        let found = residual + index * step;
        let (line, what) = match self.first_gap {
            Some((first, _)) if steps >= 1.0 => (
                first,
                format!(
                    "the stamps keep leaving the even grid; by {} frames are missing",
                    self.missing
                ),
            ),
            _ if ahead < -0.5 * step && found <= 0.0 && frame > 0 => (
                line,
                "the time starts again: a second block or a duplicate begins here; split the file"
                    .into(),
            ),
            _ if ahead <= -step * 0.999 && ahead >= -step * 1.001 => (
                line,
                "the stamp of the row before is repeated; delete the duplicate row".into(),
            ),
            _ => (
                line,
                format!(
                    "the stamp lies {} s after the first where {} s were expected ({} of a sample interval off; the limit is {UNEVEN_LIMIT})",
                    short(found),
                    short(expected),
                    short(ahead / step)
                ),
            ),
        };
        Err(ErrorKind::UnevenSampling.error(format!(
            "{what}; give --sample-rate to ignore the time column, or resample the capture evenly"),
        )
        .at_line(line))
    }

    #[inline(never)]
    fn refit(&mut self) {
        let determinant = self.count * self.sum_ii - self.sum_i * self.sum_i;
        if determinant > 0.0 {
            self.tilt = (self.count * self.sum_ir - self.sum_i * self.sum_r) / determinant;
            self.level = (self.sum_r - self.tilt * self.sum_i) / self.count;
        }
    }

    /// The grid from all stamps read so far.
    pub fn refined(&self) -> Grid {
        let mut done = self.clone();
        done.refit();
        let resolution_s = self.grid.resolution_s.max(self.rounding);
        if self.grid.spread_s == 0.0 && self.spread <= 1e-6 * self.grid.step_s {
            return Grid {
                resolution_s,
                ..self.grid
            };
        }
        let step_s = self.grid.step_s + done.tilt;
        Grid {
            step_s,
            step_uncertainty_s: uncertainty(resolution_s, step_s, self.count),
            resolution_s,
            spread_s: resolution_s,
        }
    }

    /// Largest deviation beyond rounding, share of a step, with its line, where it is to be told.
    pub fn told_unevenness(&self) -> Option<(f64, u64)> {
        (self.worst.0 > UNEVEN_TOLD).then_some(self.worst)
    }

    /// Frames missing in gaps, the number of gaps, and the line after the first.
    pub fn gaps(&self) -> Option<(u64, u64, u64)> {
        self.first_gap
            .map(|(line, _)| (self.missing, self.gaps, line))
    }
}
