//! Spectra and cross spectra of a target and other channels.

use crate::spectrum::{Window, fft};
use rustfft::num_complex::Complex64;

/// Share of an other channel's power that must be left of it beside those before it: less is rounding.
const LEAST_OF_ITS_OWN: f64 = 1e-9;

/// Averaged spectra of a target and other channels (Welch 1967): powers and cross spectra by frequency.
pub(crate) struct CrossSpectra {
    pub(crate) bin_hz: f64,
    pub(crate) target: Vec<f64>,
    /// Powers of the other channels, in their order.
    pub(crate) others: Vec<Vec<f64>>,
    /// Target by the conjugate of each other channel.
    pub(crate) cross: Vec<Vec<Complex64>>,
    /// Each other channel by the conjugate of each one before it.
    pub(crate) between: Vec<Vec<Vec<Complex64>>>,
    pub(crate) segments: usize,
}

impl CrossSpectra {
    pub(crate) fn new(target: &[f64], others: &[&[f64]], rate_hz: f64) -> Self {
        let wanted = (target.len() / 8).clamp(16, 1 << 14);
        let size = if wanted.is_power_of_two() {
            wanted
        } else {
            wanted.next_power_of_two() / 2
        };
        let size = size.min(target.len().max(2));
        let plan = fft::forward_complex(size);
        let window = Window::HANN.weights(size);
        let bins = size / 2 + 1;
        let count = others.len();
        let mut spectra = Self {
            bin_hz: rate_hz / size as f64,
            target: vec![0.0; bins],
            others: vec![vec![0.0; bins]; count],
            cross: vec![vec![Complex64::default(); bins]; count],
            between: (0..count)
                .map(|j| vec![vec![Complex64::default(); bins]; j])
                .collect(),
            segments: 0,
        };
        let mut start = 0;
        while start + size <= target.len() {
            let transform = |x: &[f64]| {
                let part = &x[start..start + size];
                let mean = part.iter().sum::<f64>() / size as f64;
                let mut block: Vec<Complex64> = part
                    .iter()
                    .zip(&window)
                    .map(|(v, w)| Complex64::new((v - mean) * w, 0.0))
                    .collect();
                plan.process(&mut block);
                block
            };
            let a = transform(target);
            let b: Vec<Vec<Complex64>> = others.iter().map(|other| transform(other)).collect();
            for i in 0..bins {
                spectra.target[i] += a[i].norm_sqr();
                for (j, b_j) in b.iter().enumerate() {
                    spectra.others[j][i] += b_j[i].norm_sqr();
                    spectra.cross[j][i] += a[i] * b_j[i].conj();
                    for (between, b_k) in spectra.between[j].iter_mut().zip(&b) {
                        between[i] += b_j[i] * b_k[i].conj();
                    }
                }
            }
            spectra.segments += 1;
            start += (size / 2).max(1);
        }
        spectra
    }

    /// Power-weighted multiple coherence: share of the target's power that the other channels explain together, less
    /// what chance explains.
    pub(crate) fn coherence(&self) -> f64 {
        self.coherence_within(1, self.target.len())
    }

    /// The same by octaves: geometric centre, Hz, and share.
    pub(crate) fn coherence_by_octave(&self) -> Vec<(f64, f64)> {
        self.octaves()
            .map(|(low, high)| {
                let centre_hz = (low as f64 * high as f64).sqrt() * self.bin_hz;
                (centre_hz, self.coherence_within(low, high))
            })
            .collect()
    }

    /// First bin of each octave, and the one after its last.
    pub(crate) fn octaves(&self) -> impl Iterator<Item = (usize, usize)> {
        let bins = self.target.len();
        let lows = std::iter::successors(Some(1usize), |low| low.checked_mul(2));
        lows.take_while(move |low| *low < bins)
            .map(move |low| (low, (2 * low).min(bins)))
    }

    fn coherence_within(&self, low: usize, high: usize) -> f64 {
        let (mut explained, mut whole) = (0.0, 1e-300);
        for i in low..high {
            explained += self.explained(i);
            whole += self.target[i];
        }
        let raw = explained / whole;
        // Half-overlapped Hann segments count for about 0.6 independent ones each.
        let chance = self.others.len() as f64 / (0.6 * self.segments as f64).max(1.0);
        ((raw - chance) / (1.0 - chance).max(1e-3)).clamp(0.0, 1.0)
    }

