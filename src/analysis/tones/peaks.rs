//! Lines that are no mains harmonic.

use crate::analysis::noise::NoiseFloor;
use crate::spectrum::Density;
use crate::stats::{chi_square_ratio_quantile, f_quantile};
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

/// Probability of any false tone in a record.
const FALSE_ALARM: f64 = 0.01;

/// Side lobes of a line against its peak, d bins away: SKIRT/d⁴. Of J sine tapers the mean is
/// (J+1)(2J+1)/(24π²d⁴) of white noise's share, J = 8 giving 0.65, against 1/2J at the peak.
const SKIRT: f64 = 12.0;

/// A density peak that noise does not explain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PeakBin {
    pub(crate) frequency_hz: f64,
    /// Density over its surroundings.
    pub(crate) ratio: f64,
}

/// Peaks of the residual density above its surroundings, highest ratio first; bins without weight
/// (covered by lines already fitted) and what a stronger peak's side lobes explain are left out.
pub(crate) fn find_peaks(residual: &Density, floor: &NoiseFloor, from_hz: f64) -> Vec<PeakBin> {
    let values = residual.mean();
    let count = values.len();
    let tapers = residual.tapers;
    let reach = (4 * tapers).max(16);
    if count < 2 * reach {
        return Vec::new();
    }
    let tests = Tests::shared(tapers, residual.records, count);
    let mut levels = LocalLevels::new(&values, &floor.weight, tapers, reach, tests.quantile);
    let first = (from_hz / residual.bin_hz).ceil().max(tapers as f64) as usize;
    let mut peaks: Vec<PeakBin> = Vec::new();
    let mut b = first;
    while b + 1 < count {
        if b.is_multiple_of(STRIDE) && levels.holds_no_peak(b, &tests.thresholds) {
            b += STRIDE;
            continue;
        }
        let threshold = tests.thresholds[near(b, tapers, reach)];
        let level = levels.at(b);
        if floor.weight[b] > 0.0 && level > 0.0 && values[b] > threshold * level {
            // A tone fills the tapers' bandwidth: its centre is the run's centroid.
            let mut end = b;
            let (mut sum, mut moment, mut ratio) = (0.0, 0.0, 0.0f64);
            while end < count && end < b + 4 * tapers + 4 {
                let level = levels.at(end);
                if !(values[end] > 0.5 * threshold.sqrt() * level) {
                    break;
                }
                let excess = values[end] - level;
                sum += excess;
                moment += excess * end as f64;
                ratio = ratio.max(values[end] / level);
                end += 1;
            }
            if sum > 0.0 {
                peaks.push(PeakBin {
                    frequency_hz: moment / sum * residual.bin_hz,
                    ratio,
                });
            }
            b = end.max(b + 1);
        } else {
            b += 1;
        }
    }
    peaks.sort_by(|a, b| b.ratio.total_cmp(&a.ratio));
    let mut clear: Vec<PeakBin> = Vec::new();
    for peak in peaks {
        let skirt = clear.iter().any(|strong| {
            let distance = (peak.frequency_hz - strong.frequency_hz) / residual.bin_hz;
            peak.ratio < SKIRT * strong.ratio / distance.powi(4)
        });
        if !skirt {
            clear.push(peak);
        }
    }
    clear
}

/// Bins to either side from which a bin's level is told: fewer towards 0 Hz, where a density may fall fast.
fn near(bin: usize, tapers: usize, reach: usize) -> usize {
    (bin / 3).clamp(tapers + 2, reach)
}

/// What peaks of densities of one layout are tested against.
struct Tests {
    layout: (usize, usize, usize),
    /// Ratio over the level beside a bin, by how far that level is looked for.
    thresholds: Vec<f64>,
    /// The low quantile that a level is read from, of noise of mean 1.
    quantile: f64,
}

impl Tests {
    fn new(tapers: usize, records: usize, count: usize) -> Self {
        let reach = (4 * tapers).max(16);
        let dof = 2.0 * (tapers * records) as f64;
        let cells = (count as f64 / tapers as f64).max(1.0);
        let thresholds = (0..=reach)
            .map(|near| {
                if near < tapers + 2 {
                    f64::INFINITY
                } else if records > 4 {
                    let level = 1.0 + 2.0 / near as f64;
                    chi_square_ratio_quantile(1.0 - FALSE_ALARM / cells, dof) * level
                } else {
                    let level_dof = 2.0 * (near * records) as f64;
                    f_quantile(1.0 - FALSE_ALARM / cells, dof, level_dof)
                }
            })
            .collect();
        Self {
            layout: (tapers, records, count),
            thresholds,
            quantile: chi_square_ratio_quantile(0.4, dof).max(0.05),
        }
    }

