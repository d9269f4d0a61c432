//! Symmetric positive definite systems of a band with a dense border.

use crate::numeric::{Cholesky, vectorised};

/// Entries of a row of the band, the diagonal included: three tracks and four splines each.
pub(crate) const WIDTH: usize = 12;

/// A matrix [[B, C], [Cᵀ, D]]: B banded with [`WIDTH`] − 1 off-diagonals on either side, D dense.
#[derive(Debug, Clone)]
pub(crate) struct Bordered {
    /// Lower half of the band: row r holds columns r − 11 to r.
    band: Vec<f64>,
    /// Rows of the band, columns of the border.
    cross: Vec<f64>,
    /// Upper triangle counts.
    corner: Vec<f64>,
    pub(crate) banded: usize,
    border: usize,
}

impl Bordered {
    pub(crate) fn zeros(banded: usize, border: usize) -> Self {
        Self {
            band: vec![0.0; banded * WIDTH],
            cross: vec![0.0; banded * border],
            corner: vec![0.0; border * border],
            banded,
            border,
        }
    }

    fn at(row: usize, column: usize) -> usize {
        row * WIDTH + (WIDTH - 1) + column - row
    }

    /// Adds to an entry of the band; `row` ≥ `column`.
    pub(crate) fn add(&mut self, row: usize, column: usize, value: f64) {
        self.band[Self::at(row, column)] += value;
    }

    pub(crate) fn diagonal(&self, row: usize) -> f64 {
        self.band[Self::at(row, row)]
    }

    pub(crate) fn corner_diagonal(&self, column: usize) -> f64 {
        self.corner[column * self.border + column]
    }

    pub(crate) fn add_corner(&mut self, column: usize, value: f64) {
        self.corner[column * self.border + column] += value;
    }

    /// Adds the products of rows that stand for `WIDTH` neighbouring unknowns from `first` and the whole border: the
    /// upper triangle of a square of that size.
    pub(crate) fn scatter(&mut self, first: usize, products: &[f64]) {
        let size = WIDTH + self.border;
        for i in 0..WIDTH {
            for j in i..WIDTH {
                self.band[Self::at(first + j, first + i)] += products[i * size + j];
            }
            let from = i * size + WIDTH;
            let row = &mut self.cross[(first + i) * self.border..][..self.border];
            for (value, p) in row.iter_mut().zip(&products[from..]) {
                *value += p;
            }
        }
        for i in 0..self.border {
            for j in i..self.border {
                self.corner[i * self.border + j] += products[(WIDTH + i) * size + WIDTH + j];
            }
        }
    }

    /// Takes an unknown of the band out: it stays where it is.
    pub(crate) fn pin(&mut self, index: usize) {
        for other in index.saturating_sub(WIDTH - 1)..(index + WIDTH).min(self.banded) {
            let (row, column) = (index.max(other), index.min(other));
            self.band[Self::at(row, column)] = 0.0;
        }
        self.band[Self::at(index, index)] = 1.0;
        self.cross[index * self.border..(index + 1) * self.border].fill(0.0);
    }

    /// The same with only some columns of the border.
    pub(crate) fn with_border(&self, columns: &[usize]) -> Self {
        let pick = |from: &[f64]| -> Vec<f64> { columns.iter().map(|&c| from[c]).collect() };
        Self {
            band: self.band.clone(),
            cross: (0..self.banded)
                .flat_map(|r| pick(&self.cross[r * self.border..(r + 1) * self.border]))
                .collect(),
            corner: columns
                .iter()
                .flat_map(|&r| pick(&self.corner[r * self.border..(r + 1) * self.border]))
                .collect(),
            banded: self.banded,
            border: columns.len(),
        }
    }

    /// Factors it; `None` where it is not positive definite.
    pub(crate) fn factor(mut self) -> Option<Factored> {
        let border = self.border;
        let mut inverses = vec![0.0; self.banded];
        let definite = vectorised(
            #[inline(always)]
            || {
                for r in 0..self.banded {
                    if !factor_row(&mut self.band, &mut inverses, r) {
                        return false;
                    }
                    let first = r.saturating_sub(WIDTH - 1);
                    let (done, rest) = self.cross.split_at_mut(r * border);
                    let row = &mut rest[..border];
                    for k in first..r {
                        let l = self.band[r * WIDTH + (WIDTH - 1) + k - r];
                        for (value, w) in row.iter_mut().zip(&done[k * border..(k + 1) * border]) {
                            *value -= l * w;
                        }
                    }
                    for value in row.iter_mut() {
                        *value *= inverses[r];
                    }
                    for i in 0..border {
                        let w = row[i];
                        let line = &mut self.corner[i * border + i..(i + 1) * border];
                        for (value, other) in line.iter_mut().zip(&row[i..]) {
                            *value -= w * other;
                        }
                    }
                }
                true
            },
        );
        if !definite {
            return None;
        }
        let corner = Cholesky::of_upper(border, self.corner)?;
        Some(Factored {
            band: self.band,
            inverses,
            cross: self.cross,
            corner,
            border,
        })
    }
}

