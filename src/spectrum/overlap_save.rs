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
        // Bin b and its mirror L − b fall on b and −b modulo the number of folds.
        let folds = self.length / self.factor;
        let half = folds / 2;
        let last = self.taps.len() - 1;
        let mirrored_last = self.length % 2 == 1;
        let (taps, folded) = (&self.taps, &mut self.folded);
        folded.fill(Complex64::default());
        vectorised(
            #[inline(always)]
            || {
                for (zone, (x, taps)) in transform.chunks(folds).zip(taps.chunks(folds)).enumerate()
                {
                    let first = zone * folds;
                    let here = x.len().min(half + 1);
                    add_products(&mut folded[..here], &x[..here], &taps[..here]);
                    // The last bin of an even length is its own mirror.
                    let alone = first + x.len() > last && !mirrored_last;
                    let end = x.len() - usize::from(alone);
                    let from = folds - half;
                    if end > from {
                        let places = &mut folded[folds + 1 - end..=folds - from];
                        add_mirrored(places, &x[from..end], &taps[from..end]);
                    }
                    // Bins on a multiple of the folds meet their own mirrors at 0.
                    let alone = first == 0 || (first == last && !mirrored_last);
                    if let (Some(x), Some(t), false) = (x.first(), taps.first(), alone) {
                        folded[0] += (x * t).conj();
                    }
                }
            },
        );
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

/// Adds each product of two values to its place.
#[inline(always)]
fn add_products(places: &mut [Complex64], x: &[Complex64], taps: &[Complex64]) {
    for ((place, x), t) in places.iter_mut().zip(x).zip(taps) {
        *place += x * t;
    }
}

/// The same of their mirrors, from the last place on.
#[inline(always)]
fn add_mirrored(places: &mut [Complex64], x: &[Complex64], taps: &[Complex64]) {
    for ((place, x), t) in places.iter_mut().rev().zip(x).zip(taps) {
        *place += (x * t).conj();
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
