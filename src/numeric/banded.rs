//! Symmetric positive definite systems of two off-diagonals, and roughness penalties on a mesh.

/// A symmetric matrix with two off-diagonals on either side.
#[derive(Debug, Clone)]
pub(crate) struct Banded {
    diagonal: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

impl Banded {
    pub(crate) fn zeros(n: usize) -> Self {
        Self {
            diagonal: vec![0.0; n],
            first: vec![0.0; n.saturating_sub(1)],
            second: vec![0.0; n.saturating_sub(2)],
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.diagonal.len()
    }

    /// Adds the hat functions' inner products (left-left, left-right, right-right) of interval `i`.
    pub(crate) fn add_interval(&mut self, i: usize, gram: [f64; 3], scale: f64) {
        self.diagonal[i] += scale * gram[0];
        self.first[i] += scale * gram[1];
        self.diagonal[i + 1] += scale * gram[2];
    }

    pub(crate) fn add_scaled(&mut self, other: &Self, scale: f64) {
        let pairs = [
            (&mut self.diagonal, &other.diagonal),
            (&mut self.first, &other.first),
            (&mut self.second, &other.second),
        ];
        for (into, from) in pairs {
            for (a, b) in into.iter_mut().zip(from) {
                *a += scale * b;
            }
        }
    }

    /// Product with a vector.
    pub(crate) fn multiply(&self, x: &[f64]) -> Vec<f64> {
        let n = self.len();
        let mut y: Vec<f64> = self.diagonal.iter().zip(x).map(|(d, v)| d * v).collect();
        for i in 0..n.saturating_sub(1) {
            y[i] += self.first[i] * x[i + 1];
            y[i + 1] += self.first[i] * x[i];
        }
        for i in 0..n.saturating_sub(2) {
            y[i] += self.second[i] * x[i + 2];
            y[i + 2] += self.second[i] * x[i];
        }
        y
    }

    pub(crate) fn mean_diagonal(&self) -> f64 {
        self.diagonal.iter().sum::<f64>() / self.len().max(1) as f64
    }

    /// L D Lᵀ factorisation; a floor on the pivots keeps empty rows (all samples masked) solvable.
    pub(crate) fn factor(&self) -> Factor {
        let n = self.len();
        let floor = 1e-13 * self.mean_diagonal().max(f64::MIN_POSITIVE);
        let mut d = vec![0.0; n];
        let mut l1 = vec![0.0; n.saturating_sub(1)];
        let mut l2 = vec![0.0; n.saturating_sub(2)];
        for i in 0..n {
            let mut pivot = self.diagonal[i];
            if i >= 1 {
                pivot -= l1[i - 1] * l1[i - 1] * d[i - 1];
            }
            if i >= 2 {
                pivot -= l2[i - 2] * l2[i - 2] * d[i - 2];
            }
            d[i] = pivot.max(floor);
            let inverse = 1.0 / d[i];
            if i + 1 < n {
                let mut v = self.first[i];
                if i >= 1 {
                    v -= l2[i - 1] * l1[i - 1] * d[i - 1];
                }
                l1[i] = v * inverse;
            }
            if i + 2 < n {
                l2[i] = self.second[i] * inverse;
            }
        }
        Factor { d, l1, l2 }
    }
}

/// The factors of a [`Banded`] matrix.
#[derive(Debug, Clone)]
pub(crate) struct Factor {
    d: Vec<f64>,
    l1: Vec<f64>,
    l2: Vec<f64>,
}

impl Factor {
    pub(crate) fn solve(&self, rhs: &[f64]) -> Vec<f64> {
        let n = self.d.len();
        let mut x = rhs.to_vec();
        for i in 0..n {
            if i >= 1 {
                x[i] -= self.l1[i - 1] * x[i - 1];
            }
            if i >= 2 {
                x[i] -= self.l2[i - 2] * x[i - 2];
            }
        }
        for (v, d) in x.iter_mut().zip(&self.d) {
            *v /= d;
        }
        for i in (0..n).rev() {
            if i + 1 < n {
                x[i] -= self.l1[i] * x[i + 1];
            }
            if i + 2 < n {
                x[i] -= self.l2[i] * x[i + 2];
            }
        }
        x
    }

    /// Solves, in place, for right-hand sides that stand side by side: each as [`Factor::solve`] does.
    #[inline(always)]
    pub(crate) fn solve_beside<const N: usize>(&self, x: &mut [[f64; N]]) {
        let n = self.d.len();
        for i in 0..n {
            let mut value = x[i];
            if i >= 1 {
                take_off(&mut value, self.l1[i - 1], &x[i - 1]);
            }
            if i >= 2 {
                take_off(&mut value, self.l2[i - 2], &x[i - 2]);
            }
            x[i] = value;
        }
        for i in (0..n).rev() {
            let mut value = x[i].map(|v| v / self.d[i]);
            if i + 1 < n {
                take_off(&mut value, self.l1[i], &x[i + 1]);
            }
            if i + 2 < n {
                take_off(&mut value, self.l2[i], &x[i + 2]);
            }
            x[i] = value;
        }
    }

    pub(crate) fn log_determinant(&self) -> f64 {
        self.d.iter().map(|d| d.ln()).sum()
    }

