//! Loops compiled for the vector registers of the machine that runs them.

/// Runs `work`, compiled for AVX2 and fused multiplication where the processor has them.
///
/// The closure and all it calls in its loops have to be `#[inline(always)]`: what is called and not inlined is
/// compiled for any processor.
#[inline(always)]
pub(crate) fn vectorised<R>(work: impl FnMut() -> R) -> R {
    pulp::Arch::new().dispatch(Wide(work))
}

struct Wide<F>(F);

impl<R, F: FnMut() -> R> pulp::WithSimd for Wide<F> {
    type Output = R;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(mut self, _: S) -> R {
        (self.0)()
    }
}
