//! The lines of a record: peaks of its Hann-weighted spectrum over the floor beside each.

use super::hann_powers::HannPowers;
use super::running_median::RunningMedian;
use crate::numeric::parabola;
use crate::stats::power_of_median;
use std::f64::consts::PI;

/// A local maximum of the spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    pub(crate) hz: f64,
    /// Power over the floor beside it.
    pub(crate) strength: f64,
    /// RMS of the sine that would give it.
    pub(crate) rms: f64,
}

impl Line {
    /// Standard uncertainty of the place, Hz: that of a Hann-weighted line (Rife & Vincent 1970: 1.5 times the variance of
    /// the unweighted one, (2π)⁻²·6/(T²·strength)), and the interpolation's own error.
    pub(crate) fn place_uncertainty_hz(&self, duration_s: f64) -> f64 {
        (0.5 / self.strength.sqrt()).hypot(INTERPOLATION) / duration_s
    }
}

/// Error of a parabola through the logarithms of three bins of a Hann line, padded four times, in cells of 1/T.
const INTERPOLATION: f64 = 0.005;
/// Power over the floor from which a maximum is a line: one in twenty of the noise's own.
const LEAST_STRENGTH: f64 = 3.0;
/// Half-width of the line itself, and how far the floor beside it is read, in cells of 1/T.
const LINE_CELLS: f64 = 2.5;
const FLOOR_CELLS: f64 = 12.0;
/// Reach of the floor, Hz: least, most, and that of the wide median it is drawn towards.
const FLOOR_HZ: (f64, f64) = (12.0, 35.0);
const WIDE_HZ: f64 = 50.0;
/// Least steps in which the floor's window moves on by its own length.
const WINDOW_STEPS: usize = 24;
/// How far above a rise with 1/f the slow content has to stand to be more than noise; one cell of exponential power in
/// 10⁵ reaches 12, over a floor that is uncertain by two.
const STEEP: f64 = 25.0;
/// −ln of the chance that noise shows a line, beside the number of places.
const RARE: f64 = 12.0;
/// Root-mean-square width of a steady line's main lobe down to a twentieth of its power, cells of 1/T (integrated numerically).
const STEADY_SPREAD: f64 = 0.557;
/// Strength from which side lobes are looked for.
const LOBES_FROM: f64 = 30.0;

/// Spectrum of a record with mean and slope taken off.
#[derive(Debug, Clone)]
pub(crate) struct LineSpectrum {
    pub(crate) duration_s: f64,
    /// Highest frequency looked at, Hz.
    pub(crate) top_hz: f64,
    /// By frequency.
    pub(crate) lines: Vec<Line>,
    levels: Levels,
}

/// Whether the power well below `hz` stands higher over the floor there than noise that rises with 1/f would.
pub(crate) fn rises_below(samples: &[f64], rate_hz: f64, hz: f64) -> bool {
    Levels::new(samples, None, rate_hz, 2.0 * hz).is_some_and(|levels| levels.rise_below(hz))
}

impl LineSpectrum {
    /// Of `samples` up to `top_hz`. `weights` (0 to 1) lessen what is not to be trusted. `None` where there is nothing to
    /// look at, or the transform fails.
    pub(crate) fn new(
        samples: &[f64],
        weights: Option<&[f64]>,
        rate_hz: f64,
        top_hz: f64,
    ) -> Option<Self> {
        let levels = Levels::new(samples, weights, rate_hz, top_hz)?;
        Some(Self {
            duration_s: levels.duration_s,
            top_hz: (levels.power.len() - 1) as f64 * levels.bin_hz,
            lines: levels.lines(),
            levels,
        })
    }

    /// Whether the power well below `hz` stands higher over the floor there than noise that rises with 1/f would.
    pub(crate) fn rises_below(&self, hz: f64) -> bool {
        self.levels.rise_below(hz)
    }

    /// Strength that noise would not show in one of a thousand records.
    pub(crate) fn rare_strength(&self) -> f64 {
        (self.top_hz * self.duration_s).max(1.0).ln() + RARE
    }

