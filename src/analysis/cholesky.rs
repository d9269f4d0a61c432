//! Cholesky factorisation of small dense normal matrices.

/// L of A = L·Lᵀ, rows packed full.
#[derive(Debug, Clone)]
pub(crate) struct Cholesky {
    size: usize,
    lower: Vec<f64>,
}

impl Cholesky {
    /// Factors a symmetric matrix given by its lower triangle in a full square; `None` where it is
    /// not safely positive definite (a pivot below 1e-10 of its diagonal).
    pub(crate) fn new(size: usize, mut matrix: Vec<f64>) -> Option<Self> {
        for i in 0..size {
            let (above, current) = matrix.split_at_mut(i * size);
            let row = &mut current[..size];
            let diagonal = row[i];
            for j in 0..i {
                let other = &above[j * size..j * size + j + 1];
                let sum: f64 = row[..j].iter().zip(&other[..j]).map(|(a, b)| a * b).sum();
                row[j] = (row[j] - sum) / other[j];
            }
            let pivot = diagonal - row[..i].iter().map(|a| a * a).sum::<f64>();
            if !(pivot > 1e-10 * diagonal) {
                return None;
            }
            row[i] = pivot.sqrt();
        }
        Some(Self {
            size,
            lower: matrix,
        })
    }

    /// Solves A·x = b in place.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        let n = self.size;
        for i in 0..n {
            let row = &self.lower[i * n..i * n + i + 1];
            let sum: f64 = row[..i].iter().zip(&*b).map(|(l, x)| l * x).sum();
            b[i] = (b[i] - sum) / row[i];
        }
        for i in (0..n).rev() {
            let x = b[i] / self.lower[i * n + i];
            b[i] = x;
            for (j, value) in b[..i].iter_mut().enumerate() {
                *value -= self.lower[i * n + j] * x;
            }
        }
    }

    /// Logarithm of the determinant of A.
    pub(super) fn log_determinant(&self) -> f64 {
        (0..self.size)
            .map(|i| 2.0 * self.lower[i * self.size + i].ln())
            .sum()
    }

    /// |Lᵀ·v|², that is vᵀ·A·v.
    pub(super) fn quadratic_form(&self, v: &[f64]) -> f64 {
        let n = self.size;
        (0..n)
            .map(|j| {
                (j..n)
                    .map(|i| self.lower[i * n + j] * v[i])
                    .sum::<f64>()
                    .powi(2)
            })
            .sum()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn solves_and_refuses() {
        let a = vec![4.0, 0.0, 0.0, 2.0, 5.0, 0.0, 1.0, 3.0, 6.0];
        let factor = Cholesky::new(3, a).unwrap();
        let mut x = [4.0 + 4.0 + 3.0, 2.0 + 10.0 + 9.0, 1.0 + 6.0 + 18.0];
        factor.solve(&mut x);
        for (got, expected) in x.iter().zip([1.0, 2.0, 3.0]) {
            assert_relative_eq!(*got, expected, max_relative = 1e-12);
        }
        assert_relative_eq!(
            factor.quadratic_form(&[1.0, 2.0, 3.0]),
            11.0 + 42.0 + 75.0,
            max_relative = 1e-12
        );
        assert!(Cholesky::new(2, vec![1.0, 0.0, 1.0, 1.0]).is_none());
    }
}
