//! What is left to measure of a wanted signal.

use super::result::ComparedQuantity;
use crate::stats::Estimate;
use crate::{Condition, Error, ErrorKind};
use serde::{Deserialize, Serialize};

/// A signal that is to be measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WantedSignal {
    /// Its amplitude (peak), in units of the channel.
    pub amplitude_v: f64,
    /// To what fraction of itself its amplitude is to be read (0.01 is 1 %).
    pub accuracy: f64,
}

impl WantedSignal {
    /// A signal to be read to 1 %.
    #[must_use]
    pub fn new(amplitude_v: f64) -> Self {
        Self {
            amplitude_v,
            accuracy: 0.01,
        }
    }

    pub(super) fn check(&self) -> Result<(), Error> {
        for (name, value) in [
            ("amplitude of the wanted signal", self.amplitude_v),
            ("accuracy of the wanted signal", self.accuracy),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(Error::new(
                    ErrorKind::BadOption,
                    format!("the {name} is {value}; it must be positive and finite"),
                ));
            }
        }
        Ok(())
    }
}

/// What each part adds to a reading of the signal, before and after the remedy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SignalOutlook {
    /// Amplitude (peak) of the signal.
    pub amplitude_v: f64,
    /// Accuracy asked for, percent of the amplitude.
    pub accuracy_percent: f64,
    /// With the loop closed.
    pub looped: Option<SignalErrors>,
    /// With the loop broken.
    pub isolated: Option<SignalErrors>,
}

/// Errors of a signal's reading under one condition.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SignalErrors {
    /// Size of the offset over the amplitude, percent.
    pub offset_percent: Option<f64>,
    /// RMS of the hum over the signal's, percent.
    pub hum_percent: Option<f64>,
    /// RMS of the in-band noise over the signal's, percent.
    pub noise_percent: Option<f64>,
    /// Signal over hum and noise together, dB; the offset is not in it.
    pub signal_to_noise_db: Option<f64>,
    /// Smallest amplitude (peak) of a single reading to the accuracy asked for: offset, and hum and
    /// noise as √2 times their RMS, at the upper ends of their intervals.
    pub smallest_readable_v: Option<f64>,
}

impl SignalOutlook {
    pub(super) fn of(signal: &WantedSignal, quantities: &[ComparedQuantity]) -> Self {
        let under = |condition| SignalErrors::of(signal, quantities, condition);
        Self {
            amplitude_v: signal.amplitude_v,
            accuracy_percent: 100.0 * signal.accuracy,
            looped: under(Condition::Looped),
            isolated: under(Condition::Isolated),
        }
    }
}

impl SignalErrors {
    fn of(
        signal: &WantedSignal,
        quantities: &[ComparedQuantity],
        condition: Condition,
    ) -> Option<Self> {
        let reading = |name: &str| -> Option<&Estimate> {
            let quantity = quantities.iter().find(|q| q.name == name)?;
            quantity.reading(condition)
        };
        let (offset, hum, noise) = (
            reading("dc_offset"),
            reading("hum_rms"),
            reading("noise_rms"),
        );
        if offset.is_none() && hum.is_none() && noise.is_none() {
            return None;
        }
        let root2 = 2.0_f64.sqrt();
        let rms = signal.amplitude_v / root2;
        let disturbance = hum.zip(noise);
        let upper = |e: &Estimate| e.low.abs().max(e.high.abs());
        Some(Self {
            offset_percent: offset.map(|e| 100.0 * e.value.abs() / signal.amplitude_v),
            hum_percent: hum.map(|e| 100.0 * e.value / rms),
            noise_percent: noise.map(|e| 100.0 * e.value / rms),
            signal_to_noise_db: disturbance
                .map(|(hum, noise)| 20.0 * (rms / hum.value.hypot(noise.value)).log10())
                .filter(|db| db.is_finite()),
            smallest_readable_v: disturbance.map(|(hum, noise)| {
                let alternating = root2 * upper(hum).hypot(upper(noise));
                (offset.map_or(0.0, upper) + alternating) / signal.accuracy
            }),
        })
    }
}
