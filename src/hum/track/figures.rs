//! Figures read off the tracks, averaged over how loose these may be.

use super::fit::Fit;
use super::model::{GAIN, PHASE, TRACKS};
use super::solve::solve;
use crate::numeric::plain_dot;
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// What is known of one order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OrderFigures {
    pub(crate) order: usize,
    /// Mean square over the record beside its noise.
    pub(crate) power: LinePower,
    /// Re(c·exp(j·k·(θ(t) − θ(0)))) at the first sample: peak amplitude and phase of a cosine there.
    pub(crate) amplitude: Complex64,
    /// Variance of that phase, rad².
    pub(crate) phase_variance: f64,
}

/// Share of the weight below which a looseness is left out.
const NEGLIGIBLE: f64 = 2e-3;

/// A linear figure: its value at the model and its gradient.
struct Reading {
    value: f64,
    gradient: Vec<f64>,
}

/// Mean frequency, Hz, with its variance, and the orders.
pub(super) fn figures(fit: &Fit) -> Option<((f64, f64), Vec<OrderFigures>)> {
    let mut readings = vec![mean_frequency(fit), start_beside_mean(fit)];
    for o in 0..fit.model.orders.len() {
        readings.push(start_phase(fit, o));
        readings.push(order_power(fit, o));
    }
    let found = averaged(fit, &readings)?;
    let (frequency, lag) = (found[0], found[1]);
    let (energy, mean_gain) = (energy(fit), fit.model.mean_square_gain());
    let variance = |order: usize| 2.0 * fit.noise.orders[order - 1].variance / energy;
    let mut orders: Vec<OrderFigures> = Vec::new();
    let mut add = |(order, c): (usize, Complex64), phase: (f64, f64), power: (f64, f64)| {
        let dof = fit.noise.orders[order - 1].dof;
        let mut power = line_power(power.0, variance(order) * mean_gain, power.1, dof);
        let gain = fit.record.gain(order as f64 * frequency.0);
        power.observed_v2 /= gain * gain;
        power.noise_v2 /= gain * gain;
        orders.push(OrderFigures {
            order,
            power,
            amplitude: Complex64::from_polar(fit.model.gain(0.0) * c.norm(), phase.0) / gain,
            phase_variance: phase.1,
        });
    };
    for (line, own) in fit.model.lines().zip(found[2..].as_chunks::<2>().0) {
        add(line, own[0], own[1]);
    }
    // Those that ride on the tracks without telling of them.
    for &(order, c) in &fit.others {
        let (k, square) = (order as f64, c.norm_sqr());
        let phase = (
            c.arg() + k * fit.model.angle(0.0),
            variance(order) / square.max(f64::MIN_POSITIVE) + k * k * lag.1,
        );
        add((order, c), phase, (0.5 * square * mean_gain, 0.0));
    }
    orders.sort_by_key(|o| o.order);
    Some((frequency, orders))
}

/// Trusted sum of (1 + μ)².
fn energy(fit: &Fit) -> f64 {
    let trusted: f64 = fit.record.trust.iter().sum();
    (trusted * fit.model.mean_square_gain()).max(1.0)
}

fn blank(fit: &Fit) -> Vec<f64> {
    vec![0.0; fit.normal.score.len()]
}

fn add_row(gradient: &mut [f64], track: usize, row: &[f64], factor: f64) {
    for (i, value) in row.iter().enumerate() {
        gradient[TRACKS * i + track] += factor * value;
    }
}

fn mean_frequency(fit: &Fit) -> Reading {
    let (mesh, duration) = (fit.model.mesh, fit.record.duration_s);
    let mut gradient = blank(fit);
    let scale = 1.0 / (TAU * duration);
    add_row(&mut gradient, PHASE, &mesh.row(duration), scale);
    add_row(&mut gradient, PHASE, &mesh.row(0.0), -scale);
    Reading {
        value: fit.model.mean_frequency_hz(duration),
        gradient,
    }
}

/// Phase of the track at the first sample less its mean: what a fitted order's phase there hangs on.
fn start_beside_mean(fit: &Fit) -> Reading {
    let mesh = fit.model.mesh;
    let mut gradient = blank(fit);
    add_row(&mut gradient, PHASE, &mesh.row(0.0), 1.0);
    add_row(&mut gradient, PHASE, &mesh.means(), -1.0);
    Reading {
        value: 0.0,
        gradient,
    }
}

