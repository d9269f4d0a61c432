//! What is measured: the one list of names, labels, units and where a measurement holds each.

use crate::analysis::{HarmonicGroup, Measurement};
use crate::stats::Estimate;
use crate::{Error, ErrorKind};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

/// A quantity that is measured, by its fixed name in limits, column headings and JSON.
///
/// It is read from its name (`parse`, which fails with `BadOption`) and shown as it (`Display`). Orders and numbers begin
/// at 1. Distortion, the noise's corner, groups, figures of the waveform, step and counts have no interval.
///
/// ```
/// use humsieve::Quantity;
/// let quantity: Quantity = "harmonic_3_rms".parse()?;
/// assert_eq!(quantity, Quantity::Harmonic(3));
/// assert_eq!(quantity.label(), "order 3, RMS");
/// assert_eq!(Quantity::NoiseDensity.unit("V"), "V/√Hz");
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Quantity {
    /// DC offset.
    DcOffset,
    /// Mains frequency.
    MainsFrequency,
    /// Root sum of squares of all modelled harmonics.
    HumRms,
    /// Total harmonic distortion, percent.
    Thd,
    /// RMS of a mains harmonic, by its order.
    Harmonic(usize),
    /// RMS of the noise in band.
    NoiseRms,
    /// One-sided noise density.
    NoiseDensity,
    /// Corner below which the noise power rises as 1/f.
    NoiseCorner,
    /// RMS of the noise in a third-octave band, from 1 for the lowest.
    ThirdOctave(usize),
    /// RMS of a harmonic group of IEC 61000-4-7, by its order.
    Group(usize),
    /// RMS of a harmonic subgroup of IEC 61000-4-7, by its order.
    Subgroup(usize),
    /// RMS of an interharmonic group of IEC 61000-4-7, by the order below it.
    InterharmonicGroup(usize),
    /// Frequency of a tone, from 1 for the strongest.
    ToneFrequency(usize),
    /// RMS of a tone, from 1 for the strongest.
    ToneRms(usize),
    /// RMS of the whole record, offset included.
    Rms,
    /// RMS of the record without its offset.
    AcRms,
    /// Largest less smallest sample.
    PeakToPeak,
    /// Smallest sample.
    Min,
    /// Largest sample.
    Max,
    /// Largest magnitude about the mean over the RMS about it.
    CrestFactor,
    /// Step of the converter.
    Lsb,
    /// Samples at the limit of the range.
    ClippedSamples,
    /// Samples that are missing.
    MissingSamples,
    /// RMS of a line that is no order of the mains, matched between captures: known to a comparison only.
    Line,
}

#[rustfmt::skip]
const SINGLE: [(Quantity, &str, &str); 17] = [
    (Quantity::DcOffset, "dc_offset", "DC offset"),
    (Quantity::MainsFrequency, "mains_frequency_hz", "mains frequency"),
    (Quantity::HumRms, "hum_rms", "hum, RMS"),
    (Quantity::Thd, "thd_percent", "distortion, THD"),
    (Quantity::NoiseRms, "noise_rms", "noise in band, RMS"),
    (Quantity::NoiseDensity, "noise_density_v_per_rthz", "noise density"),
    (Quantity::NoiseCorner, "noise_corner_hz", "1/f corner"),
    (Quantity::Rms, "rms", "whole record, RMS"),
    (Quantity::AcRms, "ac_rms", "AC, RMS"),
    (Quantity::PeakToPeak, "peak_to_peak", "peak to peak"),
    (Quantity::Min, "min", "smallest sample"),
    (Quantity::Max, "max", "largest sample"),
    (Quantity::CrestFactor, "crest_factor", "crest factor"),
    (Quantity::Lsb, "lsb", "converter step"),
    (Quantity::ClippedSamples, "clipped_samples", "samples at the limit"),
    (Quantity::MissingSamples, "missing_samples", "samples missing"),
    (Quantity::Line, "line", "line"),
];

/// What makes it of its number, the name before and after that, the label likewise.
type Numbered = (
    fn(usize) -> Quantity,
    (&'static str, &'static str),
    (&'static str, &'static str),
);

