//! What the tests of channels are made of.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

pub(super) const RATE_HZ: f64 = 8000.0;

pub(super) fn noise(seed: u64, count: usize) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|_| StandardNormal.sample(&mut rng))
        .collect()
}
