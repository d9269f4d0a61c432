//! A chapter fitted from what the chapter before it showed: the same mains, without a new search.

use super::course::Course;
use super::fitted::{Excess, Fit};
use super::lines::{Window, follow_lines};
use super::low_rate::LowRate;
use super::model::HumModel;
use super::settings::{ENOUGH_HZ, FitSettings};
use super::tracked::{Fitter, Manner, find_break, mesh, update_amplitudes, update_phase};
use crate::numeric::vectorised;
use crate::stats::median;
use rustfft::num_complex::Complex64;
use std::borrow::Cow;
use std::f64::consts::PI;

/// Time in which the phase is taken for steady at first, s; shorter and longer ones are tried in turn.
const GLANCES_S: [f64; 2] = [0.08, 0.32];
/// Power of an order's amplitude over its noise within a glance, so that its phase can be followed.
const PLAIN: f64 = 100.0;
/// Cycles of an interval.
const INTERVAL_CYCLES: f64 = 2.0;
/// Rounds in which the track settles at most, and the shift of the highest order, cycles, at which it has: two
/// more rounds follow.
const ROUNDS: usize = 6;
const NEAR: f64 = 0.02;
/// Change of frequency within a second beyond which a generator was switched rather than drifting, Hz.
const FARTHEST_HZ: f64 = 0.06;
/// Factor by which the noise beside the orders may have grown since the chapter before.
const NOISIER: f64 = 2.0;

/// What a chapter hands on to those after it.
#[derive(Debug, Clone)]
pub(crate) struct Lead {
    pub(crate) nominal_hz: f64,
    pub(crate) frequency_hz: f64,
    pub(crate) orders: Vec<usize>,
    /// Squared amplitude and noise of each order.
    powers: Vec<f64>,
    noise: Vec<f64>,
    /// Narrow lines beside the hum, cycles per sample.
    lines: Vec<f64>,
}

impl Lead {
    /// What a fit at the record's own rate hands on; `None` where there was no hum.
    pub(crate) fn new(fitted: &Fit, rate_hz: f64, nominal_hz: f64) -> Option<Self> {
        let model = &fitted.model;
        let last = model.constants.last().filter(|c| !c.is_empty())?;
        let end = model.intervals();
        let from = end - end.min((end / 8).max(4));
        let samples = model.edges[end] - model.edges[from];
        let frequency_hz = (model.phase[end] - model.phase[from]) * rate_hz / samples as f64;
        Some(Self {
            nominal_hz,
            frequency_hz,
            orders: model.orders.clone(),
            powers: last.iter().map(Complex64::norm_sqr).collect(),
            noise: fitted.noise.clone(),
            lines: fitted.lines.clone(),
        })
    }

    /// The same with those of its orders that are among `lasting`.
    pub(crate) fn with_orders(mut self, lasting: &[usize]) -> Option<Self> {
        let kept: Vec<usize> = (0..self.orders.len())
            .filter(|o| lasting.contains(&self.orders[*o]))
            .collect();
        self.powers = kept.iter().map(|o| self.powers[*o]).collect();
        self.noise = kept.iter().map(|o| self.noise[*o]).collect();
        self.orders = kept.iter().map(|o| self.orders[*o]).collect();
        (!kept.is_empty()).then_some(self)
    }

    /// The lowest order whose phase is plain within `samples`.
    fn plainest(&self, samples: f64) -> Option<usize> {
        (0..self.orders.len())
            .filter(|o| self.powers[*o] * samples > PLAIN * self.noise[*o])
            .map(|o| self.orders[o])
            .min()
    }
}