    /// Power of the target that the other channels explain at a bin: the sum of what each explains, conditioned on those before it
    /// (J. S. Bendat & A. G. Piersol, Random Data, chapter on multiple-input systems, from memory).
    fn explained(&self, bin: usize) -> f64 {
        let count = self.others.len();
        // Spectra of channel j, conditioned on the first k: with the target, and with each channel before it.
        let mut cross: Vec<Complex64> = self.cross.iter().map(|c| c[bin]).collect();
        let mut powers: Vec<f64> = self.others.iter().map(|o| o[bin]).collect();
        let mut between: Vec<Vec<Complex64>> = self
            .between
            .iter()
            .map(|row| row.iter().map(|b| b[bin]).collect())
            .collect();
        let mut explained = 0.0;
        for k in 0..count {
            if !(powers[k] > LEAST_OF_ITS_OWN * self.others[k][bin]) {
                continue;
            }
            explained += cross[k].norm_sqr() / powers[k];
            let (power, shared) = (powers[k], cross[k]);
            for j in k + 1..count {
                let along = between[j][k] / power;
                cross[j] -= shared * along.conj();
                powers[j] -= between[j][k].norm_sqr() / power;
                for l in k + 1..j {
                    let of_l = between[l][k];
                    between[j][l] -= along * of_l.conj();
                }
            }
        }
        explained
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separation::methods::channels::trials::{RATE_HZ, noise};

    fn sum(terms: &[(f64, &[f64])]) -> Vec<f64> {
        (0..terms[0].1.len())
            .map(|i| terms.iter().map(|(gain, x)| gain * x[i]).sum())
            .collect()
    }

    const COUNT: usize = 1 << 20;

    /// Bendat & Piersol, Random Data: of inputs that do not depend on each other the ordinary coherences add up; here 0.4 and
    /// 0.2, 0.6 in all. The mean over 8192 bins scatters by less than 0.001; for each channel 1/(0.6·127) is taken off for chance
    /// where 127 half-overlapped Hann segments (correlation 1/6, Welch 1967) give 1/(0.95·127): 0.005.
    #[test]
    fn coherences_of_independent_channels_add_up() {
        let (a, b, own) = (noise(1, COUNT), noise(2, COUNT), noise(3, COUNT));
        let target = sum(&[
            (0.4f64.sqrt(), &a),
            (0.2f64.sqrt(), &b),
            (0.4f64.sqrt(), &own),
        ]);
        let coherence = |others: &[&[f64]]| CrossSpectra::new(&target, others, RATE_HZ).coherence();
        let (first, second, both) = (coherence(&[&a]), coherence(&[&b]), coherence(&[&a, &b]));
        assert!(
            (first - 0.4).abs() < 0.01 && (second - 0.2).abs() < 0.01,
            "{first} {second}"
        );
        assert!((both - 0.6).abs() < 0.01, "{both}");
    }

    /// The share is the same whatever the order, and whatever the mixture in which two sources are seen.
    #[test]
    fn mixtures_of_the_same_sources_explain_the_same() {
        let (a, b, own) = (noise(4, COUNT), noise(5, COUNT), noise(6, COUNT));
        let target = sum(&[(1.0, &a), (-0.5, &b), (0.3, &own)]);
        let (mixed, other) = (sum(&[(1.0, &a), (0.9, &b)]), sum(&[(1.0, &a), (1.1, &b)]));
        let coherence = |others: &[&[f64]]| CrossSpectra::new(&target, others, RATE_HZ).coherence();
        let plain = coherence(&[&a, &b]);
        for others in [[&b[..], &a], [&mixed, &other], [&other, &mixed]] {
            assert!((coherence(&others) - plain).abs() < 1e-9);
        }
        // A copy adds nothing but its allowance for chance, 1/(0.6·127).
        let (one, twice) = (coherence(&[&mixed]), coherence(&[&mixed, &mixed]));
        assert!(twice <= one && twice > one - 0.0132, "{one} {twice}");
    }
}