    /// Whether a line that noise would not show in one of a thousand records stands at none of the multiples of `hz`.
    pub(crate) fn has_other_lines(&self, hz: f64) -> bool {
        let chance = self.rare_strength();
        self.lines.iter().any(|line| {
            let multiple = (line.hz / hz).round().max(1.0) * hz;
            line.strength > chance
                && (line.hz - multiple).abs() > 0.012 * multiple + 2.0 / self.duration_s
        })
    }

    /// The same without some of its lines.
    pub(crate) fn without(mut self, taken: &[Line]) -> Self {
        self.lines.retain(|line| !taken.contains(line));
        self
    }

    /// How far the power about a place spreads beyond that of a steady line, cells of 1/T: root-mean-square distance of what
    /// stands above `least` of the largest within `reach_hz`; and how far from the place its mean lies.
    pub(crate) fn spread_cells(&self, hz: f64, reach_hz: f64, least: f64) -> (f64, f64) {
        let Levels { power, bin_hz, .. } = &self.levels;
        let last = power.len() - 1;
        let bin = |hz: f64| ((hz / bin_hz).max(0.0) as usize).min(last);
        let (from, to) = (bin(hz - reach_hz), bin(hz + reach_hz));
        let largest = power[from..=to].iter().copied().fold(0.0, f64::max);
        let own = || (from..=to).filter(|&b| power[b] > least * largest);
        let all: f64 = own().map(|b| power[b]).sum();
        let centre = own().map(|b| power[b] * b as f64).sum::<f64>() / all;
        let square = own()
            .map(|b| power[b] * (b as f64 - centre).powi(2))
            .sum::<f64>()
            / all;
        let cells = bin_hz * self.duration_s;
        let spread = (square * cells * cells - STEADY_SPREAD * STEADY_SPREAD).max(0.0);
        (
            spread.sqrt(),
            (centre * bin_hz - hz).abs() * self.duration_s,
        )
    }

    /// Lines from `low_hz` to `high_hz` with their indices.
    pub(crate) fn between(
        &self,
        low_hz: f64,
        high_hz: f64,
    ) -> impl Iterator<Item = (usize, &Line)> {
        let from = self.lines.partition_point(|line| line.hz < low_hz);
        self.lines
            .iter()
            .enumerate()
            .skip(from)
            .take_while(move |(_, line)| line.hz <= high_hz)
    }
}

/// Power and floor of every bin.
#[derive(Debug, Clone)]
struct Levels {
    power: Vec<f64>,
    floor: Floor,
    bin_hz: f64,
    duration_s: f64,
    /// Bins in a cell of 1/T.
    per_cell: usize,
    /// From the root of a bin's power to the RMS of a sine.
    to_rms: f64,
}

impl Levels {
    /// Of the bins up to `top_hz`; `None` as for [`LineSpectrum::new`].
    fn new(samples: &[f64], weights: Option<&[f64]>, rate_hz: f64, top_hz: f64) -> Option<Self> {
        let HannPowers {
            power,
            bin_hz,
            duration_s,
            to_rms,
        } = HannPowers::new(samples, weights, rate_hz, top_hz)?;
        let per_cell = ((1.0 / (bin_hz * duration_s)) as usize).max(1);
        Some(Self {
            floor: Floor::new(&power, per_cell, bin_hz, duration_s),
            power,
            bin_hz,
            duration_s,
            per_cell,
            to_rms,
        })
    }

    fn rise_below(&self, hz: f64) -> bool {
        let cell_hz = self.bin_hz * self.per_cell as f64;
        let last = (self.power.len() - 1) / self.per_cell;
        let at = ((hz / cell_hz).round() as usize).min(last);
        let limit = STEEP * self.floor.at(at * self.per_cell) * at as f64;
        (2..at / 2).any(|cell| self.power[cell * self.per_cell] * cell as f64 > limit)
    }

