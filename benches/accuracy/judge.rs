//! One measurement against its record's truth.

use crate::recipe::{Trial, Truth};
use humsieve::capture::MemorySource;
use humsieve::{Capture, Error, Estimate, MeasureOptions, Measurement, WarningCode, measure};
use std::time::Instant;

pub const FIGURES: [&str; 6] = [
    "frequency",
    "hum",
    "order 1",
    "phase 1",
    "offset",
    "noise in band",
];
const FREQUENCY: usize = 0;
const PHASE: usize = 3;

/// One figure.
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    pub truth: f64,
    pub estimate: Estimate,
    pub held: bool,
    /// Half-width and error over those of the bound; NaN where there is none.
    pub width: f64,
    pub error: f64,
    /// The truth lies outside by three half-widths and the value is off by 10 % of it.
    pub wild: bool,
}

pub struct Outcome {
    pub rate_hz: f64,
    pub samples: usize,
    pub detected: bool,
    /// `None` without hum.
    pub nominal_right: Option<bool>,
    pub figures: [Option<Reading>; 6],
    /// Codes of the warnings but `mains_not_detected`.
    pub warnings: Vec<WarningCode>,
    pub false_tones: Vec<f64>,
    pub time_ms: f64,
}

impl Outcome {
    pub fn wild(&self) -> bool {
        self.figures.iter().flatten().any(|f| f.wild)
    }

    /// Whether something is worth looking at.
    pub fn fails(&self) -> bool {
        self.nominal_right == Some(false) && self.detected
            || self.detected != self.nominal_right.is_some()
            || self.figures.iter().flatten().any(|f| !f.held)
            || !self.false_tones.is_empty()
    }
}

/// Measures and judges.
pub fn judged(trial: &Trial) -> Result<Outcome, Error> {
    let capture = Capture::from_samples("trial", trial.rate_hz, &trial.samples)?;
    let mut options = MeasureOptions::default();
    if let Some(highest) = trial.harmonics {
        options.harmonics = highest;
    }
    let start = Instant::now();
    let measured = measure(&mut MemorySource::new(&capture), &options)?.remove(0);
    let time_ms = start.elapsed().as_secs_f64() * 1e3;
    let truth = &trial.truth;
    Ok(Outcome {
        rate_hz: trial.rate_hz,
        samples: trial.samples.len(),
        detected: measured.mains.detected,
        nominal_right: truth.nominal_hz.map(|hz| hz == measured.mains.nominal_hz),
        figures: figures(trial, &measured),
        warnings: measured
            .quality
            .warnings
            .iter()
            .filter(|w| w.code != WarningCode::MainsNotDetected)
            .map(|w| w.code)
            .collect(),
        false_tones: false_tones(truth, &measured, trial.bound.duration_s),
        time_ms,
    })
}

fn figures(trial: &Trial, measured: &Measurement) -> [Option<Reading>; 6] {
    let (truth, bound) = (&trial.truth, &trial.bound);
    let first = measured.mains.harmonics.iter().find(|h| h.order == 1);
    let figures = &bound.figures;
    let band = measured.noise.band_hz;
    let read = |estimate: Option<Estimate>, truth: Option<f64>, bound: f64, figure: usize| {
        Some(reading(estimate?, truth?, bound, figure))
    };
    let noise = truth.noise.as_ref();
    [
        read(
            measured.mains.frequency_hz,
            truth.frequency_hz,
            figures[0],
            0,
        ),
        read(measured.mains.hum_rms, Some(truth.hum_rms), figures[1], 1),
        read(first.map(|h| h.rms), Some(truth.first_rms), figures[2], 2),
        read(
            first.and_then(|h| h.phase_deg),
            truth.phase_deg,
            figures[3],
            PHASE,
        ),
        read(Some(measured.dc_offset), Some(truth.offset), figures[4], 4),
        read(
            Some(measured.noise.rms),
            noise.map(|n| n.power_between(band.0, band.1).sqrt()),
            noise.map_or(f64::NAN, |n| bound.noise(n, band)),
            5,
        ),
    ]
}

fn reading(estimate: Estimate, truth: f64, bound: f64, figure: usize) -> Reading {
    let whole_turn = figure == PHASE;
    // A phase is compared on the turn that lies nearest.
    let truth = if whole_turn {
        truth + 360.0 * ((estimate.value - truth) / 360.0).round()
    } else {
        truth
    };
    let error = (estimate.value - truth).abs();
    let half = (estimate.high - estimate.low) / 2.0;
    let held = estimate.contains(truth) || (whole_turn && half >= 180.0);
    let off = match figure {
        FREQUENCY => error > 0.010,
        PHASE => error > 0.1f64.to_degrees(),
        _ => error > 0.1 * truth.abs(),
    };
    Reading {
        truth,
        estimate,
        held,
        width: half / (1.959_964 * bound),
        error: error / bound,
        // An interval of no width at all still has the rounding of its sums.
        wild: !held && off && error > 3.0 * half,
    }
}

/// Tones that are no line of the record.
fn false_tones(truth: &Truth, measured: &Measurement, duration_s: f64) -> Vec<f64> {
    if !truth.lines_known {
        return Vec::new();
    }
    let known = |hz: f64, reach: f64| {
        truth.lines.iter().any(|line| (line - hz).abs() < reach)
            || truth.series.iter().any(|fundamental| {
                let order = (hz / fundamental).round().max(1.0);
                (hz - order * fundamental).abs() < reach
            })
    };
    measured
        .tones
        .iter()
        .filter(|tone| {
            let half = (tone.frequency_hz.high - tone.frequency_hz.low) / 2.0;
            !known(tone.frequency_hz.value, (3.0 * half).max(1.5 / duration_s))
        })
        .map(|tone| tone.frequency_hz.value)
        .collect()
}
