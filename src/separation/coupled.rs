//! What the interference was before the input's AC coupling.

use super::result::{HumTrack, Separation};

impl Separation {
    /// The figures as before an AC coupling with this corner, Hz: a first-order high pass, |H| = 1/√(1 + (f_c/f)²).
    ///
    /// The mains series is corrected order by order with the amplitudes of its track. How what is left spreads over
    /// the orders is not known: its value takes equal shares, its interval the least and the greatest correction.
    /// Samples that were written stay as they were recorded. Without a track of orders nothing changes, as the note says.
    #[must_use]
    pub fn before_coupling(mut self, corner_hz: f64) -> Self {
        let orders = self.track.mean_orders();
        let gains: Vec<(f64, f64)> = orders
            .into_iter()
            .map(|(hz, power)| (1.0 + (corner_hz / hz).powi(2), power))
            .filter(|(gain, _)| gain.is_finite())
            .collect();
        let total: f64 = gains.iter().map(|(_, power)| power).sum();
        if !(total > 0.0) {
            if self.removed.mains_rms > 0.0 {
                self.note.push_str(
                    "; not corrected for the coupling: the orders are not known one by one",
                );
            }
            return self;
        }
        let raised: f64 = gains.iter().map(|(gain, power)| gain * power).sum();
        self.removed.mains_rms *= (raised / total).sqrt();
        let gain = || gains.iter().map(|(gain, _)| *gain);
        let equal = (gain().sum::<f64>() / gains.len() as f64).sqrt();
        let left = &mut self.residual_hum_rms;
        left.value *= equal;
        left.standard_uncertainty *= equal;
        left.low *= gain().fold(f64::INFINITY, f64::min).sqrt();
        left.high *= gain().fold(0.0, f64::max).sqrt();
        self.note.push_str(&format!(
            "; the figures are those before the coupling's corner of {corner_hz} Hz, the samples as recorded"
        ));
        self
    }
}

impl HumTrack {
    /// Mean frequency, Hz, and mean square of each order.
    fn mean_orders(&self) -> Vec<(f64, f64)> {
        let count = self.time_s.len().max(1) as f64;
        let mean =
            |values: &[f64], of: fn(f64) -> f64| values.iter().map(|x| of(*x)).sum::<f64>() / count;
        let fundamental = mean(&self.frequency_hz, |hz| hz);
        self.orders
            .iter()
            .zip(&self.rms)
            .map(|(order, rms)| (*order as f64 * fundamental, mean(rms, |rms| rms * rms)))
            .collect()
    }
}
