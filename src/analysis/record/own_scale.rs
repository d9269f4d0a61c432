//! The scale that a channel is analysed at: figures are powers and powers of powers, which must not leave the
//! range of numbers.

use crate::analysis::measurement::Measurement;
use crate::stats::LinePower;
use crate::{Error, ErrorKind};

/// Half peak-to-peak values that are analysed as they are.
const AS_THEY_ARE: std::ops::RangeInclusive<f64> = 1e-12..=1e12;
/// Largest exponent, so that the factor and its inverse are both numbers.
const MOST: f64 = 1000.0;
/// Largest magnitude that is measured: intervals and spans beyond it still have to be numbers.
const LARGEST: f64 = 1e302;

/// A power of two that samples are multiplied by, and figures divided by in the end: it rounds nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct OwnScale {
    exponent: i32,
}

impl OwnScale {
    /// What brings samples of this half peak-to-peak value near 1, where they are not analysed as they are.
    pub(crate) fn of(half_span: f64) -> Self {
        if !Self::is_needed(half_span) {
            return Self::default();
        }
        Self {
            exponent: -half_span.log2().floor().clamp(-MOST, MOST) as i32,
        }
    }

    pub(crate) fn is_needed(half_span: f64) -> bool {
        half_span > 0.0 && !AS_THEY_ARE.contains(&half_span)
    }

    /// # Errors
    /// `BadValue` for magnitudes whose figures would leave the range of numbers.
    pub(crate) fn check(largest: f64, channel: &str) -> Result<(), Error> {
        if largest <= LARGEST {
            return Ok(());
        }
        Err(ErrorKind::BadValue.error(format!(
                "channel '{channel}' holds values up to {largest:e}; at most {LARGEST:e} can be measured: state a scale \
                 that brings them to sensible units"
            ),
        ))
    }

    pub(crate) fn is_one(self) -> bool {
        self.exponent == 0
    }

    /// What samples, range and step are multiplied by.
    pub(crate) fn factor(self) -> f64 {
        2f64.powi(self.exponent)
    }

    /// What figures are multiplied by.
    pub(crate) fn back(self) -> f64 {
        2f64.powi(-self.exponent)
    }

    /// Gives the figures of a measurement in the channel's own unit.
    pub(crate) fn restore(self, measurement: &mut Measurement) {
        if self.is_one() {
            return;
        }
        let back = self.back();
        let squared = |x: f64| (x * back * back).min(f64::MAX);
        let line = |power: &mut LinePower| {
            power.observed_v2 = squared(power.observed_v2);
            power.noise_v2 = squared(power.noise_v2);
        };
        let m = measurement;
        let harmonics = m.mains.harmonics.iter_mut();
        let tones = m.tones.iter_mut();
        let lines = harmonics.map(|h| (&mut h.rms, &mut h.power));
        for (rms, power) in lines.chain(tones.map(|t| (&mut t.rms, &mut t.power))) {
            *rms = rms.scaled(back);
            line(power);
        }
        m.dc_offset = m.dc_offset.scaled(back);
        m.mains.hum_rms = m.mains.hum_rms.map(|e| e.scaled(back));
        line(&mut m.mains.power);
        m.noise.rms = m.noise.rms.scaled(back);
        m.noise.density_v_per_rthz = m.noise.density_v_per_rthz.scaled(back);
        for band in &mut m.noise.third_octaves {
            band.rms = band.rms.scaled(back);
        }
        let w = &mut m.waveform;
        for value in [
            &mut w.rms,
            &mut w.ac_rms,
            &mut w.peak_to_peak,
            &mut w.min,
            &mut w.max,
        ] {
            *value *= back;
        }
        m.quality.lsb = m.quality.lsb.map(|step| step * back);
        for group in m.harmonic_groups.iter_mut().flat_map(|g| &mut g.orders) {
            group.divide(self.factor());
        }
        self.restore_curves(m);
    }

    fn restore_curves(self, m: &mut Measurement) {
        let back = self.back();
        let densities = m
            .spectrum
            .iter_mut()
            .flat_map(|s| [&mut s.total_v_per_rthz, &mut s.noise_v_per_rthz]);
        let cycles = m
            .folded
            .iter_mut()
            .flat_map(|f| [&mut f.mean, &mut f.deviation]);
        for value in densities.chain(cycles).flatten() {
            *value *= back;
        }
        for point in m.track.iter_mut().flat_map(|t| &mut t.points) {
            point.hum_rms *= back;
            point.dc_offset *= back;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brings_any_span_near_one_and_back() {
        for span in [5e-324, 1e-300, 1e-13, 1e13, 1e200, 8e307] {
            let scale = OwnScale::of(span);
            let near = span * scale.factor();
            assert!((1e-30..=1e30).contains(&near), "{span} {near}");
            assert_eq!(near * scale.back(), span);
        }
        for plain in [0.0, 1e-12, 1.0, 1e12] {
            assert!(OwnScale::of(plain).is_one());
        }
    }
}
