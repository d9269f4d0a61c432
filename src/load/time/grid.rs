//! The even grid of a time column.

/// A stamp may lie this share of a sample interval off the even grid, beyond its own rounding,
/// before reading stops; from a tenth of it on the capture is told to be uneven.
pub(crate) const UNEVEN_LIMIT: f64 = 0.5;

/// From this share of the sample interval on the stamps' rounding is told.
pub(crate) const ROUNDED_TOLD: f64 = 0.1;

/// What a stretch of a time column says.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Grid {
    /// Seconds from frame to frame.
    pub step_s: f64,
    /// Standard uncertainty of that.
    pub step_uncertainty_s: f64,
    /// What the last digit of a stamp stands for, or the width of the stairs, s.
    pub resolution_s: f64,
    /// Largest distance of a stamp from the even grid, s: 0 where the stamps are written exactly.
    pub spread_s: f64,
}

impl Grid {
    /// Step and resolution from the first stamps (relative to the first of them, s).
    ///
    /// Robust against a gap: the step is the median difference, refined over the longest stretch
    /// that keeps to it. Where neighbours are equal the straight line through all stamps counts.
    pub fn from_stamps(stamps: &[f64], written_resolution_s: f64) -> Option<Self> {
        if stamps.len() < 2 {
            return None;
        }
        let mut differences: Vec<f64> = stamps.windows(2).map(|pair| pair[1] - pair[0]).collect();
        differences.sort_by(f64::total_cmp);
        let median = differences[differences.len() / 2];
        let risen: Vec<f64> = differences.iter().copied().filter(|d| *d > 0.0).collect();
        let equal = differences.iter().filter(|d| **d == 0.0).count();
        let steady = differences
            .iter()
            .filter(|d| (**d - median).abs() <= 1e-6 * median.abs())
            .count();
        let exact = median > 0.0 && steady * 5 > differences.len() * 4;
        let coarse =
            !exact && (equal * 20 > differences.len() || median <= 2.0 * written_resolution_s);
        let mut resolution_s = written_resolution_s;
        let used = if coarse {
            if equal * 4 > differences.len() {
                // Stairs wider than the written digits: their width is the resolution.
                resolution_s = resolution_s.max(risen.get(risen.len() / 2).copied().unwrap_or(0.0));
            }
            stamps.len()
        } else {
            let slack = if exact { 0.0 } else { resolution_s };
            let limit = UNEVEN_LIMIT * median.abs() + slack;
            let broken = stamps
                .windows(2)
                .position(|pair| (pair[1] - pair[0] - median).abs() > limit);
            match broken {
                Some(first) if first >= stamps.len() / 2 || first >= 16 => first + 1,
                Some(_) => 0,
                None => stamps.len(),
            }
        };
        let step_s = if used >= 2 {
            slope(&stamps[..used])
        } else {
            median
        };
        let spread_s = stamps[..used]
            .iter()
            .enumerate()
            .map(|(index, stamp)| (stamp - index as f64 * median).abs())
            .fold(0.0, f64::max);
        if median > 0.0 && used >= 2 && spread_s <= 1e-6 * median {
            return Some(Self {
                step_s: stamps[used - 1] / (used - 1) as f64,
                step_uncertainty_s: 0.0,
                resolution_s,
                spread_s: 0.0,
            });
        }
        Some(Self {
            step_s,
            step_uncertainty_s: uncertainty(resolution_s, step_s, used as f64),
            resolution_s,
            spread_s: resolution_s,
        })
    }
}

/// Standard uncertainty of a least-squares step from `count` stamps rounded to a resolution, s:
/// q/√12 · √12/N^{3/2}, with as many independent stamps as there are stairs.
pub(crate) fn uncertainty(resolution_s: f64, step_s: f64, count: f64) -> f64 {
    let stairs = (resolution_s / step_s.abs()).max(1.0);
    resolution_s * stairs.sqrt() / count.max(2.0).powf(1.5)
}

/// Least-squares slope of values over their index.
fn slope(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let centre = (count - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / count;
    let covariance: f64 = values
        .iter()
        .enumerate()
        .map(|(i, value)| (i as f64 - centre) * (value - mean))
        .sum();
    covariance / (count * (count * count - 1.0) / 12.0)
}

/// The rate of a step: where a value of few digits, as rate or as interval, lies within the
/// uncertainty of the column, that value.
pub(crate) fn rate_of(grid: Grid) -> (f64, f64) {
    let step = grid.step_s;
    let relative = (grid.step_uncertainty_s / step).abs().max(2e-12);
    let rate = 1.0 / step;
    if relative < 1e-3 {
        for digits in 0..12 {
            let round = |value: f64| format!("{value:.digits$e}").parse::<f64>().unwrap_or(value);
            let (by_rate, by_step) = (round(rate), 1.0 / round(step));
            for candidate in [by_rate, by_step] {
                if (candidate / rate - 1.0).abs() <= relative {
                    return (candidate, candidate * grid.step_uncertainty_s / step);
                }
            }
        }
    }
    (rate, rate * grid.step_uncertainty_s / step)
}
