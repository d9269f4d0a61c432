//! Spectra and cross spectrum of two channels.

use crate::spectrum::{Window, fft};
use rustfft::num_complex::Complex64;

/// Averaged spectra of two channels (Welch 1967): powers and the cross spectrum by frequency.
pub(crate) struct CrossSpectra {
    pub(crate) bin_hz: f64,
    pub(crate) target: Vec<f64>,
    pub(crate) other: Vec<f64>,
    pub(crate) cross: Vec<Complex64>,
    pub(crate) segments: usize,
}

impl CrossSpectra {
    pub(crate) fn new(target: &[f64], other: &[f64], rate_hz: f64) -> Self {
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
        let mut spectra = Self {
            bin_hz: rate_hz / size as f64,
            target: vec![0.0; bins],
            other: vec![0.0; bins],
            cross: vec![Complex64::default(); bins],
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
            let (a, b) = (transform(target), transform(other));
            for i in 0..bins {
                spectra.target[i] += a[i].norm_sqr();
                spectra.other[i] += b[i].norm_sqr();
                spectra.cross[i] += a[i] * b[i].conj();
            }
            spectra.segments += 1;
            start += (size / 2).max(1);
        }
        spectra
    }

    /// Power-weighted coherence: share of the target's power that the other channel explains, less
    /// what chance explains.
    pub(crate) fn coherence(&self) -> f64 {
        let (mut explained, mut whole) = (0.0, 1e-300);
        for i in 1..self.target.len() {
            if self.other[i] > 0.0 {
                explained += self.cross[i].norm_sqr() / self.other[i];
            }
            whole += self.target[i];
        }
        let raw = explained / whole;
        // Half-overlapped Hann segments count for about 0.6 independent ones each.
        let chance = 1.0 / (0.6 * self.segments as f64).max(1.0);
        ((raw - chance) / (1.0 - chance).max(1e-3)).clamp(0.0, 1.0)
    }
}