/// Fits `orders` to a chapter (of this `mean`) that goes on as `lead` says: phase and amplitudes anew, on a copy of no
/// higher rate than the orders need. `None` where the chapter is not of that kind.
pub(crate) fn go_on(
    samples: &[f64],
    mean: f64,
    lead: &Lead,
    orders: &[usize],
    settings: &FitSettings,
) -> Option<Fit> {
    let highest = orders.iter().copied().max()?;
    let needed = 4.0 * 1.02 * highest as f64 * lead.frequency_hz;
    let base = (settings.rate_hz / ENOUGH_HZ) as usize;
    let factor = [4 * base, 2 * base, base, 2]
        .into_iter()
        .find(|f| *f >= 2 && settings.rate_hz / *f as f64 >= needed)
        .unwrap_or(1);
    let low_rate = (factor > 1).then(|| LowRate::new(factor));
    let mut low = low_rate
        .as_ref()
        .map_or_else(|| samples.to_vec(), |lower| lower.apply(samples));
    low.iter_mut().for_each(|v| *v -= mean);
    let low_settings = FitSettings {
        rate_hz: settings.rate_hz / factor as f64,
        highest_order: highest,
        protect_hz: settings.protect_hz.clone(),
    };
    let images = images(&lead.lines, low_rate.as_ref(), factor as f64);
    let near: Vec<f64> = images.iter().map(|image| image.frequency).collect();
    let mut fitted = fit_steady(&low, factor, lead, orders, &near, &low_settings)?;
    let mut lines = lead.lines.clone();
    for (image, now) in images.iter().zip(&fitted.lines) {
        lines[image.index] += image.sign * (now - image.frequency) / factor as f64;
    }
    fitted.lines = lines;
    if let Some(lower) = &low_rate {
        let place = (factor, lower.first_centre());
        fitted.lay_on(place, samples.len(), |nu| lower.gain(nu));
    }
    let mut growth: Vec<f64> = fitted
        .model
        .orders
        .iter()
        .zip(&fitted.noise)
        .filter_map(|(k, noise)| {
            let o = lead.orders.iter().position(|order| order == k)?;
            Some(noise / lead.noise[o].max(1e-300))
        })
        .collect();
    (median(&mut growth) < NOISIER).then_some(fitted)
}

/// A line in a low-rate copy, cycles per sample of it, and which of the record's lines it is.
struct Image {
    index: usize,
    frequency: f64,
    /// Direction in which it moves with the line.
    sign: f64,
}

/// Where lines stand in the copy; without those that it does not carry.
fn images(lines: &[f64], lower: Option<&LowRate>, factor: f64) -> Vec<Image> {
    /// Gain of the copy below which a line is gone.
    const GONE: f64 = 1e-3;
    lines
        .iter()
        .enumerate()
        .filter(|(_, nu)| lower.is_none_or(|lower| lower.gain(**nu).abs() > GONE))
        .map(|(index, nu)| {
            let folded = nu * factor - (nu * factor).round();
            Image {
                index,
                frequency: folded.abs(),
                sign: folded.signum(),
            }
        })
        .collect()
}

fn fit_steady(
    x: &[f64],
    factor: usize,
    lead: &Lead,
    orders: &[usize],
    lines: &[f64],
    settings: &FitSettings,
) -> Option<Fit> {
    let course = Course::steady(lead.nominal_hz, lead.frequency_hz);
    let mut model = mesh(x.len(), &course, settings.rate_hz, INTERVAL_CYCLES);
    if model.intervals() < 16 {
        return None;
    }
    take_up(&mut model, x, factor, lead, settings)?;
    let mut fitter = Fitter::new(x, None, &model, settings.rate_hz);
    let barred = settings.barred_of(&model, 0.0);
    model.set_orders(
        orders
            .iter()
            .copied()
            .filter(|k| !barred.contains(k))
            .collect(),
    );
    let highest = model.orders.iter().copied().max()? as f64;
    fitter.set_manner(Manner {
        quick: true,
        wary: true,
    });
    let window = (!lines.is_empty()).then(|| Window::new(x.len(), None));
    if let Some(window) = &window {
        let mut without = x.to_vec();
        follow_lines(&mut without, window, lines);
        fitter.x = Cow::Owned(without);
    }
    let mut found = lines.to_vec();
    let mut shift = 0.02;
    for _ in 0..ROUNDS {
        shift = fitter.follow(&mut model, shift);
        if shift * highest < NEAR {
            break;
        }
    }
    if let Some(window) = &window {
        let mut rest = vec![0.0; x.len()];
        model.residual(x, &mut rest);
        let mut without = x.to_vec();
        for (line, frequency) in follow_lines(&mut rest, window, lines)
            .iter()
            .zip(&mut found)
        {
            line.put(&mut without, -1.0);
            *frequency = line.frequency;
        }
        fitter.x = Cow::Owned(without);
    }
    fitter.down_weight(&model);
    if leaves_out(fitter.weights.as_deref(), &model) {
        return None;
    }
    shift = fitter.follow(&mut model, shift);
    let mut sums = fitter.sums(&model);
    let jumps = fastest(&model) * settings.rate_hz > FARTHEST_HZ;
    if jumps || find_break(&model, &sums, &fitter.smoothing, (&fitter.x, None)).is_some() {
        return None;
    }
    let step = update_phase(&mut model, &mut sums, &fitter.smoothing, shift);
    let spent = update_amplitudes(&mut model, &sums, &fitter.smoothing);
    Some(Fit {
        model,
        noise: sums.noise,
        pairs: sums.pairs,
        usual: sums.usual,
        spent,
        track_parameters: step.parameters,
        lines: found,
        excess: Excess::default(),
        others: Vec::new(),
    })
}

