//! Even knots over a record and the cubic B-splines on them.

/// Knots of the tracks: cubic B-splines of even spacing that span the record.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mesh {
    pub(super) intervals: usize,
    pub(super) spacing_s: f64,
}

/// Most intervals between knots; longer records get wider ones.
const MOST_INTERVALS: usize = 160;

impl Mesh {
    /// A knot a cycle, fewer where the record is long.
    pub(super) fn new(duration_s: f64, cycles: f64) -> Self {
        let intervals = (cycles.floor().max(1.0) as usize).min(MOST_INTERVALS);
        Self {
            intervals,
            spacing_s: duration_s / intervals as f64,
        }
    }

    pub(super) fn coefficients(&self) -> usize {
        self.intervals + 3
    }

    /// The coefficient nearest the record's middle.
    pub(super) fn middle(&self) -> usize {
        self.coefficients() / 2
    }

    /// Interval of a time and the four splines that are not zero there.
    #[inline(always)]
    pub(super) fn place(&self, time_s: f64) -> (usize, [f64; 4]) {
        let at = (time_s / self.spacing_s).clamp(0.0, self.intervals as f64);
        let interval = (at as usize).min(self.intervals - 1);
        let u = at - interval as f64;
        let (v, square) = (1.0 - u, u * u);
        let cube = square * u;
        (
            interval,
            [
                v * v * v / 6.0,
                0.5 * cube - square + 2.0 / 3.0,
                0.5 * (u + square - cube) + 1.0 / 6.0,
                cube / 6.0,
            ],
        )
    }

    /// A track's value.
    #[inline(always)]
    pub(super) fn value(&self, coefficients: &[f64], time_s: f64) -> f64 {
        let (i, b) = self.place(time_s);
        b.iter()
            .zip(&coefficients[i..i + 4])
            .map(|(b, c)| b * c)
            .sum()
    }

    /// The splines' values at one time, as a row over all coefficients.
    pub(super) fn row(&self, time_s: f64) -> Vec<f64> {
        let mut row = vec![0.0; self.coefficients()];
        let (i, b) = self.place(time_s);
        row[i..i + 4].copy_from_slice(&b);
        row
    }

    /// Mean of every spline over the record.
    pub(super) fn means(&self) -> Vec<f64> {
        let mut means = vec![0.0; self.coefficients()];
        for i in 0..self.intervals {
            for (mean, share) in means[i..i + 4].iter_mut().zip([1.0, 11.0, 11.0, 1.0]) {
                *mean += share / (24.0 * self.intervals as f64);
            }
        }
        means
    }

    /// Times that stand for the record in sums over it: four to an interval (Gauss-Legendre weights are not needed: the
    /// midpoint rule is exact enough for products of splines).
    pub(super) fn quadrature(&self) -> impl Iterator<Item = f64> {
        let step = 0.125 * self.spacing_s;
        (0..8 * self.intervals).map(move |i| (i as f64 + 0.5) * step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn splines_are_a_partition_of_one_and_reproduce_lines() {
        let mesh = Mesh::new(2.0, 7.3);
        assert_eq!(mesh.intervals, 7);
        let line: Vec<f64> = (0..mesh.coefficients()).map(|i| i as f64 - 1.0).collect();
        for i in 0..=40 {
            let t = 0.05 * f64::from(i);
            let (_, b) = mesh.place(t);
            assert_relative_eq!(b.iter().sum::<f64>(), 1.0, epsilon = 1e-12);
            assert_relative_eq!(mesh.value(&line, t), 3.5 * t, epsilon = 1e-12);
        }
        assert_relative_eq!(mesh.means().iter().sum::<f64>(), 1.0, epsilon = 1e-12);
    }
}
