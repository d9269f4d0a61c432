//! The model: slow content, one phase, one gain, amplitudes of the orders, lines beside them and a settling.

use super::mesh::Mesh;
use super::record::Record;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

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
#[derive(Debug, Clone)]
pub(super) struct Model {
    pub(super) mesh: Mesh,
    pub(super) reference_hz: f64,
    /// Spline coefficients of s, φ and μ.
    pub(super) slow: Vec<f64>,
    pub(super) phase: Vec<f64>,
    pub(super) gain: Vec<f64>,
    pub(super) orders: Vec<usize>,
    pub(super) amplitudes: Vec<Complex64>,
    pub(super) tones: Vec<(f64, Complex64)>,
    pub(super) settling: Option<Settling>,
}

impl Model {
    pub(super) fn new(mesh: Mesh, reference_hz: f64, tones_hz: &[f64]) -> Self {
        let n = mesh.coefficients();
        Self {
            mesh,
            reference_hz,
            slow: vec![0.0; n],
            phase: vec![0.0; n],
            gain: vec![0.0; n],
            orders: Vec::new(),
            amplitudes: Vec::new(),
            tones: tones_hz
                .iter()
                .map(|&f| (f, Complex64::default()))
                .collect(),
            settling: None,
        }
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

    /// θ, rad.
    #[inline(always)]
    pub(super) fn angle(&self, time_s: f64) -> f64 {
        TAU * self.reference_hz * time_s + self.mesh.value(&self.phase, time_s)
    }

    /// Slow content and settling.
    pub(super) fn slow_at(&self, time_s: f64) -> f64 {
        self.mesh.value(&self.slow, time_s)
            + self.settling.map_or(0.0, |s| s.amplitude * s.shape(time_s))
    }

    /// Mean frequency: phase gained over the record.
    pub(super) fn mean_frequency_hz(&self, duration_s: f64) -> f64 {
        let gained = self.mesh.value(&self.phase, duration_s) - self.mesh.value(&self.phase, 0.0);
        self.reference_hz + gained / (TAU * duration_s)
    }

    /// Mean of (1 + μ)² over the record.
    pub(super) fn mean_square_gain(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0);
        for t in self.mesh.quadrature() {
            sum += (1.0 + self.mesh.value(&self.gain, t)).powi(2);
            count += 1.0;
        }
        sum / count
    }

    /// The series at a time.
    pub(super) fn series_at(&self, time_s: f64) -> f64 {
        let turn = Complex64::cis(self.angle(time_s));
        (1.0 + self.mesh.value(&self.gain, time_s)) * self.waveform(turn)
    }

    /// Σ Re cₖ·zᵏ.
    #[inline(always)]
    fn waveform(&self, turn: Complex64) -> f64 {
        let (mut power, mut at, mut sum) = (Complex64::new(1.0, 0.0), 0, 0.0);
        for (&order, c) in self.orders.iter().zip(&self.amplitudes) {
            while at < order {
                power *= turn;
                at += 1;
            }
            sum += c.re * power.re - c.im * power.im;
        }
        sum
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
            .samples
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let t = record.time_s(i);
                x - self.slow_at(t) - self.series_at(t) - self.tones_at(t)
            })
            .collect()
    }

    /// Moves a constant of the phase into the amplitudes, so that φ is zero at the middle coefficient; likewise of the
    /// gain.
    pub(super) fn settle_gauge(&mut self) {
        let middle = self.mesh.middle();
        let (phase, gain) = (self.phase[middle], self.gain[middle]);
        for value in &mut self.phase {
            *value -= phase;
        }
        let scale = 1.0 + gain;
        if scale > 0.05 {
            for value in &mut self.gain {
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
