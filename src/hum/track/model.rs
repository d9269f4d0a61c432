//! The model: slow content, one phase, one gain, amplitudes of the orders, lines beside them and a settling.

use super::mesh::Mesh;
use super::record::Record;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Tracks of the model, as their coefficients are interleaved.
pub(super) const TRACKS: usize = 3;
pub(super) const SLOW: usize = 0;
pub(super) const PHASE: usize = 1;
pub(super) const GAIN: usize = 2;

/// A·exp(−t/τ) from the record's first sample on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settling {
    pub(super) amplitude: f64,
    pub(super) time_constant_s: f64,
}

impl Settling {
    #[inline(always)]
    pub(super) fn shape(&self, time_s: f64) -> f64 {
        (-time_s / self.time_constant_s).exp()
    }
}

/// x(t) = s(t) + A·exp(−t/τ) + (1 + μ(t))·Σ Re cₖ·exp(j·k·θ(t)) + Σ Re dᵢ·exp(j·2π·fᵢ·t), θ = 2π·f·t + φ(t).
///
/// Unknowns of a fit are (s, φ, μ) coefficient by coefficient, then the border: real and imaginary part of each order and
/// each line, amplitude and log time constant of the settling.
#[derive(Debug, Clone)]
pub(super) struct Model {
    pub(super) mesh: Mesh,
    pub(super) reference_hz: f64,
    /// Spline coefficients of s, φ and μ.
    pub(super) tracks: [Vec<f64>; TRACKS],
    pub(super) orders: Vec<usize>,
    pub(super) amplitudes: Vec<Complex64>,
    pub(super) tones: Vec<(f64, Complex64)>,
    pub(super) settling: Option<Settling>,
}

impl Model {
    pub(super) fn new(mesh: Mesh, reference_hz: f64, tones_hz: &[f64]) -> Self {
        Self {
            mesh,
            reference_hz,
            tracks: std::array::from_fn(|_| vec![0.0; mesh.coefficients()]),
            orders: Vec::new(),
            amplitudes: Vec::new(),
            tones: tones_hz
                .iter()
                .map(|&f| (f, Complex64::default()))
                .collect(),
            settling: None,
        }
    }

    /// Where the settling's two unknowns stand in the border.
    pub(super) fn settling_at(&self) -> usize {
        2 * (self.orders.len() + self.tones.len())
    }

    /// Unknowns of the border.
    pub(super) fn border(&self) -> usize {
        self.settling_at() + if self.settling.is_some() { 2 } else { 0 }
    }

    pub(super) fn set_orders(&mut self, orders: Vec<usize>) {
        let old = std::mem::replace(&mut self.orders, orders);
        let amplitudes = std::mem::take(&mut self.amplitudes);
        self.amplitudes = self
            .orders
            .iter()
            .map(|order| {
                let found = old.iter().position(|o| o == order);
                found.map_or_else(Complex64::default, |i| amplitudes[i])
            })
            .collect();
    }

    /// Orders and their amplitudes.
    pub(super) fn lines(&self) -> impl Iterator<Item = (usize, Complex64)> {
        self.orders
            .iter()
            .copied()
            .zip(self.amplitudes.iter().copied())
    }

    /// Orders up to a highest that are not the model's.
    pub(super) fn others(&self, highest: usize) -> Vec<usize> {
        (1..=highest).filter(|k| !self.orders.contains(k)).collect()
    }

    #[inline(always)]
    pub(super) fn track(&self, track: usize, time_s: f64) -> f64 {
        self.mesh.value(&self.tracks[track], time_s)
    }

    /// θ, rad.
    #[inline(always)]
    pub(super) fn angle(&self, time_s: f64) -> f64 {
        TAU * self.reference_hz * time_s + self.track(PHASE, time_s)
    }

    /// 1 + μ.
    #[inline(always)]
    pub(super) fn gain(&self, time_s: f64) -> f64 {
        1.0 + self.track(GAIN, time_s)
    }

    /// Slow content and settling.
    pub(super) fn slow_at(&self, time_s: f64) -> f64 {
        self.track(SLOW, time_s) + self.settling.map_or(0.0, |s| s.amplitude * s.shape(time_s))
    }

    /// Mean frequency: phase gained over the record.
    pub(super) fn mean_frequency_hz(&self, duration_s: f64) -> f64 {
        let gained = self.track(PHASE, duration_s) - self.track(PHASE, 0.0);
        self.reference_hz + gained / (TAU * duration_s)
    }

    /// Mean of (1 + μ)² over the record.
    pub(super) fn mean_square_gain(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0);
        for t in self.mesh.quadrature() {
            sum += self.gain(t).powi(2);
            count += 1.0;
        }
        sum / count
    }

    /// The series at a time: (1 + μ)·Σ Re cₖ·zᵏ.
    pub(super) fn series_at(&self, time_s: f64) -> f64 {
        let turn = Complex64::cis(self.angle(time_s));
        let (mut power, mut at, mut sum) = (Complex64::new(1.0, 0.0), 0, 0.0);
        for (order, c) in self.lines() {
            while at < order {
                power *= turn;
                at += 1;
            }
            sum += c.re * power.re - c.im * power.im;
        }
        self.gain(time_s) * sum
    }

    pub(super) fn tones_at(&self, time_s: f64) -> f64 {
        self.tones
            .iter()
            .map(|(f, d)| (d * Complex64::cis(TAU * f * time_s)).re)
            .sum()
    }

    /// The record less all of the model.
    pub(super) fn residual(&self, record: &Record) -> Vec<f64> {
        record
            .each(|t, x| x - self.slow_at(t) - self.series_at(t) - self.tones_at(t))
            .collect()
    }

    /// Moves a constant of the phase into the amplitudes, so that φ is zero at the middle coefficient; likewise of the
    /// gain.
    pub(super) fn settle_gauge(&mut self) {
        let middle = self.mesh.middle();
        let (phase, gain) = (self.tracks[PHASE][middle], self.tracks[GAIN][middle]);
        for value in &mut self.tracks[PHASE] {
            *value -= phase;
        }
        let scale = 1.0 + gain;
        if scale > 0.05 {
            for value in &mut self.tracks[GAIN] {
                *value = (1.0 + *value) / scale - 1.0;
            }
        }
        for (&order, c) in self.orders.iter().zip(&mut self.amplitudes) {
            *c *= Complex64::cis(order as f64 * phase);
            if scale > 0.05 {
                *c *= scale;
            }
        }
    }
}
