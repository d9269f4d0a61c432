//! Figures of the harmonic groups of IEC 61000-4-7.

use serde::{Deserialize, Serialize};

/// RMS of the groups about one order, all in the unit of the samples.
///
/// With C the RMS of a bin of a window's spectrum, N its cycles (10 or 12) and h the order:
/// group² = ½C(hN−N/2)² + Σ C(hN+i)² + ½C(hN+N/2)², |i| < N/2; subgroup² = Σ C(hN+i)², |i| ≤ 1;
/// interharmonic group² = Σ C(hN+i)², i = 1..N−1; interharmonic centred subgroup² the same with i = 2..N−2.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct HarmonicGroup {
    /// Order h; 1 is the fundamental.
    pub order: usize,
    /// The bin of the order alone.
    pub bin_rms: f64,
    /// The bin and its two neighbours.
    pub subgroup_rms: f64,
    /// All bins half-way to the neighbouring orders, the outermost by half their power.
    pub group_rms: f64,
    /// All bins between this order and the next, the two nearest to them left out.
    pub interharmonic_subgroup_rms: f64,
    /// All bins between this order and the next.
    pub interharmonic_group_rms: f64,
}

impl HarmonicGroup {
    fn figures(&mut self) -> [&mut f64; 5] {
        [
            &mut self.bin_rms,
            &mut self.subgroup_rms,
            &mut self.group_rms,
            &mut self.interharmonic_subgroup_rms,
            &mut self.interharmonic_group_rms,
        ]
    }

    /// Divides every figure, by the gain of what stood before the samples.
    pub(crate) fn divide(&mut self, gain: f64) {
        for value in self.figures() {
            *value /= gain;
        }
    }
}

/// Groups of all orders: root mean squares over a record's windows, noise included and without intervals.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct HarmonicGroups {
    /// Cycles of a window: 10 where the fundamental is below 55 Hz, else 12.
    pub window_cycles: usize,
    /// Length of a window, s: about 0.2.
    pub window_s: f64,
    /// Windows averaged: as many whole ones as the record holds (of a long one each half minute of it), without gap or
    /// overlap, in its middle.
    pub windows: usize,
    /// Figures by rising order, from 1 without a gap.
    pub orders: Vec<HarmonicGroup>,
}

impl HarmonicGroups {
    /// Total distortion of the groups (THDG): those of orders 2 and up over that of order 1;
    /// a fraction, not percent. `None` where the group of order 1 is 0.
    #[must_use]
    pub fn thd_of_groups(&self) -> Option<f64> {
        self.distortion(|g| g.group_rms)
    }

    /// Total distortion of the subgroups (THDS), likewise.
    #[must_use]
    pub fn thd_of_subgroups(&self) -> Option<f64> {
        self.distortion(|g| g.subgroup_rms)
    }

    /// Takes in the windows of another stretch of the same record: the mean of squares over all of them.
    pub(crate) fn join(&mut self, mut other: Self) {
        let (mine, theirs) = (self.windows as f64, other.windows as f64);
        let mean = |a: f64, b: f64| ((mine * a * a + theirs * b * b) / (mine + theirs)).sqrt();
        self.orders.truncate(other.orders.len());
        for (mine, theirs) in self.orders.iter_mut().zip(&mut other.orders) {
            for (a, b) in mine.figures().into_iter().zip(theirs.figures()) {
                *a = mean(*a, *b);
            }
        }
        self.window_s = (mine * self.window_s + theirs * other.window_s) / (mine + theirs);
        self.windows += other.windows;
    }

    fn distortion(&self, figure: impl Fn(&HarmonicGroup) -> f64) -> Option<f64> {
        let (first, others) = self.orders.split_first()?;
        let power: f64 = others.iter().map(|g| figure(g).powi(2)).sum();
        (figure(first) > 0.0).then(|| power.sqrt() / figure(first))
    }
}
