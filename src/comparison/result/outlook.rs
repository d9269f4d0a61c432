//! What is left to measure of a wanted signal.

use super::compared::ComparedQuantity;
use crate::Condition;
use crate::analysis::Measurement;
use crate::comparison::options::WantedSignal;
use crate::quantity::Quantity;
use crate::stats::Estimate;
use serde::{Deserialize, Serialize};

/// What each part adds to a reading of the signal, before and after the remedy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SignalOutlook {
    /// Amplitude (peak) of the signal, in the unit of the channels (`amplitude_v` as JSON).
    #[serde(rename = "amplitude_v")]
    pub amplitude: f64,
    /// Accuracy asked for, percent of the amplitude.
    pub accuracy_percent: f64,
    /// With the loop closed; `None` where nothing was read.
    pub looped: Option<SignalErrors>,
    /// With the loop broken; `None` where nothing was read.
    pub isolated: Option<SignalErrors>,
}

/// Errors of a signal's reading under one condition; `None` where a reading that one rests on is not there.
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
    /// noise as √2 times their RMS, at the upper ends of their intervals. In the unit of the channels
    /// (`smallest_readable_v` as JSON).
    #[serde(rename = "smallest_readable_v")]
    pub smallest_readable: Option<f64>,
}

impl SignalOutlook {
    pub(in crate::comparison) fn of(
        signal: &WantedSignal,
        quantities: &[ComparedQuantity],
    ) -> Self {
        let under = |condition| SignalErrors::of(signal, quantities, condition);
        Self {
            amplitude: signal.amplitude,
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
        let reading = |name: Quantity| -> Option<&Estimate> {
            let quantity = quantities.iter().find(|q| q.name == name)?;
            quantity.reading(condition)
        };
        let (offset, hum, noise) = (
            reading(Quantity::DcOffset),
            reading(Quantity::HumRms),
            reading(Quantity::NoiseRms),
        );
        if offset.is_none() && hum.is_none() && noise.is_none() {
            return None;
        }
        let root2 = 2.0_f64.sqrt();
        let rms = signal.amplitude / root2;
        let disturbance = hum.zip(noise);
        let upper = |e: &Estimate| e.low.abs().max(e.high.abs());
        Some(Self {
            offset_percent: offset.map(|e| 100.0 * e.value.abs() / signal.amplitude),
            hum_percent: hum.map(|e| 100.0 * e.value / rms),
            noise_percent: noise.map(|e| 100.0 * e.value / rms),
            signal_to_noise_db: disturbance
                .map(|(hum, noise)| 20.0 * (rms / hum.value.hypot(noise.value)).log10())
                .filter(|db| db.is_finite()),
            smallest_readable: disturbance.map(|(hum, noise)| {
                let alternating = root2 * upper(hum).hypot(upper(noise));
                (offset.map_or(0.0, upper) + alternating) / signal.accuracy
            }),
        })
    }
}

/// A wanted frequency on an order of the mains.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Collision {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// The order it lies on.
    pub order: u32,
}

/// Wanted frequencies that lie on an order of the mains within what a record with the loop closed resolves:
/// two inverse lengths; 1 Hz where there is none.
#[must_use]
pub fn collisions(
    wanted_hz: &[f64],
    looped: Option<&Measurement>,
    nominal_hz: f64,
) -> Vec<Collision> {
    /// Half the width of a line's peak in a Hann window's spectrum, inverse lengths.
    const PEAK: f64 = 2.0;
    const WITHOUT_RECORD_HZ: f64 = 1.0;
    let fundamental = looped
        .and_then(|m| m.mains.frequency_hz)
        .map_or(nominal_hz, |frequency| frequency.value);
    let resolution = looped.map_or(WITHOUT_RECORD_HZ, |m| PEAK / m.duration_s);
    wanted_hz
        .iter()
        .filter_map(|&frequency_hz| {
            let order = (frequency_hz / fundamental).round();
            let beside = (frequency_hz - order * fundamental).abs();
            (order >= 1.0 && beside < resolution).then_some(Collision {
                frequency_hz,
                order: order as u32,
            })
        })
        .collect()
}
