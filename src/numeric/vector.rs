//! Loops compiled for the vector registers of the machine that runs them.

/// Runs `work`, compiled for AVX2 and fused multiplication where the processor has them.
///
/// The closure and all it calls in its loops have to be `#[inline(always)]`: what is called and not inlined is
/// compiled for any processor.
#[inline(always)]
pub(crate) fn vectorised<R>(work: impl FnMut() -> R) -> R {
    pulp::Arch::new().dispatch(Wide(work))
}

/// Dot product in sixteen lanes, so that the compiler can use vector registers.
#[inline(always)]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 16];
    let (a_chunks, a_rest) = a.as_chunks::<16>();
    let (b_chunks, b_rest) = b.as_chunks::<16>();
    for (x, y) in a_chunks.iter().zip(b_chunks) {
        for i in 0..16 {
            lanes[i] += x[i] * y[i];
        }
    }
    let mut four = [0.0; 4];
    let (a_chunks, a_rest) = a_rest.as_chunks::<4>();
    let (b_chunks, b_rest) = b_rest.as_chunks::<4>();
    for (x, y) in a_chunks.iter().zip(b_chunks) {
        for i in 0..4 {
            four[i] += x[i] * y[i];
        }
    }
    for i in 0..4 {
        four[i] += (lanes[i] + lanes[i + 4]) + (lanes[i + 8] + lanes[i + 12]);
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(p, q)| p * q).sum();
    (four[0] + four[1]) + (four[2] + four[3]) + rest
}

/// Dot product summed in the order of the elements.
pub(crate) fn plain_dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Sum, in lanes that the compiler can keep in vector registers.
pub(crate) fn sum(values: &[f64]) -> f64 {
    let (chunks, rest) = values.as_chunks::<16>();
    let mut lanes = [0.0; 16];
    for chunk in chunks {
        for (lane, v) in lanes.iter_mut().zip(chunk) {
            *lane += v;
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Whether all numbers are finite; in lanes that the compiler can keep in vector registers.
pub(crate) fn finite(samples: &[f64]) -> bool {
    let (chunks, rest) = samples.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for chunk in chunks {
        for (sum, x) in sums.iter_mut().zip(chunk) {
            // Nothing times a finite number is nothing.
            *sum += 0.0 * x;
        }
    }
    sums.iter().chain(rest).all(|x| x.is_finite())
}

struct Wide<F>(F);

impl<R, F: FnMut() -> R> pulp::WithSimd for Wide<F> {
    type Output = R;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(mut self, _: S) -> R {
        (self.0)()
    }
}
