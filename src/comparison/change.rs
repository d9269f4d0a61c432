//! One measurement held against an earlier one.

use super::compare::compare;
use super::options::CompareOptions;
use super::result::DecibelRatio;
use crate::analysis::Measurement;
use crate::quantity::Quantity;
use crate::stats::Estimate;
use crate::{Condition, Error};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What changed from an earlier measurement of a channel to this one: ratios of this reading to that one in dB, above 0
/// where there is more than there was.
///
/// They are those that [`compare`] gives for one capture against one: `high` is `None` where the earlier
/// reading is unresolved, `low` negative infinity where this one is, the whole `None` where both are or where
/// the two do not compare.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Change {
    /// Name of the earlier capture.
    pub file: String,
    /// Name of its channel.
    pub channel: String,
    /// The size of this offset over that of the earlier one, dB.
    pub dc_offset: Option<DecibelRatio>,
    /// This offset less the earlier one, in the channel's unit; `None` where one of them is AC coupled or constant.
    pub dc_offset_difference: Option<Estimate>,
    /// This hum over the earlier one, dB.
    pub hum_rms: Option<DecibelRatio>,
    /// This noise in the band over the earlier one, dB.
    pub noise_rms: Option<DecibelRatio>,
    /// Figures that are not told, and why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_compared: Vec<NotCompared>,
}

/// A figure whose change is not told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct NotCompared {
    /// The figure.
    pub quantity: Quantity,
    /// Why.
    pub why: String,
}

impl Change {
    /// The figures whose change is told: offset, hum, noise in band.
    pub const QUANTITIES: [Quantity; 3] =
        [Quantity::DcOffset, Quantity::HumRms, Quantity::NoiseRms];

    /// From an earlier measurement of a channel to this one, best both measured on
    /// [common ground](super::CommonGround); `confidence` is the level of the intervals. The channels' names need not agree.
    ///
    /// # Errors
    /// Those of [`compare`]: `BadOption` where the units differ or the level is not between 0 and 1.
    pub fn of(this: &Measurement, earlier: &Measurement, confidence: f64) -> Result<Self, Error> {
        let captures = BTreeMap::from([
            (Condition::Looped, vec![headline(this, &this.channel)]),
            (Condition::Baseline, vec![headline(earlier, &this.channel)]),
        ]);
        let options = CompareOptions {
            confidence,
            ..CompareOptions::default()
        };
        let comparison = compare(&captures, &options)?;
        let ratio = |quantity: Quantity| comparison.quantity(quantity)?.improvement_db;
        let why = |quantity: Quantity| {
            let found = comparison.quantity(quantity);
            let left_out = comparison
                .left_out
                .iter()
                .find(|l| quantity.name() == l.quantity);
            found
                .and_then(|q| q.not_compared.clone())
                .or_else(|| left_out.map(|l| format!("{}: {}", l.file, l.why)))
                .unwrap_or_else(|| "neither of the two stands above the noise".into())
        };
        Ok(Self {
            file: earlier.file.clone(),
            channel: earlier.channel.clone(),
            dc_offset: ratio(Quantity::DcOffset),
            dc_offset_difference: comparison
                .quantity(Quantity::DcOffset)
                .and_then(|q| q.loop_excess),
            hum_rms: ratio(Quantity::HumRms),
            noise_rms: ratio(Quantity::NoiseRms),
            not_compared: Self::QUANTITIES
                .into_iter()
                .filter(|&quantity| ratio(quantity).is_none())
                .map(|quantity| NotCompared {
                    quantity,
                    why: why(quantity),
                })
                .collect(),
        })
    }

    /// The change of one of [`Change::QUANTITIES`], dB; `None` where it is not told, and of any other quantity.
    #[must_use]
    pub fn ratio(&self, quantity: Quantity) -> Option<DecibelRatio> {
        match quantity {
            Quantity::DcOffset => self.dc_offset,
            Quantity::HumRms => self.hum_rms,
            Quantity::NoiseRms => self.noise_rms,
            _ => None,
        }
    }
}

/// What the three figures rest on, without the orders and lines, which would only be compared and dropped.
fn headline(measurement: &Measurement, channel: &str) -> Measurement {
    let mut bare = measurement.clone();
    bare.channel = channel.to_owned();
    bare.mains.harmonics.clear();
    if let Some(other) = &mut bare.other_mains {
        other.harmonics.clear();
    }
    bare.tones.clear();
    bare
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn the_change_is_what_compare_says_of_one_against_one() {
        let mut earlier = sample::measurement();
        earlier.file = "floor.csv".into();
        earlier.waveform.rms *= 1.01;
        let this = sample::measurement();
        let change = Change::of(&this, &earlier, 0.95).unwrap();
        assert_eq!(change.file, "floor.csv");
        let captures = BTreeMap::from([
            (Condition::Looped, vec![this.clone()]),
            (Condition::Baseline, vec![earlier.clone()]),
        ]);
        let compared = compare(&captures, &CompareOptions::default()).unwrap();
        for quantity in Change::QUANTITIES {
            let expected = compared.quantity(quantity).unwrap().improvement_db.unwrap();
            assert_eq!(change.ratio(quantity), Some(expected), "{quantity}");
            assert!(expected.low < 0.0 && expected.high.unwrap() > 0.0);
        }
        assert!(change.not_compared.is_empty());
    }

    #[test]
    fn what_does_not_compare_says_why() {
        let this = sample::measurement();
        let mut earlier = sample::measurement();
        earlier.noise.band_hz.1 *= 0.5;
        let change = Change::of(&this, &earlier, 0.95).unwrap();
        assert_eq!(change.noise_rms, None);
        assert!(change.not_compared[0].why.contains("band"), "{change:?}");
        earlier.unit = "bar".into();
        assert!(Change::of(&this, &earlier, 0.95).is_err());
    }
}
