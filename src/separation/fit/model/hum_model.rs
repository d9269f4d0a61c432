//! The hum as a model: a phase track, harmonics that ride on it, and their synthesis.

use crate::spectrum::fft;
use realfft::ComplexToReal;
use rustfft::num_complex::Complex64;
use std::ops::Range;
use std::sync::Arc;

/// Table points per period of the highest order.
const OVERSAMPLING: usize = 32;

/// Re Σ aₖ(t) exp(j 2π k φ(t)), φ in cycles and linear between the edges of a mesh.
///
/// aₖ(t) is a constant of its piece times a gain common to all orders, plus a deviation of the
/// order's own; gain and deviations are linear between edges.
#[derive(Debug, Clone, Default)]
pub(crate) struct HumModel {
    /// First sample of every interval, and the record's length.
    pub(crate) edges: Vec<usize>,
    /// Phase at the edges, cycles.
    pub(crate) phase: Vec<f64>,
    /// Piece that an interval belongs to.
    pub(crate) piece: Vec<usize>,
    pub(crate) orders: Vec<usize>,
    /// Amplitudes by piece and order.
    pub(crate) constants: Vec<Vec<Complex64>>,
    /// Common gain at the edges.
    pub(crate) gain: Vec<f64>,
    /// Own deviations by order, at the edges; empty where the order has none.
    pub(crate) deviations: Vec<Vec<Complex64>>,
}

impl HumModel {
    pub(crate) fn intervals(&self) -> usize {
        self.piece.len()
    }

    /// Length of the record.
    pub(crate) fn samples(&self) -> usize {
        self.edges.last().copied().unwrap_or(0)
    }

    /// Cycles of the fundamental within the record.
    pub(crate) fn cycles(&self) -> f64 {
        self.phase[self.phase.len() - 1] - self.phase[0]
    }

    /// The model of a part of a record as one of the whole, so many samples, which is silent elsewhere.
    pub(crate) fn within(mut self, part: &Range<usize>, samples: usize) -> Self {
        let silent = vec![Complex64::default(); self.orders.len()];
        let last = self.intervals() - 1;
        let turns = [self.cycles_per_sample(0), self.cycles_per_sample(last)];
        self.edges.iter_mut().for_each(|edge| *edge += part.start);
        if part.end + 1 < samples {
            // Deviations end within a sample.
            let end = *self.phase.last().unwrap_or(&0.0);
            for edge in [part.end + 1, samples] {
                self.edges.push(edge);
                self.phase.push(end + turns[1] * (edge - part.end) as f64);
                self.piece.push(self.constants.len());
                self.gain.push(1.0);
            }
            self.constants.push(silent.clone());
            for deviation in self.deviations.iter_mut().filter(|d| !d.is_empty()) {
                deviation.extend([Complex64::default(); 2]);
            }
        }
        if part.start > 1 {
            let start = self.phase[0];
            self.piece.iter_mut().for_each(|piece| *piece += 1);
            for edge in [part.start - 1, 0] {
                self.edges.insert(0, edge);
                self.phase
                    .insert(0, start - turns[0] * (part.start - edge) as f64);
                self.piece.insert(0, 0);
                self.gain.insert(0, 1.0);
            }
            self.constants.insert(0, silent);
            for deviation in self.deviations.iter_mut().filter(|d| !d.is_empty()) {
                deviation.splice(0..0, [Complex64::default(); 2]);
            }
        }
        self
    }

    /// The same with its changes so many whole samples later; phase and amplitudes stay.
    pub(crate) fn with_changes_later(&self, by: i64) -> Self {
        let mut model = self.clone();
        let inner = 1..self.edges.len().saturating_sub(1);
        let moved = |edge: usize| usize::try_from(self.edges[edge] as i64 + by).unwrap_or(0);
        let samples = self.samples();
        if by == 0 || inner.is_empty() || moved(1) == 0 || moved(inner.end - 1) >= samples {
            return model;
        }
        for edge in inner {
            model.edges[edge] = moved(edge);
            model.phase[edge] += self.cycles_per_sample(edge) * by as f64;
        }
        model
    }

    pub(crate) fn set_orders(&mut self, orders: Vec<usize>) {
        let pieces = self.constants.len().max(1);
        self.constants = vec![vec![Complex64::default(); orders.len()]; pieces];
        self.deviations = vec![Vec::new(); orders.len()];
        self.orders = orders;
    }

    /// Amplitude of the order with index `o` at edge `edge`, as interval `interval` sees it.
    pub(crate) fn amplitude(&self, o: usize, interval: usize, edge: usize) -> Complex64 {
        let own = self.deviations[o].get(edge).copied().unwrap_or_default();
        self.constants[self.piece[interval]][o] * self.gain[edge] + own
    }

    /// Phase advance per sample within an interval, cycles.
    pub(crate) fn cycles_per_sample(&self, interval: usize) -> f64 {
        (self.phase[interval + 1] - self.phase[interval])
            / (self.edges[interval + 1] - self.edges[interval]) as f64
    }

