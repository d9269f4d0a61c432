//! The strongest series that a record may hold without showing one.
//!
//! Where no series is found its frequency is not known either, and a bound that was read at one place would not hold at
//! another: bounds are read where the record's spectrum is highest among all that a grid may have.

use super::hann_powers::HannPowers;
use std::ops::RangeInclusive;

/// Variance of a Hann-weighted coefficient over that of an even one.
const HANN: f64 = 1.5;

/// Powers (mean squares) of lines at a grid's places.
#[derive(Debug, Clone)]
pub(crate) struct Unseen {
    /// The fundamental whose orders together hold most, Hz, and their powers there.
    pub(crate) fundamental_hz: f64,
    pub(crate) orders: Vec<f64>,
    /// The most that each order holds anywhere.
    pub(crate) highest: Vec<f64>,
}

impl Unseen {
    /// The noise's power over that of a coefficient of an even fit.
    pub(crate) const NOISE: f64 = HANN;

    /// Of orders 1 to `orders` of a fundamental that lies within a share of `reach` of one of `nominals_hz`. `None` where
    /// there is nothing to look at.
    pub(crate) fn new(
        samples: &[f64],
        rate_hz: f64,
        nominals_hz: &[f64],
        reach: f64,
        orders: usize,
    ) -> Option<Self> {
        if orders == 0 {
            return None;
        }
        let top_hz = nominals_hz.iter().fold(0.0, |most: f64, hz| most.max(*hz))
            * (1.0 + reach)
            * orders as f64;
        let HannPowers {
            power,
            bin_hz,
            to_rms,
            ..
        } = HannPowers::new(samples, None, rate_hz, top_hz)?;
        let powers: Vec<f64> = power.iter().map(|p| p * to_rms * to_rms).collect();
        let at = |hz: f64| {
            let place = (hz / bin_hz).round() as usize;
            powers.get(place).copied().unwrap_or(0.0)
        };
        let ranges: Vec<(f64, f64)> = nominals_hz
            .iter()
            .map(|hz| (hz * (1.0 - reach), hz * (1.0 + reach)))
            .collect();
        let highest = (1..=orders)
            .map(|k| {
                ranges
                    .iter()
                    .flat_map(|range| bins_of(range, k as f64 / bin_hz))
                    .filter_map(|bin| powers.get(bin))
                    .fold(0.0, |most: f64, power| most.max(*power))
            })
            .collect();
        // The highest order moves by a bin from one fundamental tried to the next.
        let step_hz = bin_hz / orders as f64;
        let total = |hz: &f64| (1..=orders).map(|k| at(k as f64 * hz)).sum::<f64>();
        let fundamental_hz = ranges
            .iter()
            .flat_map(|range| bins_of(range, 1.0 / step_hz).map(|place| place as f64 * step_hz))
            .max_by(|a, b| total(a).total_cmp(&total(b)))?;
        Some(Self {
            fundamental_hz,
            orders: (1..=orders)
                .map(|k| at(k as f64 * fundamental_hz))
                .collect(),
            highest,
        })
    }
}

/// Places `scale` times a range, whole numbers.
fn bins_of((low, high): &(f64, f64), scale: f64) -> RangeInclusive<usize> {
    (low * scale).floor() as usize..=(high * scale).ceil() as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn the_strongest_series_is_found_at_either_nominal() {
        // 0.7 and 0.2 V peak at 59.93 Hz and its third, 0.5 V at 49.9 Hz: Hann lines between bins lose at most 2 %.
        let samples: Vec<f64> = (0..4000)
            .map(|n| TAU * f64::from(n) / 1000.0)
            .map(|t| 0.7 * (59.93 * t).cos() + 0.2 * (179.79 * t).sin() + 0.5 * (49.9 * t).sin())
            .collect();
        let seen = Unseen::new(&samples, 1000.0, &[50.0, 60.0], 0.01, 3).unwrap();
        assert!((seen.fundamental_hz - 59.93).abs() < 0.05, "{seen:?}");
        let near = |power: f64, peak: f64| (power / (0.5 * peak * peak) - 1.0).abs() < 0.05;
        assert!(
            near(seen.orders[0], 0.7) && near(seen.orders[2], 0.2),
            "{seen:?}"
        );
        assert!(near(seen.highest[0], 0.7), "{seen:?}");
        let low = Unseen::new(&samples, 1000.0, &[50.0], 0.01, 3).unwrap();
        assert!(near(low.highest[0], 0.5), "{low:?}");
        assert!(Unseen::new(&samples[..9], 1000.0, &[50.0], 0.01, 3).is_none());
    }
}
