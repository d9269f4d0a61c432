//! Interpolation that rises where its knots do.

/// Monotone cubic interpolation on even knots (F. N. Fritsch & J. Butland, SIAM J. Sci. Stat. Comput.
/// 5, 1984).
pub(super) struct MonotoneCubic {
    pub(super) start: f64,
    pub(super) step: f64,
    pub(super) knots: Vec<f64>,
}

impl MonotoneCubic {
    fn knot(&self, index: usize) -> f64 {
        self.knots.get(index).copied().unwrap_or(f64::NAN)
    }

    fn slope(&self, index: usize) -> f64 {
        if index == 0 {
            return self.knot(1) - self.knot(0);
        }
        if index + 1 >= self.knots.len() {
            return self.knot(index) - self.knot(index - 1);
        }
        let before = self.knot(index) - self.knot(index - 1);
        let after = self.knot(index + 1) - self.knot(index);
        if before * after <= 0.0 {
            0.0
        } else {
            2.0 * before * after / (before + after)
        }
    }

    pub(super) fn at(&self, x: f64) -> f64 {
        let position = ((x - self.start) / self.step).clamp(0.0, (self.knots.len() - 1) as f64);
        let index = (position as usize).min(self.knots.len() - 2);
        let t = position - index as f64;
        let (y0, y1) = (self.knot(index), self.knot(index + 1));
        let (m0, m1) = (self.slope(index), self.slope(index + 1));
        let (t2, t3) = (t * t, t * t * t);
        (2.0 * t3 - 3.0 * t2 + 1.0) * y0
            + (t3 - 2.0 * t2 + t) * m0
            + (3.0 * t2 - 2.0 * t3) * y1
            + (t3 - t2) * m1
    }
}
