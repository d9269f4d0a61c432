//! Plain figures of the waveform, gathered while the record is read.

use crate::analysis::measurement::Waveform;
use crate::numeric::vectorised;

/// Running sums of the finite samples about the first of them, so that an offset of a million times
/// the rest costs no digits; pairwise by blocks.
#[derive(Debug, Clone, Default)]
pub(crate) struct WaveformSums {
    origin: Option<f64>,
    count: u64,
    sum: f64,
    squares: f64,
    min: f64,
    max: f64,
    pub(crate) missing: u64,
}

/// Sum and sum of squares of one block about an origin, its least and largest value; in eight lanes, so that the compiler
/// can use vector registers.
#[inline(always)]
fn moments(block: &[f64], origin: f64) -> [f64; 4] {
    const LANES: usize = 8;
    let (mut sums, mut squares) = ([0.0; LANES], [0.0; LANES]);
    let (mut least, mut most) = ([origin; LANES], [origin; LANES]);
    let (chunks, rest) = block.as_chunks::<LANES>();
    for chunk in chunks {
        for i in 0..LANES {
            let x = chunk[i];
            let d = x - origin;
            sums[i] += d;
            squares[i] += d * d;
            least[i] = if x < least[i] { x } else { least[i] };
            most[i] = if x > most[i] { x } else { most[i] };
        }
    }
    for (i, &x) in rest.iter().enumerate() {
        let d = x - origin;
        sums[i] += d;
        squares[i] += d * d;
        least[i] = least[i].min(x);
        most[i] = most[i].max(x);
    }
    [
        sums.iter().sum(),
        squares.iter().sum(),
        least.iter().copied().fold(origin, f64::min),
        most.iter().copied().fold(origin, f64::max),
    ]
}

impl WaveformSums {
    /// Adds samples; their extremes where all are finite.
    pub(crate) fn push(&mut self, samples: &[f64]) -> Option<(f64, f64)> {
        let Some(origin) = self
            .origin
            .or_else(|| samples.iter().copied().find(|v| v.is_finite()))
        else {
            self.count_gaps(samples);
            return None;
        };
        let mut extremes = Some((origin, origin));
        if self.origin.is_none() {
            self.origin = Some(origin);
            (self.min, self.max) = (origin, origin);
        }
        for block in samples.chunks(512) {
            let [sum, squares, min, max] = vectorised(
                #[inline(always)]
                || moments(block, origin),
            );
            if squares.is_finite() {
                (self.min, self.max) = (self.min.min(min), self.max.max(max));
                extremes =
                    extremes.map(|(least, most): (f64, f64)| (least.min(min), most.max(max)));
                self.sum += sum;
                self.squares += squares;
                self.count += block.len() as u64;
            } else {
                extremes = None;
                self.count_gaps(block);
                for &x in block.iter().filter(|x| x.is_finite()) {
                    let d = x - origin;
                    self.sum += d;
                    self.squares += d * d;
                    self.count += 1;
                    self.min = self.min.min(x);
                    self.max = self.max.max(x);
                }
            }
        }
        extremes
    }

    fn count_gaps(&mut self, samples: &[f64]) {
        self.missing += samples.iter().filter(|x| x.is_nan()).count() as u64;
    }

    /// Half the peak-to-peak value.
    pub(crate) fn half_span(&self) -> f64 {
        0.5 * self.max - 0.5 * self.min
    }

    /// Largest magnitude.
    pub(crate) fn largest(&self) -> f64 {
        self.max.abs().max(self.min.abs())
    }

    /// Whether all samples that are there read the same.
    pub(crate) fn is_constant(&self) -> bool {
        self.count > 0 && self.max == self.min
    }

    pub(crate) fn figures(&self) -> Waveform {
        let n = self.count.max(1) as f64;
        let mean = self.origin.unwrap_or(0.0) + self.sum / n;
        let variance = (self.squares / n - (self.sum / n).powi(2)).max(0.0);
        let ac_rms = variance.sqrt();
        let peak = (self.max - mean).max(mean - self.min);
        Waveform {
            rms: ac_rms.hypot(mean),
            ac_rms,
            peak_to_peak: self.max - self.min,
            crest_factor: if ac_rms > 0.0 { peak / ac_rms } else { 0.0 },
            min: self.min,
            max: self.max,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_large_offset_costs_no_digits_and_gaps_are_counted() {
        let mut sums = WaveformSums::default();
        let x: Vec<f64> = (0..1000)
            .map(|i| 1e6 + if i % 2 == 0 { 1e-3 } else { -1e-3 })
            .collect();
        sums.push(&x);
        sums.push(&[f64::NAN, f64::INFINITY, 1e6]);
        assert_eq!((sums.missing, sums.count), (1, 1001));
        assert_relative_eq!(
            sums.figures().ac_rms,
            1e-3 * (1000.0f64 / 1001.0).sqrt(),
            max_relative = 1e-6
        );
    }
}
