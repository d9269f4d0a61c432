//! Measurements made of drawn figures, for tests of the comparison's own statistics.

use crate::analysis::{Harmonic, LinePower, Mains, Measurement, Noise, Quality, Waveform};
use crate::capture::Acquisition;
use crate::stats::{Estimate, chi_square_scale_interval, line_rms};

/// Figures of one capture, from which a [`Measurement`] is put together.
#[doc(hidden)]
#[derive(Debug, Clone)]
pub struct Simulated {
    pub file: String,
    pub confidence: f64,
    pub dc_offset: Estimate,
    pub harmonics: Vec<LinePower>,
    pub noise_rms: f64,
    pub noise_dof: f64,
    pub ac_rms: f64,
    pub peak_to_peak: f64,
    pub acquisition: Acquisition,
}

impl Simulated {
    /// The measurement that has these figures.
    #[must_use]
    pub fn measurement(self) -> Measurement {
        let rms = |p: &LinePower| {
            line_rms(
                p.observed_v2,
                p.noise_v2,
                p.components,
                p.noise_dof,
                self.confidence,
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
        let noise = chi_square_scale_interval(self.noise_rms, self.noise_dof, self.confidence);
        let harmonics = self.harmonics.iter().enumerate();
        Measurement {
            file: self.file,
            channel: "1".into(),
            unit: "V".into(),
            sample_rate_hz: 1e4,
            samples: 10_000,
            duration_s: 1.0,
            start_s: None,
            confidence: self.confidence,
            dc_offset: self.dc_offset,
            mains: Mains {
                nominal_hz: 50.0,
                detected: true,
                frequency_hz: None,
                hum_rms: Some(rms(&total)),
                thd_percent: None,
                harmonics: harmonics
                    .map(|(index, power)| Harmonic {
                        order: index + 1,
                        rms: rms(power),
                        phase_deg: None,
                        detected: true,
                        power: *power,
                    })
                    .collect(),
                power: total,
            },
            noise: Noise {
                band_hz: (1.0, 5e3),
                rms: noise,
                density_v_per_rthz: noise,
                corner_hz: None,
                third_octaves: Vec::new(),
            },
            tones: Vec::new(),
            waveform: Waveform {
                ac_rms: self.ac_rms,
                peak_to_peak: self.peak_to_peak,
                ..Waveform::default()
            },
            quality: Quality::default(),
            evidence: Vec::new(),
            harmonic_groups: None,
            other_mains: None,
            acquisition: self.acquisition,
            spectrum: None,
            folded: None,
            track: None,
        }
    }
}
