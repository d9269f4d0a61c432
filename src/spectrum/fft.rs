//! FFT plans, shared by all threads, and good lengths.

use realfft::num_complex::Complex64;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

fn planner() -> MutexGuard<'static, RealFftPlanner<f64>> {
    static PLANNER: OnceLock<Mutex<RealFftPlanner<f64>>> = OnceLock::new();
    PLANNER
        .get_or_init(|| Mutex::new(RealFftPlanner::new()))
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
}

/// The plan of a forward real transform, made once for each length.
pub(crate) fn forward(length: usize) -> Arc<dyn RealToComplex<f64>> {
    planner().plan_fft_forward(length)
}

/// The plan of an inverse real transform, made once for each length.
pub(crate) fn inverse(length: usize) -> Arc<dyn ComplexToReal<f64>> {
    planner().plan_fft_inverse(length)
}

fn complex_planner() -> MutexGuard<'static, FftPlanner<f64>> {
    static PLANNER: OnceLock<Mutex<FftPlanner<f64>>> = OnceLock::new();
    PLANNER
        .get_or_init(|| Mutex::new(FftPlanner::new()))
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
}

/// The plan of a forward complex transform, made once for each length.
pub(crate) fn forward_complex(length: usize) -> Arc<dyn Fft<f64>> {
    complex_planner().plan_fft_forward(length)
}

/// The plan of an inverse complex transform, made once for each length.
pub(crate) fn inverse_complex(length: usize) -> Arc<dyn Fft<f64>> {
    complex_planner().plan_fft_inverse(length)
}

/// Transforms `input`, which is lost. Buffers that are not of the plan's lengths give no numbers, lest silence pass for a
/// result.
pub(crate) fn run_forward(
    plan: &dyn RealToComplex<f64>,
    input: &mut [f64],
    output: &mut [Complex64],
    scratch: &mut [Complex64],
) {
    if plan.process_with_scratch(input, output, scratch).is_err() {
        output.fill(Complex64::new(f64::NAN, f64::NAN));
    }
}

/// The inverse of [`run_forward`], but for a factor of the length; outermost bins that are not real give no numbers either.
pub(crate) fn run_inverse(
    plan: &dyn ComplexToReal<f64>,
    input: &mut [Complex64],
    output: &mut [f64],
    scratch: &mut [Complex64],
) {
    if plan.process_with_scratch(input, output, scratch).is_err() {
        output.fill(f64::NAN);
    }
}

/// Even lengths 2·2^a·3^b·5^c, which transform fast.
fn is_good(length: usize) -> bool {
    let mut rest = length;
    for prime in [2, 3, 5] {
        while rest.is_multiple_of(prime) {
            rest /= prime;
        }
    }
    rest == 1 && length.is_multiple_of(2)
}

/// The smallest good length that is not below `least`.
pub(crate) fn good_length_from(least: usize) -> usize {
    (least.max(2)..).find(|&n| is_good(n)).unwrap_or(least)
}

/// The largest good length that is not above `most` (at least 2).
pub(crate) fn good_length_to(most: usize) -> usize {
    (2..=most.max(2)).rev().find(|&n| is_good(n)).unwrap_or(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn good_lengths_bracket_what_was_asked() {
        assert_eq!(good_length_from(1001), 1024);
        assert_eq!(good_length_to(1001), 1000);
        assert_eq!(good_length_from(0), 2);
        for n in 2..3000 {
            assert!(good_length_to(n) <= n && n <= good_length_from(n));
        }
    }
}