    /// Those of a layout, made once as long as few layouts are in use.
    fn shared(tapers: usize, records: usize, count: usize) -> Arc<Self> {
        const MOST: usize = 16;
        static KEPT: Mutex<Vec<Arc<Tests>>> = Mutex::new(Vec::new());
        let kept = || KEPT.lock().unwrap_or_else(PoisonError::into_inner);
        let layout = (tapers, records, count);
        if let Some(tests) = kept().iter().find(|tests| tests.layout == layout) {
            return Arc::clone(tests);
        }
        let tests = Arc::new(Self::new(tapers, records, count));
        let mut kept = kept();
        if kept.len() >= MOST {
            kept.remove(0);
        }
        kept.push(Arc::clone(&tests));
        tests
    }
}

/// The level is smooth: found on every so many bins, held between.
const STRIDE: usize = 4;
/// Bins of which the least value is kept.
const LEAST_OF: usize = 8;

/// Level around each bin: the geometric mean of a low quantile on either side, so that lines and a
/// slope of the density both leave it alone. Found where it is asked for.
struct LocalLevels<'a> {
    values: &'a [f64],
    /// Values over their weights, infinite where that is 0.
    weighted: Vec<f64>,
    /// The least of every [`LEAST_OF`] of these.
    least: Vec<f64>,
    /// By stride; NaN until it is known.
    known: Vec<f64>,
    part: Vec<f64>,
    tapers: usize,
    reach: usize,
    quantile: f64,
}

impl<'a> LocalLevels<'a> {
    fn new(values: &'a [f64], weight: &[f64], tapers: usize, reach: usize, quantile: f64) -> Self {
        let weighted: Vec<f64> = values
            .iter()
            .zip(weight)
            .map(|(value, &w)| if w > 0.0 { value / w } else { f64::INFINITY })
            .collect();
        let least = weighted
            .chunks(LEAST_OF)
            .map(|part| {
                part.iter()
                    .fold(f64::INFINITY, |least, &v| if v < least { v } else { least })
            })
            .collect();
        Self {
            values,
            least,
            known: vec![f64::NAN; values.len().div_ceil(STRIDE)],
            part: Vec::with_capacity(reach),
            weighted,
            tapers,
            reach,
            quantile,
        }
    }

    /// The stretches to either side of the bins of one stride.
    fn sides(&self, stride: usize) -> [Range<usize>; 2] {
        let count = self.values.len();
        let b = (stride * STRIDE + STRIDE / 2).min(count - 1);
        let near = near(b, self.tapers, self.reach);
        [
            b.saturating_sub(self.tapers + near).max(1)..b.saturating_sub(self.tapers).max(1),
            (b + self.tapers).min(count)..(b + self.tapers + near).min(count),
        ]
    }

    /// Whether the bins of the stride from `first` on lie so low that even the least values beside them
    /// could not make a peak of them.
    fn holds_no_peak(&self, first: usize, thresholds: &[f64]) -> bool {
        let bins = first..(first + STRIDE).min(self.values.len());
        let threshold = bins
            .clone()
            .map(|b| thresholds[near(b, self.tapers, self.reach)])
            .fold(f64::INFINITY, f64::min);
        let highest = self.values[bins]
            .iter()
            .fold(0.0, |high: f64, &v| high.max(v));
        // A hair below, for what rounding may do.
        let enough = highest * self.quantile / threshold * (1.0 + 1e-9);
        self.sides(first / STRIDE).iter().all(|side| {
            side.is_empty() || {
                let parts = side.start / LEAST_OF..(side.end - 1) / LEAST_OF + 1;
                self.least[parts].iter().all(|&least| least > enough)
            }
        })
    }

    fn at(&mut self, bin: usize) -> f64 {
        let stride = bin / STRIDE;
        if self.known[stride].is_nan() {
            let [left, right] = self.sides(stride);
            self.known[stride] = match (self.side(left), self.side(right)) {
                (Some(l), Some(r)) => (l * r).sqrt().max(0.25 * l.max(r)),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => f64::INFINITY,
            };
        }
        self.known[stride]
    }

    fn side(&mut self, side: Range<usize>) -> Option<f64> {
        let width = side.len();
        self.part.clear();
        self.part
            .extend(self.weighted[side].iter().filter(|v| v.is_finite()));
        if self.part.len() < width.max(6) / 3 {
            return None;
        }
        let rank = (self.part.len() * 2) / 5;
        let (_, &mut value, _) = self.part.select_nth_unstable_by(rank, f64::total_cmp);
        Some(value / self.quantile)
    }
}
