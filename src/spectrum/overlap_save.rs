//! A decimator's output from the transforms of a record's stretches.

use super::decimator::Decimator;
use super::fft;
use crate::numeric::vectorised;
use realfft::ComplexToReal;
use realfft::num_complex::Complex64;
use std::fmt;
use std::sync::Arc;

/// What a [`Decimator`] gives of stretches of one length, from their plain transforms.
///
/// With X the transform of L samples and T that of the taps, X·T* is that of their circular correlation, of which the
/// first L − M + 1 values (M taps) meet no end; every F-th of those has the transform folded to L/F bins. The next
/// stretch begins where these end. Source: overlap-save, A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal
/// Processing, 3rd ed. 2010, ch. 8.7.
#[derive(Clone)]
pub struct OverlapSave {
    factor: usize,
    length: usize,
    outputs: usize,
    /// T*, over the stretch's length.
    taps: Vec<Complex64>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    products: Vec<Complex64>,
    folded: Vec<Complex64>,
    values: Vec<f64>,
    scratch: Vec<Complex64>,
}

impl fmt::Debug for OverlapSave {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("OverlapSave")
            .field("factor", &self.factor)
            .field("length", &self.length)
            .finish_non_exhaustive()
    }
}

impl OverlapSave {
    /// For stretches of about `length` samples, four times the taps at least.
    #[must_use]
    pub fn new(decimator: &Decimator, length: usize) -> Self {
        let factor = decimator.factor();
        let taps = decimator.taps();
        let folds = fft::good_length_from(length.max(4 * taps.len()).div_ceil(factor));
        let length = folds * factor;
        let plan = fft::forward(length);
        let mut input = plan.make_input_vec();
        let mut transform = plan.make_output_vec();
        for (slot, tap) in input.iter_mut().zip(taps) {
            *slot = tap / length as f64;
        }
        let mut scratch = plan.make_scratch_vec();
        fft::run_forward(&*plan, &mut input, &mut transform, &mut scratch);
        for value in &mut transform {
            *value = value.conj();
        }
        let inverse = fft::inverse(folds);
        Self {
            factor,
            length,
            outputs: (length - taps.len()) / factor + 1,
            products: transform.clone(),
            taps: transform,
            folded: inverse.make_input_vec(),
            values: inverse.make_output_vec(),
            scratch: inverse.make_scratch_vec(),
            inverse,
        }
    }

    /// Samples of a stretch.
    #[must_use]
    pub fn length(&self) -> usize {
        self.length
    }

    /// What a stretch gives.
    #[must_use]
    pub fn outputs(&self) -> usize {
        self.outputs
    }

    /// Samples from one stretch's start to the next one's.
    #[must_use]
    pub fn hop(&self) -> usize {
        self.outputs * self.factor
    }

    /// Fills `output`, of [`OverlapSave::outputs`] values, from the transform of a stretch.
    pub fn fill(&mut self, transform: &[Complex64], output: &mut [f64]) {
        let (taps, products) = (&self.taps, &mut self.products);
        vectorised(
            #[inline(always)]
            || {
                for ((product, x), t) in products.iter_mut().zip(transform).zip(taps) {
                    *product = x * t;
                }
            },
        );
        // Bin b and its mirror L − b fall on b and −b modulo the number of folds.
        let folds = self.length / self.factor;
        let half = folds / 2;
        self.folded.fill(Complex64::default());
        let last = self.products.len() - 1;
        let mirrored_last = self.length % 2 == 1;
        for (zone, part) in self.products.chunks(folds).enumerate() {
            let first = zone * folds;
            for (q, &c) in part.iter().enumerate().take(half + 1) {
                self.folded[q] += c;
            }
            for (q, &c) in part.iter().enumerate().skip(folds - half) {
                let alone = first + q == last && !mirrored_last;
                if !alone {
                    self.folded[folds - q] += c.conj();
                }
            }
            // Bins on a multiple of the folds meet their own mirrors at 0.
            let alone = first == 0 || (first == last && !mirrored_last);
            if let (Some(c), false) = (part.first(), alone) {
                self.folded[0] += c.conj();
            }
        }
        self.folded[0].im = 0.0;
        if folds.is_multiple_of(2) {
            self.folded[half].im = 0.0;
        }
        fft::run_inverse(
            &*self.inverse,
            &mut self.folded,
            &mut self.values,
            &mut self.scratch,
        );
        for (out, value) in output.iter_mut().zip(&self.values) {
            *out = *value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Differential test against the taps themselves, lines in the pass band, on the edge and far above included.
    #[test]
    fn the_output_is_the_decimators() {
        for factor in [2, 3, 6, 13] {
            let decimator = Decimator::new(factor);
            let mut own = OverlapSave::new(&decimator, 1000);
            let x: Vec<f64> = (0..own.length() + own.hop())
                .map(|n| {
                    let at = f64::from(u32::try_from(n).unwrap_or(0));
                    (0.01 * at).sin() + (1.57 * at).cos() + ((n * n) as f64 * 0.37).sin() + 0.3
                })
                .collect();
            let mut expected = Vec::new();
            decimator.run(&x, &mut expected);
            let plan = fft::forward(own.length());
            for stretch in 0..2 {
                let start = stretch * own.hop();
                let mut input = x[start..start + own.length()].to_vec();
                let mut transform = plan.make_output_vec();
                assert!(plan.process(&mut input, &mut transform).is_ok());
                let mut output = vec![0.0; own.outputs()];
                own.fill(&transform, &mut output);
                for (got, wanted) in output.iter().zip(&expected[stretch * own.outputs()..]) {
                    assert_abs_diff_eq!(*got, *wanted, epsilon = 1e-12);
                }
            }
        }
    }
}