fn start_phase(fit: &Fit, guide: usize) -> Reading {
    let (order, c) = (fit.model.orders[guide], fit.model.amplitudes[guide]);
    let mut gradient = blank(fit);
    add_row(&mut gradient, PHASE, &fit.model.mesh.row(0.0), order as f64);
    let at = TRACKS * fit.model.mesh.coefficients() + 2 * guide;
    let square = c.norm_sqr().max(f64::MIN_POSITIVE);
    gradient[at] = -c.im / square;
    gradient[at + 1] = c.re / square;
    Reading {
        value: c.arg() + order as f64 * fit.model.angle(0.0),
        gradient,
    }
}

/// Gradient of the mean of (1 + μ)² over the gain's coefficients.
fn gain_gradient(fit: &Fit) -> Vec<f64> {
    let mesh = fit.model.mesh;
    let mut row = vec![0.0; mesh.coefficients()];
    let count = mesh.quadrature().count() as f64;
    for t in mesh.quadrature() {
        let gain = fit.model.gain(t);
        let (i, basis) = mesh.place(t);
        for (value, b) in row[i..i + 4].iter_mut().zip(basis) {
            *value += 2.0 * gain * b / count;
        }
    }
    row
}

fn order_power(fit: &Fit, guide: usize) -> Reading {
    let c = fit.model.amplitudes[guide];
    let gain = fit.model.mean_square_gain();
    let mut gradient = blank(fit);
    add_row(&mut gradient, GAIN, &gain_gradient(fit), 0.5 * c.norm_sqr());
    let at = TRACKS * fit.model.mesh.coefficients() + 2 * guide;
    gradient[at] = c.re * gain;
    gradient[at + 1] = c.im * gain;
    Reading {
        value: 0.5 * c.norm_sqr() * gain,
        gradient,
    }
}

/// Value and variance of every reading, averaged over the looseness that count.
fn averaged(fit: &Fit, readings: &[Reading]) -> Option<Vec<(f64, f64)>> {
    let candidates = &fit.weighed.candidates;
    let top = candidates.first()?.log_weight;
    let total: f64 = candidates.iter().map(|c| (c.log_weight - top).exp()).sum();
    let mut sums = vec![(0.0, 0.0, 0.0); readings.len()];
    let mut weights = 0.0;
    for candidate in candidates {
        let weight = (candidate.log_weight - top).exp() / total;
        if weight < NEGLIGIBLE {
            continue;
        }
        let Some(solved) = solve(&fit.normal, &fit.model, &candidate.looseness, &[]) else {
            continue;
        };
        weights += weight;
        for (sum, reading) in sums.iter_mut().zip(readings) {
            let moved: f64 = plain_dot(&reading.gradient, &solved.change);
            let mut row = pinned(fit, &reading.gradient);
            solved.factored.solve(&mut row);
            sum.0 += weight * moved;
            sum.1 += weight * moved * moved;
            sum.2 += weight * plain_dot(&reading.gradient, &row);
        }
    }
    if !(weights > 0.0) {
        return None;
    }
    Some(
        sums.iter()
            .zip(readings)
            .map(|(sum, reading)| {
                let mean = sum.0 / weights;
                let spread = (sum.1 / weights - mean * mean).max(0.0);
                (reading.value + mean, (sum.2 / weights).max(0.0) + spread)
            })
            .collect(),
    )
}

/// A gradient with nothing where the tracks are held.
fn pinned(fit: &Fit, gradient: &[f64]) -> Vec<f64> {
    let mut row = gradient.to_vec();
    for track in [PHASE, GAIN] {
        row[TRACKS * fit.model.mesh.middle() + track] = 0.0;
    }
    row
}

/// A power with its noise part as noncentral chi-square of two components whose variance is at least what the noise
/// beside the line makes of it.
fn line_power(observed: f64, noise: f64, variance: f64, dof: f64) -> LinePower {
    let signal = (observed - noise).max(0.0);
    let own = noise * (noise + 2.0 * signal);
    let scale = if variance > own {
        // s(s + 2·signal) is the variance of a line of noise s.
        (signal * signal + variance).sqrt() - signal
    } else {
        noise
    };
    LinePower::new(observed - noise + scale, scale, 2.0, dof)
}
