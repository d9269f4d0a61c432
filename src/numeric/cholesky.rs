//! Cholesky factorisation of small dense normal matrices.

use crate::numeric::vectorised;

/// U of A = Uᵀ·U, rows packed full: every step runs along rows.
#[derive(Debug, Clone)]
pub(crate) struct Cholesky {
    size: usize,
    upper: Vec<f64>,
}

impl Cholesky {
    /// Factors a symmetric matrix given by its lower triangle in a full square; `None` where it is
    /// not safely positive definite (a pivot below 1e-10 of its diagonal).
    pub(crate) fn new(size: usize, mut matrix: Vec<f64>) -> Option<Self> {
        for i in 0..size {
            for j in i + 1..size {
                matrix[i * size + j] = matrix[j * size + i];
            }
        }
        Self::of_upper(size, matrix)
    }

    /// The same of a matrix given by its upper triangle.
    pub(crate) fn of_upper(size: usize, mut matrix: Vec<f64>) -> Option<Self> {
        let diagonal: Vec<f64> = (0..size).map(|i| matrix[i * size + i]).collect();
        let definite = vectorised(
            #[inline(always)]
            || {
                for (i, &diagonal) in diagonal.iter().enumerate() {
                    let (done, below) = matrix.split_at_mut((i + 1) * size);
                    let row = &mut done[i * size + i..];
                    let pivot = row[0];
                    if !(pivot > 1e-10 * diagonal) {
                        return false;
                    }
                    let scale = 1.0 / pivot.sqrt();
                    for value in &mut *row {
                        *value *= scale;
                    }
                    for (k, other) in below.chunks_exact_mut(size).enumerate() {
                        let later = &row[k + 1..];
                        subtract_multiple(&mut other[i + 1 + k..], later, later[0]);
                    }
                }
                true
            },
        );
        definite.then_some(Self {
            size,
            upper: matrix,
        })
    }

    /// Row i from its diagonal on.
    #[inline(always)]
    fn row(&self, i: usize) -> &[f64] {
        &self.upper[i * self.size + i..(i + 1) * self.size]
    }

    /// Solves A·x = b in place.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        vectorised(
            #[inline(always)]
            || {
                for i in 0..self.size {
                    let row = self.row(i);
                    let x = b[i] / row[0];
                    b[i] = x;
                    subtract_multiple(&mut b[i + 1..], &row[1..], x);
                }
                for i in (0..self.size).rev() {
                    let row = self.row(i);
                    b[i] = (b[i] - dot(&row[1..], &b[i + 1..])) / row[0];
                }
            },
        );
    }

    /// The inverse of A, both triangles.
    pub(crate) fn inverse(&self) -> Vec<f64> {
        let n = self.size;
        let mut inverse = vec![0.0; n * n];
        vectorised(
            #[inline(always)]
            || {
                // Row i of U⁻¹ from those below: U⁻¹ᵢ = (eᵢ − Σ Uᵢₖ·U⁻¹ₖ)/Uᵢᵢ.
                let mut inner = vec![0.0; n * n];
                for i in (0..n).rev() {
                    let row = self.row(i);
                    let (own, below) = inner[i * n..].split_at_mut(n);
                    own[i] = 1.0;
                    for (k, other) in below.chunks_exact(n).enumerate() {
                        let from = i + 1 + k;
                        subtract_multiple(&mut own[from..], &other[from..], row[k + 1]);
                    }
                    for value in &mut own[i..] {
                        *value /= row[0];
                    }
                }
                // A⁻¹ = U⁻¹·U⁻ᵀ.
                for i in 0..n {
                    for j in i..n {
                        let value = dot(
                            &inner[i * n + j..(i + 1) * n],
                            &inner[j * n + j..(j + 1) * n],
                        );
                        inverse[i * n + j] = value;
                        inverse[j * n + i] = value;
                    }
                }
            },
        );
        inverse
    }

    /// Logarithm of the determinant of A.
    pub(crate) fn log_determinant(&self) -> f64 {
        (0..self.size).map(|i| 2.0 * self.row(i)[0].ln()).sum()
    }

    /// |U·v|², that is vᵀ·A·v.
    pub(crate) fn quadratic_form(&self, v: &[f64]) -> f64 {
        vectorised(
            #[inline(always)]
            || {
                (0..self.size)
                    .map(|i| dot(self.row(i), &v[i..]))
                    .map(|value| value * value)
                    .sum()
            },
        )
    }
}

#[inline(always)]
fn subtract_multiple(values: &mut [f64], row: &[f64], factor: f64) {
    for (value, r) in values.iter_mut().zip(row) {
        *value -= factor * r;
    }
}

/// Σ ab, as several sums side by side.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 4;
    let length = a.len().min(b.len());
    let (blocks, last) = a[..length].as_chunks::<LANES>();
    let (others, other_last) = b[..length].as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for (x, y) in blocks.iter().zip(others) {
        for i in 0..LANES {
            sums[i] += x[i] * y[i];
        }
    }
    let rest: f64 = last.iter().zip(other_last).map(|(x, y)| x * y).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

#[cfg(test)]
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
        let inverse = factor.inverse();
        for i in 0..3 {
            let mut column = [0.0; 3];
            column[i] = 1.0;
            factor.solve(&mut column);
            for (j, expected) in column.iter().enumerate() {
                assert_relative_eq!(inverse[3 * i + j], *expected, max_relative = 1e-12);
            }
        }
        assert!(Cholesky::new(2, vec![1.0, 0.0, 1.0, 1.0]).is_none());
    }
}