#[rustfmt::skip]
const NUMBERED: [Numbered; 7] = [
    (Quantity::Harmonic, ("harmonic_", "_rms"), ("order ", ", RMS")),
    (Quantity::ThirdOctave, ("third_octave_", "_rms"), ("third octave ", ", RMS")),
    (Quantity::Group, ("group_", "_rms"), ("group ", ", RMS")),
    (Quantity::Subgroup, ("subgroup_", "_rms"), ("subgroup ", ", RMS")),
    (Quantity::InterharmonicGroup, ("interharmonic_group_", "_rms"), ("interharmonic group ", ", RMS")),
    (Quantity::ToneFrequency, ("tone_", "_frequency_hz"), ("tone ", ", frequency")),
    (Quantity::ToneRms, ("tone_", "_rms"), ("tone ", ", RMS")),
];

impl Quantity {
    /// Those that are compared between conditions and may have a limit, in the order of a comparison, with harmonics from 1
    /// up to this order.
    #[must_use]
    pub fn compared(harmonics: usize) -> Vec<Self> {
        let mut all = vec![Self::DcOffset, Self::HumRms];
        all.extend((1..=harmonics).map(Self::Harmonic));
        all.extend([Self::NoiseRms, Self::AcRms, Self::PeakToPeak]);
        all
    }

    /// Those that a measurement holds, in the order in which they are read: offset, mains, noise, tones,
    /// waveform, quality.
    #[must_use]
    pub fn measured(measurement: &Measurement) -> Vec<Self> {
        let mut all = vec![
            Self::DcOffset,
            Self::MainsFrequency,
            Self::HumRms,
            Self::Thd,
        ];
        let orders = measurement.mains.harmonics.iter().map(|line| line.order);
        all.extend(orders.map(Self::Harmonic));
        all.extend([Self::NoiseRms, Self::NoiseDensity]);
        all.extend(measurement.noise.corner_hz.map(|_| Self::NoiseCorner));
        all.extend((1..=measurement.noise.third_octaves.len()).map(Self::ThirdOctave));
        if let Some(groups) = &measurement.harmonic_groups {
            all.extend(groups.orders.iter().flat_map(|group| {
                [Self::Group, Self::Subgroup, Self::InterharmonicGroup].map(|of| of(group.order))
            }));
        }
        all.extend(
            (1..=measurement.tones.len())
                .flat_map(|number| [Self::ToneFrequency, Self::ToneRms].map(|of| of(number))),
        );
        all.extend([
            Self::Rms,
            Self::AcRms,
            Self::PeakToPeak,
            Self::Min,
            Self::Max,
            Self::CrestFactor,
            Self::Lsb,
            Self::ClippedSamples,
            Self::MissingSamples,
        ]);
        all
    }

    /// Order of a harmonic or group, number of a tone or band.
    fn number(self) -> Option<usize> {
        match self {
            Self::Harmonic(number)
            | Self::ThirdOctave(number)
            | Self::Group(number)
            | Self::Subgroup(number)
            | Self::InterharmonicGroup(number)
            | Self::ToneFrequency(number)
            | Self::ToneRms(number) => Some(number),
            _ => None,
        }
    }

    fn numbered(self) -> Option<(usize, &'static Numbered)> {
        let number = self.number()?;
        let entry = NUMBERED.iter().find(|(of, _, _)| of(number) == self)?;
        Some((number, entry))
    }

