//! What is known of a channel beside its fits.

use crate::Warning;
use crate::analysis::measurement::{Mains, Measurement, Noise, Quality, Waveform};
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::{AliasedMains, Held, High, Lone, OwnScale};
use crate::capture::{CaptureHeader, Coupling};
use crate::spectrum::Decimator;
use crate::stats::{Estimate, LinePower};

/// What is known of a channel beside its fits.
pub(crate) struct ChannelFacts<'a> {
    pub(crate) options: &'a MeasureOptions,
    pub(crate) header: &'a CaptureHeader,
    pub(crate) index: usize,
    pub(crate) frames: usize,
    /// Time of the stream's first sample, s from the record's first.
    pub(crate) first_at_s: f64,
    pub(crate) waveform: Waveform,
    pub(crate) missing: u64,
    pub(crate) clipped: u64,
    pub(crate) lone: Lone,
    pub(crate) held: &'a Held,
    pub(crate) step: Option<f64>,
    pub(crate) decimator: Option<Decimator>,
    /// Density at the record's own rate, where the stream is a decimated one.
    pub(crate) high: Option<High>,
    pub(crate) source_warnings: &'a [Warning],
    /// What the samples were multiplied by.
    pub(crate) scale: OwnScale,
}

impl ChannelFacts<'_> {
    pub(crate) fn rate_hz(&self) -> f64 {
        self.header.time_base.sample_rate_hz
    }

    /// The channel's unit.
    pub(super) fn unit(&self) -> &str {
        &self.header.channels[self.index].unit
    }

    /// An amplitude in the channel's own unit.
    pub(crate) fn told(&self, amplitude: f64) -> f64 {
        amplitude * self.scale.back()
    }

    /// Corner of the AC coupling: as stated for this measurement, else that of the capture, unless it was DC coupled.
    pub(super) fn ac_corner_hz(&self) -> Option<f64> {
        let acquisition = &self.header.acquisition;
        let own = acquisition
            .ac_corner_hz
            .filter(|_| acquisition.coupling != Some(Coupling::Dc));
        self.options.ac_corner_hz.or(own)
    }

    /// Mains frequencies that are asked for and that the rate does not carry.
    pub(super) fn aliased(&self) -> Vec<AliasedMains> {
        let nominals = self.options.mains.nominals_hz().iter();
        nominals
            .filter_map(|&hz| AliasedMains::of(hz, self.rate_hz()))
            .collect()
    }

    /// Amplitudes below this are the rounding of the numbers that the samples are given as.
    pub(super) fn resolvable(&self) -> f64 {
        1e-13 * self.waveform.max.abs().max(self.waveform.min.abs())
    }

    /// A measurement of these figures, its parts that are not always there left out.
    pub(crate) fn measurement(
        &self,
        dc_offset: Estimate,
        mains: Mains,
        noise: Noise,
        warnings: Vec<Warning>,
    ) -> Measurement {
        let channel = &self.header.channels[self.index];
        Measurement {
            file: self.header.name.clone(),
            channel: channel.name.clone(),
            unit: channel.unit.clone(),
            sample_rate_hz: self.rate_hz(),
            samples: self.frames as u64,
            duration_s: self.duration_s(),
            start_s: None,
            confidence: self.options.confidence,
            dc_offset,
            mains,
            noise,
            tones: Vec::new(),
            waveform: self.waveform,
            quality: Quality {
                clipped_samples: self.clipped,
                missing_samples: self.missing + self.held.samples,
                lsb: self.step,
                warnings,
            },
            evidence: Vec::new(),
            harmonic_groups: None,
            other_mains: None,
            acquisition: self.header.acquisition.clone(),
            spectrum: None,
            folded: None,
            track: None,
        }
    }

    pub(crate) fn duration_s(&self) -> f64 {
        self.frames as f64 / self.rate_hz()
    }

    /// Droop of the decimator.
    pub(super) fn gain(&self, frequency_hz: f64) -> f64 {
        self.decimator
            .as_ref()
            .map_or(1.0, |d| d.gain(frequency_hz / self.rate_hz()))
    }

    /// Droop of the decimator times the loss of a stated AC-coupling corner.
    pub(super) fn coupled_gain(&self, frequency_hz: f64) -> f64 {
        let corner = self.ac_corner_hz().map_or(1.0, |corner| {
            1.0 / (1.0 + (corner / frequency_hz).powi(2)).sqrt()
        });
        self.gain(frequency_hz) * corner
    }

    /// Whether a line is more than the rounding of the numbers that the samples are given as.
    pub(super) fn is_real(&self, line: &LinePower) -> bool {
        line.observed_v2 > self.resolvable().powi(2)
    }
}