    /// Diagonal of the inverse (Takahashi, Fagan & Chin 1973): posterior variances.
    pub(crate) fn inverse_diagonal(&self) -> Vec<f64> {
        let n = self.d.len();
        let mut diagonal = vec![0.0; n];
        let mut first = vec![0.0; n];
        let mut second = vec![0.0; n];
        for i in (0..n).rev() {
            let l1 = if i + 1 < n { self.l1[i] } else { 0.0 };
            let l2 = if i + 2 < n { self.l2[i] } else { 0.0 };
            let (d1, d2) = (
                if i + 1 < n { diagonal[i + 1] } else { 0.0 },
                if i + 2 < n { diagonal[i + 2] } else { 0.0 },
            );
            let cross = if i + 2 < n { first[i + 1] } else { 0.0 };
            first[i] = -l1 * d1 - l2 * cross;
            second[i] = -l1 * cross - l2 * d2;
            diagonal[i] = 1.0 / self.d[i] - l1 * first[i] - l2 * second[i];
        }
        diagonal
    }
}

/// Takes `factor` times `other` off.
#[inline(always)]
fn take_off<const N: usize>(value: &mut [f64; N], factor: f64, other: &[f64; N]) {
    for (v, o) in value.iter_mut().zip(other) {
        *v -= factor * o;
    }
}

/// How a track may change from knot to knot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Roughness {
    /// Random walk: first differences cost.
    Level,
    /// Integrated random walk: changes of slope cost.
    Slope,
}

impl Roughness {
    /// Dimensions that cost nothing.
    pub(crate) fn free(self) -> usize {
        match self {
            Self::Level => 1,
            Self::Slope => 2,
        }
    }

    /// The differences of `x` over knots with spacings `h`, scaled to unit variance of the walk.
    pub(crate) fn differences(self, x: &[f64], h: &[f64]) -> Vec<f64> {
        match self {
            Self::Level => (0..h.len())
                .map(|i| (x[i + 1] - x[i]) / h[i].sqrt())
                .collect(),
            Self::Slope => (0..h.len().saturating_sub(1))
                .map(|i| {
                    let change = (x[i + 2] - x[i + 1]) / h[i + 1] - (x[i + 1] - x[i]) / h[i];
                    change / (0.5 * (h[i] + h[i + 1])).sqrt()
                })
                .collect(),
        }
    }

    /// Penalty matrix: sum of the weighted squared differences.
    pub(crate) fn penalty(self, h: &[f64], weights: &[f64]) -> Banded {
        let mut p = Banded::zeros(h.len() + 1);
        match self {
            Self::Level => {
                for i in 0..h.len() {
                    let w = weights[i] / h[i];
                    p.diagonal[i] += w;
                    p.diagonal[i + 1] += w;
                    p.first[i] -= w;
                }
            }
            Self::Slope => {
                for i in 0..h.len().saturating_sub(1) {
                    let w = weights[i] / (0.5 * (h[i] + h[i + 1]));
                    let (a, c) = (1.0 / h[i], 1.0 / h[i + 1]);
                    let b = -(a + c);
                    p.diagonal[i] += w * a * a;
                    p.diagonal[i + 1] += w * b * b;
                    p.diagonal[i + 2] += w * c * c;
                    p.first[i] += w * a * b;
                    p.first[i + 1] += w * b * c;
                    p.second[i] += w * a * c;
                }
            }
        }
        p
    }

    pub(crate) fn terms(self, intervals: usize) -> usize {
        (intervals + 1).saturating_sub(self.free())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn example() -> Banded {
        let h = [1.0, 0.7, 1.3, 1.0, 0.5];
        let mut a = Roughness::Slope.penalty(&h, &[1.0, 2.0, 0.5, 1.0]);
        for i in 0..5 {
            a.add_interval(i, [h[i] / 3.0, h[i] / 6.0, h[i] / 3.0], 1.0);
        }
        a
    }

    #[test]
    fn solving_inverts_the_product() {
        let a = example();
        let x = [1.0, -2.0, 0.5, 3.0, 0.0, 1.0];
        let solved = a.factor().solve(&a.multiply(&x));
        for (got, want) in solved.iter().zip(x) {
            assert_relative_eq!(*got, want, epsilon = 1e-10);
        }
    }

    #[test]
    fn sides_beside_each_other_are_solved_as_alone() {
        let factor = example().factor();
        let sides = [
            [1.0, -2.0, 0.5, 3.0, 0.0, 1.0],
            [0.3, 7.0, -1.0, 0.1, 2.0, -4.0],
        ];
        let mut beside: Vec<[f64; 2]> = (0..6).map(|i| [sides[0][i], sides[1][i]]).collect();
        factor.solve_beside(&mut beside);
        for (lane, side) in sides.iter().enumerate() {
            let alone = factor.solve(side);
            assert!(beside.iter().zip(alone).all(|(b, a)| b[lane] == a));
        }
    }

    #[test]
    fn inverse_diagonal_equals_unit_solutions() {
        let a = example();
        let factor = a.factor();
        let diagonal = factor.inverse_diagonal();
        for i in 0..6 {
            let mut unit = [0.0; 6];
            unit[i] = 1.0;
            assert_relative_eq!(diagonal[i], factor.solve(&unit)[i], epsilon = 1e-10);
        }
    }

    #[test]
    fn straight_lines_are_free_of_slope_penalty() {
        let h = [1.0, 0.7, 1.3];
        let line = [0.0, 1.0, 1.7, 3.0];
        let p = Roughness::Slope.penalty(&h, &[1.0; 2]);
        for v in p.multiply(&line) {
            assert_relative_eq!(v, 0.0, epsilon = 1e-12);
        }
    }
}
