//! Measurements made of drawn figures, for tests of the comparison's own statistics.

use humsieve::analysis::{LinePower, MeasureOptions, Quality, Waveform, measure};
use humsieve::capture::Acquisition;
use humsieve::stats::{Estimate, chi_square_scale_interval, line_rms};
use humsieve::{Capture, Measurement, MemorySource};
use std::sync::OnceLock;

/// Figures of one capture, from which a [`Measurement`] is put together.
pub struct Simulated {
    pub dc_offset: Estimate,
    pub harmonics: Vec<LinePower>,
    pub noise_rms: f64,
    pub noise_dof: f64,
    pub ac_rms: f64,
    pub peak_to_peak: f64,
}

const CONFIDENCE: f64 = 0.95;

/// A second of 50 Hz at 10 kHz, whose figures are replaced.
fn template() -> &'static Measurement {
    static TEMPLATE: OnceLock<Measurement> = OnceLock::new();
    TEMPLATE.get_or_init(|| {
        let samples: Vec<f64> = (0..10_000)
            .map(|n| f64::from(n) / 1e4)
            .map(|t| (std::f64::consts::TAU * 50.0 * t).cos() + 1e-3 * (1e6 * t * t).sin())
            .collect();
        let capture = Capture::from_samples("drawn", 1e4, &samples).unwrap();
        let options = MeasureOptions::default()
            .harmonics(1)
            .confidence(CONFIDENCE);
        let measured = measure(&mut MemorySource::new(&capture), &options).unwrap();
        measured.into_iter().next().unwrap()
    })
}

impl Simulated {
    /// The measurement that has these figures and no others.
    pub fn measurement(self) -> Measurement {
        let rms = |p: &LinePower| {
            line_rms(
                p.observed_v2,
                p.noise_v2,
                p.components,
                p.noise_dof,
                CONFIDENCE,
            )
        };
        let total = self
            .harmonics
            .iter()
            .fold(LinePower::default(), |sum, line| {
                LinePower::new(
                    sum.observed_v2 + line.observed_v2,
                    sum.noise_v2 + line.noise_v2,
                    sum.components + line.components,
                    sum.noise_dof + line.noise_dof,
                )
            });
        let mut m = template().clone();
        m.dc_offset = self.dc_offset;
        m.mains.nominal_hz = 50.0;
        m.mains.detected = true;
        m.mains.frequency_hz = None;
        m.mains.hum_rms = Some(rms(&total));
        m.mains.thd_percent = None;
        m.mains.power = total;
        let mut line = m.mains.harmonics[0].clone();
        line.phase_deg = None;
        line.detected = true;
        m.mains.harmonics = (1..)
            .zip(&self.harmonics)
            .map(|(order, power)| {
                line.order = order;
                line.rms = rms(power);
                line.power = *power;
                line.clone()
            })
            .collect();
        let noise = chi_square_scale_interval(self.noise_rms, self.noise_dof, CONFIDENCE);
        m.noise.band_hz = (1.0, 5e3);
        m.noise.rms = noise;
        m.noise.density_v_per_rthz = noise;
        m.noise.corner_hz = None;
        m.noise.third_octaves = Vec::new();
        m.tones = Vec::new();
        m.waveform = Waveform::default();
        m.waveform.ac_rms = self.ac_rms;
        m.waveform.peak_to_peak = self.peak_to_peak;
        m.quality = Quality::default();
        m.evidence = Vec::new();
        m.other_mains = None;
        m.acquisition = Acquisition::default();
        m
    }
}