    fn single(self) -> Option<&'static (Self, &'static str, &'static str)> {
        SINGLE.iter().find(|(quantity, _, _)| *quantity == self)
    }

    /// The fixed name, as `harmonic_3_rms`.
    #[must_use]
    pub fn name(self) -> Cow<'static, str> {
        match self.numbered() {
            Some((number, (_, (before, after), _))) => format!("{before}{number}{after}").into(),
            None => self.single().map_or("", |(_, name, _)| name).into(),
        }
    }

    /// What a reader sees, as `order 3, RMS`.
    #[must_use]
    pub fn label(self) -> Cow<'static, str> {
        if self == Self::Harmonic(1) {
            return "fundamental, RMS".into();
        }
        match self.numbered() {
            Some((number, (_, _, (before, after)))) => format!("{before}{number}{after}").into(),
            None => self.single().map_or("", |(_, _, label)| label).into(),
        }
    }

    /// Its unit, given that of the channel's values; empty for a count or a ratio.
    #[must_use]
    pub fn unit(self, channel: &str) -> String {
        match self {
            Self::MainsFrequency | Self::NoiseCorner | Self::ToneFrequency(_) => "Hz".into(),
            Self::Thd => "%".into(),
            Self::NoiseDensity => format!("{channel}/√Hz"),
            Self::CrestFactor | Self::ClippedSamples | Self::MissingSamples => String::new(),
            _ => channel.to_owned(),
        }
    }

    /// Whether it is compared between conditions and may have a limit.
    #[must_use]
    pub fn is_compared(self) -> bool {
        matches!(
            self,
            Self::DcOffset
                | Self::HumRms
                | Self::Harmonic(1..)
                | Self::NoiseRms
                | Self::AcRms
                | Self::PeakToPeak
        )
    }

    /// What a measurement says of it; `Unknown` where that does not hold it.
    #[must_use]
    pub fn of(self, measurement: &Measurement) -> Figure {
        let (mains, noise) = (&measurement.mains, &measurement.noise);
        let (waveform, quality) = (&measurement.waveform, &measurement.quality);
        let plain = |value: Option<f64>| value.map_or(Figure::Unknown, Figure::Plain);
        let group = |order: usize, of: fn(&HarmonicGroup) -> f64| {
            let mut groups = measurement.harmonic_groups.iter().flat_map(|g| &g.orders);
            plain(groups.find(|group| group.order == order).map(of))
        };
        let tone = |number: usize| measurement.tones.get(number.wrapping_sub(1));
        match self {
            Self::DcOffset => measurement.dc_offset.into(),
            Self::MainsFrequency => mains.frequency_hz.into(),
            Self::HumRms => mains.hum_rms.into(),
            Self::Thd => plain(mains.thd_percent),
            Self::Harmonic(order) => {
                let line = mains.harmonics.iter().find(|line| line.order == order);
                line.map(|line| line.rms).into()
            }
            Self::NoiseRms => noise.rms.into(),
            Self::NoiseDensity => noise.density_v_per_rthz.into(),
            Self::NoiseCorner => plain(noise.corner_hz),
            Self::ThirdOctave(number) => {
                let band = noise.third_octaves.get(number.wrapping_sub(1));
                band.map(|band| band.rms).into()
            }
            Self::Group(order) => group(order, |g| g.group_rms),
            Self::Subgroup(order) => group(order, |g| g.subgroup_rms),
            Self::InterharmonicGroup(order) => group(order, |g| g.interharmonic_group_rms),
            Self::ToneFrequency(number) => tone(number).map(|tone| tone.frequency_hz).into(),
            Self::ToneRms(number) => tone(number).map(|tone| tone.rms).into(),
            Self::Rms => Figure::Plain(waveform.rms),
            Self::AcRms => Figure::Plain(waveform.ac_rms),
            Self::PeakToPeak => Figure::Plain(waveform.peak_to_peak),
            Self::Min => Figure::Plain(waveform.min),
            Self::Max => Figure::Plain(waveform.max),
            Self::CrestFactor => Figure::Plain(waveform.crest_factor),
            Self::Lsb => plain(quality.lsb),
            Self::ClippedSamples => Figure::Count(quality.clipped_samples),
            Self::MissingSamples => Figure::Count(quality.missing_samples),
            Self::Line => Figure::Unknown,
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name())
    }
}

impl FromStr for Quantity {
    type Err = Error;

    fn from_str(name: &str) -> Result<Self, Error> {
        let single = SINGLE.iter().find(|(_, known, _)| *known == name);
        let numbered = || {
            NUMBERED.iter().find_map(|(of, (before, after), _)| {
                let number: u32 = name
                    .strip_prefix(before)?
                    .strip_suffix(after)?
                    .parse()
                    .ok()?;
                (number > 0).then(|| of(number as usize))
            })
        };
        single
            .map(|(quantity, _, _)| *quantity)
            .or_else(numbered)
            .ok_or_else(|| {
                ErrorKind::BadOption.error(format!("'{name}' is no quantity that is measured"))
            })
    }
}