    /// The maxima that stand over the floor and over the side lobes of stronger ones.
    fn lines(&self) -> Vec<Line> {
        let (power, floor) = (&self.power, &self.floor);
        let first = ((1.5 / self.duration_s / self.bin_hz).round() as usize).max(1);
        let maxima: Vec<Line> = (first..power.len().saturating_sub(1))
            .filter(|&b| {
                power[b] >= power[b - 1]
                    && power[b] > power[b + 1]
                    && power[b] > LEAST_STRENGTH * floor.at(b)
            })
            .map(|b| {
                let [left, here, right] =
                    [power[b - 1], power[b], power[b + 1]].map(|p| p.max(f64::MIN_POSITIVE).ln());
                let shift = parabola::peak(left, here, right).map_or(0.0, |s| s.clamp(-0.5, 0.5));
                let top = (here - 0.25 * (left - right) * shift).exp();
                Line {
                    hz: (b as f64 + shift) * self.bin_hz,
                    strength: top / floor.at(b),
                    rms: top.sqrt() * self.to_rms,
                }
            })
            .collect();
        let strong: Vec<Line> = maxima
            .iter()
            .filter(|l| l.strength > LOBES_FROM)
            .copied()
            .collect();
        maxima
            .into_iter()
            .filter(|line| !strong.iter().any(|other| self.is_lobe(line, other)))
            .collect()
    }

    /// Whether a line lies in the skirt of another: |W(d)| = 1/(πd(d² − 1)) of its height d cells away (twice the power is
    /// granted), a fiftieth within two cells.
    fn is_lobe(&self, line: &Line, of: &Line) -> bool {
        let d = (line.hz - of.hz).abs() * self.duration_s;
        if d <= 0.5 {
            return false;
        }
        let skirt = if d < 2.0 {
            0.02
        } else {
            (2.0 / (PI * d * (d * d - 1.0))).powi(2)
        };
        line.rms * line.rms < 2.0 * skirt * of.rms * of.rms
    }
}

/// The level beside every bin; between the places where it was read, by its logarithm.
#[derive(Debug, Clone)]
struct Floor {
    logs: Vec<f64>,
    /// Bins from place to place.
    step: f64,
}

impl Floor {
    /// The geometric mean of the medians left and right, never below half the larger, drawn
    /// towards the median of a wide neighbourhood where it is near it (medians of few cells are low by chance).
    fn new(power: &[f64], per_cell: usize, bin_hz: f64, duration_s: f64) -> Self {
        let cells: Vec<f64> = power.iter().step_by(per_cell).copied().collect();
        let cell_hz = bin_hz * per_cell as f64;
        let count = |hz: f64| (hz / cell_hz).ceil() as usize;
        let near = count(LINE_CELLS / duration_s).max(2);
        let reach_hz = (FLOOR_CELLS / duration_s)
            .min(FLOOR_HZ.1)
            .max(FLOOR_HZ.0)
            .max(0.5 * FLOOR_CELLS / duration_s);
        let far = near + count(reach_hz).max(4);
        let wide = count(WIDE_HZ).max(8);
        let every = (near / 2).max((far - near) / WINDOW_STEPS).max(1);
        let last = cells.len() - 1;
        let mut left = RunningMedian::new(&cells);
        let mut right = left.clone();
        let mut broad = RunningMedian::new(&cells);
        let level = |c: usize| {
            let left = left.of(c.saturating_sub(far).max(1), c.saturating_sub(near));
            let right = right.of((c + near).min(last), (c + far).min(last));
            let local = power_of_median(match (left, right) {
                (Some(l), Some(r)) => (l * r).sqrt().max(0.5 * l.max(r)),
                (one, other) => one.or(other).unwrap_or(0.0),
            });
            let broad = broad.of(c.saturating_sub(wide).max(1), (c + wide).min(last));
            match broad.map(power_of_median) {
                Some(b) if local > 0.25 * b && local < 4.0 * b => (local * b).sqrt().max(local),
                Some(b) if local == 0.0 => b,
                _ => local,
            }
        };
        let places = (0..=last / every + 1).map(|i| (i * every).min(last));
        Self {
            logs: places
                .map(level)
                .map(|level| level.max(f64::MIN_POSITIVE).ln())
                .collect(),
            step: (per_cell * every) as f64,
        }
    }

    fn at(&self, bin: usize) -> f64 {
        let place = bin as f64 / self.step;
        let i = (place as usize).min(self.logs.len() - 1);
        let j = (i + 1).min(self.logs.len() - 1);
        let part = place - i as f64;
        (self.logs[i] * (1.0 - part) + self.logs[j] * part).exp()
    }
}