#[inline(always)]
fn factor_row(band: &mut [f64], inverses: &mut [f64], r: usize) -> bool {
    let first = r.saturating_sub(WIDTH - 1);
    let (done, rest) = band.split_at_mut(r * WIDTH);
    let row = &mut rest[..WIDTH];
    let before = row[WIDTH - 1];
    for c in first..r {
        // Row c holds columns from c − 11, row r from r − 11.
        let shift = r - c;
        let other = &done[c * WIDTH..(c + 1) * WIDTH];
        let mut sum = row[WIDTH - 1 - shift];
        for k in 0..WIDTH - 1 - shift {
            sum -= row[k] * other[k + shift];
        }
        row[WIDTH - 1 - shift] = sum * inverses[c];
    }
    let squares: f64 = row[..WIDTH - 1].iter().map(|l| l * l).sum();
    let pivot = before - squares;
    if !(pivot > 1e-14 * before) {
        return false;
    }
    row[WIDTH - 1] = pivot.sqrt();
    inverses[r] = 1.0 / row[WIDTH - 1];
    true
}

/// The factors of a [`Bordered`] matrix.
#[derive(Debug, Clone)]
pub(crate) struct Factored {
    band: Vec<f64>,
    inverses: Vec<f64>,
    cross: Vec<f64>,
    corner: Cholesky,
    border: usize,
}

impl Factored {
    /// Solves in place: the band's unknowns, then the border's.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        let n = self.inverses.len();
        let (inner, outer) = b.split_at_mut(n);
        for r in 0..n {
            let first = r.saturating_sub(WIDTH - 1);
            let row = &self.band[r * WIDTH + (WIDTH - 1) + first - r..];
            let sum: f64 = row.iter().zip(&inner[first..r]).map(|(l, x)| l * x).sum();
            inner[r] = (inner[r] - sum) * self.inverses[r];
            let x = inner[r];
            let cross = &self.cross[r * self.border..(r + 1) * self.border];
            for (value, w) in outer.iter_mut().zip(cross) {
                *value -= w * x;
            }
        }
        self.corner.solve(outer);
        for r in (0..n).rev() {
            let cross = &self.cross[r * self.border..(r + 1) * self.border];
            let sum: f64 = cross.iter().zip(&*outer).map(|(w, x)| w * x).sum();
            inner[r] -= sum;
        }
        for r in (0..n).rev() {
            inner[r] *= self.inverses[r];
            let x = inner[r];
            let first = r.saturating_sub(WIDTH - 1);
            let row = &self.band[r * WIDTH + (WIDTH - 1) + first - r..];
            for (value, l) in inner[first..r].iter_mut().zip(row) {
                *value -= l * x;
            }
        }
    }

    pub(crate) fn log_determinant(&self) -> f64 {
        self.corner.log_determinant() - 2.0 * self.inverses.iter().map(|i| i.ln()).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Against the same matrix held dense.
    #[test]
    fn solves_as_a_dense_matrix_does() {
        let (n, border) = (30, 3);
        let size = n + border;
        let local = WIDTH + border;
        let mut bordered = Bordered::zeros(n, border);
        let mut dense = vec![0.0; size * size];
        for first in (0..=n - WIDTH).step_by(3) {
            for s in 0..20 {
                let row: Vec<f64> = (0..local)
                    .map(|i| (((first * 20 + s) * local + i) as f64 * 78.233).sin() * 43_758.5)
                    .map(f64::fract)
                    .collect();
                let products: Vec<f64> = (0..local * local)
                    .map(|i| row[i / local] * row[i % local])
                    .collect();
                bordered.scatter(first, &products);
                let place = |i: usize| if i < WIDTH { first + i } else { n + i - WIDTH };
                for i in 0..local {
                    for j in 0..local {
                        dense[place(i) * size + place(j)] += row[i] * row[j];
                    }
                }
            }
        }
        bordered.pin(13);
        for i in 0..size {
            dense[13 * size + i] = 0.0;
            dense[i * size + 13] = 0.0;
        }
        dense[13 * size + 13] = 1.0;
        let reference = Cholesky::new(size, dense).unwrap();
        let factored = bordered.factor().unwrap();
        let mut a: Vec<f64> = (0..size).map(|i| (i as f64).cos()).collect();
        let mut b = a.clone();
        factored.solve(&mut a);
        reference.solve(&mut b);
        for (a, b) in a.iter().zip(&b) {
            assert_relative_eq!(a, b, max_relative = 1e-8, epsilon = 1e-10);
        }
        assert_relative_eq!(
            factored.log_determinant(),
            reference.log_determinant(),
            max_relative = 1e-10
        );
    }
}
