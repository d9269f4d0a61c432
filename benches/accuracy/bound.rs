//! What no unbiased estimator can beat on a plain record: the yardstick of widths and scatter.

use crate::series::Series;
use crate::synthesis::Noise;
use std::f64::consts::{PI, TAU};

/// Cycles below which the lines are no longer apart and the whole Fisher matrix is taken.
const FEW_CYCLES: f64 = 8.0;
/// RMS of the drawn fundamentals about nominal (even within 0.2 Hz), which bounds the frequency of a short record.
const DRAWN_HZ: f64 = 0.2 / 1.732;

/// Standard deviations of frequency, hum, fundamental, phase at the first sample (degrees) and offset, with
/// constant frequency and amplitudes and the noise's density at each line. NaN: no such figure.
///
/// Source: Rife & Boorstyn 1974; Kay 1993, ex. 3.14, in density form.
#[derive(Debug, Clone, Copy)]
pub struct Bound {
    pub figures: [f64; 5],
    pub duration_s: f64,
}

impl Bound {
    pub fn new(series: Option<&Series>, level: f64, noise: &Noise, count: usize) -> Self {
        let duration = count as f64 / noise.rate_hz;
        // The density at 0 Hz as far as the record resolves it.
        let offset = (noise.density(0.1 / duration) / (2.0 * duration)).sqrt();
        let figures = match series {
            None => [f64::NAN, f64::NAN, f64::NAN, f64::NAN, offset],
            Some(series) if duration * series.fundamental_hz < FEW_CYCLES => {
                whole(series, level, noise, count)
            }
            Some(series) => apart(series, level, noise, duration, offset),
        };
        Self {
            figures,
            duration_s: duration,
        }
    }

    /// Standard deviation of the noise's RMS in a band: chi-square of what the band holds.
    pub fn noise(&self, noise: &Noise, band_hz: (f64, f64)) -> f64 {
        let power = noise.power_between(band_hz.0, band_hz.1);
        let scatter =
            (noise.squared_density_between(band_hz.0, band_hz.1) / self.duration_s).sqrt();
        scatter / (2.0 * power.sqrt())
    }
}

/// Amplitude, order and density of each line.
fn lines(series: &Series, level: f64, noise: &Noise) -> Vec<(f64, f64, f64)> {
    let all = series.orders.iter().enumerate();
    all.map(|(i, order)| {
        let k = (i + 1) as f64;
        (k, order.0 * level, noise.density(k * series.fundamental_hz))
    })
    .collect()
}

fn apart(series: &Series, level: f64, noise: &Noise, duration: f64, offset: f64) -> [f64; 5] {
    let lines = lines(series, level, noise);
    let information: f64 = lines.iter().map(|(k, a, s)| k * k * a * a / s).sum();
    let frequency = (3.0 / (PI * PI * information * duration.powi(3))).sqrt();
    let power: f64 = lines.iter().map(|(_, a, _)| a * a / 2.0).sum();
    let hum: f64 = lines.iter().map(|(_, a, s)| a * a / 2.0 * s).sum();
    let (_, a, s) = lines[0];
    let middle = s / (a * a * duration);
    let start = (PI * duration * frequency).powi(2);
    [
        frequency,
        (hum / (2.0 * duration) / power).sqrt(),
        (s / (2.0 * duration)).sqrt(),
        (middle + start).sqrt().to_degrees(),
        offset,
    ]
}

/// By the whole Fisher matrix, in noise that is flat about each line.
fn whole(series: &Series, level: f64, noise: &Noise, count: usize) -> [f64; 5] {
    let lines = lines(series, level, noise);
    let size = 2 + 2 * lines.len();
    let mut fisher = vec![vec![0.0; size]; size];
    let density = |s: f64| (s * noise.rate_hz / 2.0).sqrt();
    let at_zero = density(noise.density(1e-3));
    let mut row = vec![0.0; size];
    for n in 0..count {
        let time = n as f64 / noise.rate_hz;
        row[0] = 1.0 / at_zero;
        row[1] = 0.0;
        for (i, &(k, a, s)) in lines.iter().enumerate() {
            let phase = TAU * k * series.fundamental_hz * time + series.orders[i].1;
            let (sine, cosine) = phase.sin_cos();
            row[2 + 2 * i] = cosine / density(s);
            row[3 + 2 * i] = -a * sine / density(s);
            row[1] -= a * sine * TAU * k * time / density(s);
        }
        for i in 0..size {
            for j in 0..=i {
                fisher[i][j] += row[i] * row[j];
            }
        }
    }
    fisher[1][1] += DRAWN_HZ.powi(-2);
    let Some(factor) = cholesky(fisher) else {
        return [f64::NAN; 5];
    };
    let power: f64 = lines.iter().map(|l| l.1 * l.1 / 2.0).sum();
    let mut gradient = vec![0.0; size];
    for (i, line) in lines.iter().enumerate() {
        gradient[2 + 2 * i] = line.1 / 2.0 / power.sqrt();
    }
    let unit = |place: usize| {
        let mut one = vec![0.0; size];
        one[place] = 1.0;
        deviation(&factor, one)
    };
    [
        unit(1),
        deviation(&factor, gradient),
        unit(2) / 2f64.sqrt(),
        unit(3).to_degrees(),
        unit(0),
    ]
}

fn cholesky(mut m: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    for i in 0..m.len() {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| m[i][k] * m[j][k]).sum();
            let rest = m[i][j] - sum;
            if i == j {
                m[i][i] = (rest > 0.0).then(|| rest.sqrt())?;
            } else {
                m[i][j] = rest / m[j][j];
            }
        }
    }
    Some(m)
}

/// Root of g' F^-1 g.
fn deviation(factor: &[Vec<f64>], mut g: Vec<f64>) -> f64 {
    for i in 0..g.len() {
        let sum: f64 = (0..i).map(|k| factor[i][k] * g[k]).sum();
        g[i] = (g[i] - sum) / factor[i][i];
    }
    g.iter().map(|x| x * x).sum::<f64>().sqrt()
}