/// Whether a third of a second lost half its weight: a signal passes by that is not there in the rest of the chapter, and
/// nothing would tell the phase.
fn leaves_out(weights: Option<&[f32]>, model: &HumModel) -> bool {
    const STRETCH: usize = 8;
    let Some(weights) = weights else {
        return false;
    };
    let bounds: Vec<usize> = model.edges.iter().copied().step_by(STRETCH).collect();
    bounds.windows(2).any(|ends| {
        let stretch = &weights[ends[0]..ends[1]];
        2.0 * stretch.iter().sum::<f32>() < stretch.len() as f32
    })
}

/// Largest change of frequency between neighbouring half seconds, cycles per sample.
fn fastest(model: &HumModel) -> f64 {
    let stretch = (model.intervals() / 22).max(1);
    let frequency = |from: usize| {
        let to = from + stretch;
        (model.phase[to] - model.phase[from]) / (model.edges[to] - model.edges[from]) as f64
    };
    (0..(model.intervals() + 1).saturating_sub(2 * stretch))
        .map(|from| (frequency(from + stretch) - frequency(from)).abs())
        .fold(0.0, f64::max)
}

/// Bends a straight track to the phase of the lowest plain order. A constant turn, and whole turns of
/// that order, are the amplitudes' business.
fn take_up(
    model: &mut HumModel,
    x: &[f64],
    factor: usize,
    lead: &Lead,
    settings: &FitSettings,
) -> Option<()> {
    let (order, glance) = GLANCES_S.iter().find_map(|seconds| {
        let samples = seconds * settings.rate_hz;
        let order = lead.plainest(samples * factor as f64)?;
        let cycles = (seconds * lead.frequency_hz).round().max(1.0);
        Some((order as f64, cycles * settings.rate_hz / lead.frequency_hz))
    })?;
    let turn = -2.0 * PI * order * lead.frequency_hz / settings.rate_hz;
    let count = (x.len() as f64 / glance) as usize;
    let mut shifts = Vec::with_capacity(count);
    let mut last = 0.0;
    for g in 0..count {
        let (from, to) = (
            (g as f64 * glance) as usize,
            ((g + 1) as f64 * glance) as usize,
        );
        let phasor =
            demodulate(&x[from..to], turn) * Complex64::from_polar(1.0, turn * from as f64);
        let phase = phasor.arg() / (2.0 * PI);
        let near = phase + (last - phase).round();
        shifts.push(near / order);
        last = near;
    }
    if shifts.len() < 4 {
        return None;
    }
    for (edge, phase) in model.edges.iter().zip(&mut model.phase) {
        let at = (*edge as f64 / glance - 0.5).clamp(0.0, (count - 1) as f64);
        let low = (at as usize).min(count - 2);
        let share = at - low as f64;
        *phase = lead.frequency_hz / settings.rate_hz * *edge as f64
            + shifts[low] * (1.0 - share)
            + shifts[low + 1] * share;
    }
    Some(())
}

/// Σ xₙ exp(j·turn·n), in lanes that the compiler can keep in vector registers.
fn demodulate(x: &[f64], turn: f64) -> Complex64 {
    const LANES: usize = 8;
    let step = Complex64::from_polar(1.0, turn * LANES as f64);
    let first: [Complex64; LANES] =
        std::array::from_fn(|i| Complex64::from_polar(1.0, turn * i as f64));
    let (mut re, mut im) = (first.map(|z| z.re), first.map(|z| z.im));
    let mut sums = [[0.0; LANES]; 2];
    vectorised(
        #[inline(always)]
        || {
            let (chunks, rest) = x.as_chunks::<LANES>();
            for values in chunks {
                for lane in 0..LANES {
                    sums[0][lane] += re[lane] * values[lane];
                    sums[1][lane] += im[lane] * values[lane];
                    let turned = re[lane] * step.re - im[lane] * step.im;
                    im[lane] = re[lane] * step.im + im[lane] * step.re;
                    re[lane] = turned;
                }
            }
            for (lane, value) in rest.iter().enumerate() {
                sums[0][lane] += re[lane] * value;
                sums[1][lane] += im[lane] * value;
            }
        },
    );
    let [re, im] = sums.map(|lanes| lanes.iter().sum());
    Complex64::new(re, im)
}