impl TryFrom<&str> for Quantity {
    type Error = Error;

    fn try_from(name: &str) -> Result<Self, Error> {
        name.parse()
    }
}

impl PartialEq<&str> for Quantity {
    fn eq(&self, name: &&str) -> bool {
        self.name() == *name
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.name())
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let name = Cow::<str>::deserialize(from)?;
        name.parse().map_err(serde::de::Error::custom)
    }
}

/// What is known of one quantity, in its [`unit`](Quantity::unit).
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Figure {
    /// A figure with its interval.
    Estimate(Estimate),
    /// A figure of the record itself, without an interval.
    Plain(f64),
    /// A number of things.
    Count(u64),
    /// Not known, or not to be had from this record.
    Unknown,
}

impl Figure {
    /// Point estimate, plain figure or count; `None` where it is unknown or not finite.
    #[must_use]
    pub fn value(&self) -> Option<f64> {
        match *self {
            Self::Estimate(estimate) => finite(estimate.value),
            Self::Plain(value) => finite(value),
            Self::Count(count) => Some(count as f64),
            Self::Unknown => None,
        }
    }

    /// The two ends of the interval, each `None` where it is not finite; the whole `None` of what has no interval.
    #[must_use]
    pub fn interval(&self) -> Option<(Option<f64>, Option<f64>)> {
        match *self {
            Self::Estimate(estimate) => Some((finite(estimate.low), finite(estimate.high))),
            _ => None,
        }
    }
}

impl From<Option<Estimate>> for Figure {
    fn from(estimate: Option<Estimate>) -> Self {
        estimate.map_or(Self::Unknown, Self::Estimate)
    }
}

impl From<Estimate> for Figure {
    fn from(estimate: Estimate) -> Self {
        Self::Estimate(estimate)
    }
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn every_name_is_read_back() {
        let mut all: Vec<Quantity> = SINGLE.iter().map(|(quantity, _, _)| *quantity).collect();
        all.extend(NUMBERED.iter().flat_map(|(of, _, _)| [of(1), of(12)]));
        for quantity in all {
            let name = quantity.name();
            assert!(
                !name.is_empty() && !quantity.label().is_empty(),
                "{quantity:?}"
            );
            assert_eq!(name.parse::<Quantity>().unwrap(), quantity);
            let json = serde_json::to_string(&quantity).unwrap();
            assert_eq!(json, format!("\"{name}\""));
            assert_eq!(serde_json::from_str::<Quantity>(&json).unwrap(), quantity);
        }
        for name in ["", "loudness", "harmonic_0_rms", "harmonic_x_rms", "tone_1"] {
            assert!(name.parse::<Quantity>().is_err(), "{name}");
        }
    }

    #[test]
    fn a_measurement_says_what_it_holds() {
        let measurement = sample::measurement();
        let all = Quantity::measured(&measurement);
        assert_eq!(all.first(), Some(&Quantity::DcOffset));
        let known = |quantity: Quantity| quantity.of(&measurement) != Figure::Unknown;
        assert!(all.iter().all(|&quantity| known(quantity)), "{all:?}");
        assert!(!known(Quantity::Harmonic(40)) && !known(Quantity::ToneRms(2)));
        let second = Quantity::Harmonic(2).of(&measurement);
        assert_eq!(second.value(), Some(1.06e-4));
        assert_eq!(
            Quantity::ToneFrequency(1).of(&measurement).value(),
            Some(3270.0)
        );
        assert_eq!(Quantity::Lsb.of(&measurement), Figure::Plain(25e-6));
    }

    #[test]
    fn what_is_compared_may_have_a_limit() {
        assert_eq!(Quantity::compared(3).len(), 8);
        assert!(Quantity::compared(3).iter().all(|q| q.is_compared()));
        assert!(!Quantity::Thd.is_compared() && !Quantity::Harmonic(0).is_compared());
    }
}