    pub(crate) fn is_silent(&self) -> bool {
        self.orders.is_empty()
            || (self.constants.iter().flatten().all(|c| c.norm_sqr() == 0.0)
                && self.deviations.iter().all(Vec::is_empty))
    }

    fn same_at_both_edges(&self, interval: usize) -> bool {
        self.gain[interval] == self.gain[interval + 1] && self.deviations.iter().all(Vec::is_empty)
    }

    /// Writes `x` less the hum into `out`.
    pub(crate) fn residual(&self, x: &[f64], out: &mut [f64]) {
        out.copy_from_slice(x);
        if !self.is_silent() {
            self.subtract(out, 0, self.intervals());
        }
    }

    /// Takes the hum of some intervals off `out`, which starts with the first one's first sample.
    pub(crate) fn subtract(&self, out: &mut [f64], first: usize, end: usize) {
        let origin = self.edges[first];
        let mut tables = Tables::new(self.orders.iter().copied().max().unwrap_or(1));
        let mut right_is_left_of = None;
        let (mut left, mut right) = (tables.empty(), tables.empty());
        let mut amplitudes = vec![Complex64::default(); self.orders.len()];
        for interval in first..end {
            if right_is_left_of == Some((interval, self.piece[interval])) {
                std::mem::swap(&mut left, &mut right);
            } else {
                for (o, a) in amplitudes.iter_mut().enumerate() {
                    *a = self.amplitude(o, interval, interval);
                }
                tables.fill(&self.orders, &amplitudes, &mut left);
            }
            let same = self.same_at_both_edges(interval);
            if !same {
                for (o, a) in amplitudes.iter_mut().enumerate() {
                    *a = self.amplitude(o, interval, interval + 1);
                }
                tables.fill(&self.orders, &amplitudes, &mut right);
            }
            let (from, to) = (
                self.edges[interval] - origin,
                self.edges[interval + 1] - origin,
            );
            let advance = self.cycles_per_sample(interval);
            let start = self.phase[interval].rem_euclid(1.0);
            let size = tables.size as f64;
            let per_sample = 1.0 / (to - from) as f64;
            for (n, value) in out[from..to].iter_mut().enumerate() {
                let cycles = start + advance * n as f64;
                // Positive, so truncation is the floor, and needs no call.
                let at = (cycles - (cycles as i64) as f64) * size;
                if same {
                    *value -= interpolate(&left, at);
                } else {
                    let u = n as f64 * per_sample;
                    *value -= (1.0 - u) * interpolate(&left, at) + u * interpolate(&right, at);
                }
            }
            right_is_left_of = self
                .piece
                .get(interval + 1)
                .map(|piece| (interval + 1, *piece))
                .filter(|(_, piece)| *piece == self.piece[interval]);
            if same {
                std::mem::swap(&mut left, &mut right);
            }
        }
    }
}

/// Cubic through four neighbours; the table carries one value before and three after its period.
fn interpolate(table: &[f64], at: f64) -> f64 {
    let i = at as usize;
    let u = at - i as f64;
    let Some(&[a, b, c, d]) = table.get(i..i + 4) else {
        return 0.0;
    };
    let third = (d - a + 3.0 * (b - c)) / 6.0;
    let second = 0.5 * (a + c) - b;
    let first = c - a / 3.0 - 0.5 * b - d / 6.0;
    ((third * u + second) * u + first) * u + b
}

/// Makes one-cycle waveforms.
struct Tables {
    size: usize,
    inverse: Arc<dyn ComplexToReal<f64>>,
    spectrum: Vec<Complex64>,
    scratch: Vec<Complex64>,
    wave: Vec<f64>,
}

impl Tables {
    fn new(highest: usize) -> Self {
        let size = (OVERSAMPLING * highest).next_power_of_two().max(256);
        let inverse = fft::inverse(size);
        Self {
            size,
            spectrum: inverse.make_input_vec(),
            scratch: inverse.make_scratch_vec(),
            wave: inverse.make_output_vec(),
            inverse,
        }
    }

    fn empty(&self) -> Vec<f64> {
        vec![0.0; self.size + 4]
    }

    fn fill(&mut self, orders: &[usize], amplitudes: &[Complex64], table: &mut [f64]) {
        self.spectrum.fill(Complex64::default());
        for (order, a) in orders.iter().zip(amplitudes) {
            self.spectrum[*order] = 0.5 * a;
        }
        fft::run_inverse(
            &*self.inverse,
            &mut self.spectrum,
            &mut self.wave,
            &mut self.scratch,
        );
        let n = self.size;
        table[0] = self.wave[n - 1];
        table[1..=n].copy_from_slice(&self.wave);
        table[n + 1..n + 4].copy_from_slice(&self.wave[..3]);
    }
}
