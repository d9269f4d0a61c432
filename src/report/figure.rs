//! Figures as read by people: an SI prefix, and as many digits as the uncertainty bears.

use crate::stats::Estimate;
use serde::Serialize;

/// What one row of a report holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(untagged)]
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
    /// Point estimate, where there is one.
    #[must_use]
    pub fn value(&self) -> Option<f64> {
        match *self {
            Self::Estimate(estimate) => finite(estimate.value),
            Self::Plain(value) => finite(value),
            Self::Count(count) => Some(count as f64),
            Self::Unknown => None,
        }
    }

    /// The interval, where there is one; an end that is not finite is `None`.
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

/// A figure dressed for reading; value and interval share the prefix of the unit.
///
/// ```
/// use humsieve::Estimate;
/// use humsieve::report::Reading;
/// let hum = Estimate::new(6.02134e-3, (6.0187e-3, 6.0240e-3), 1.35e-6, 40.0, 0.95);
/// let reading = Reading::new(hum.into(), "V");
/// assert_eq!(reading.value, "6.0213");
/// assert_eq!(reading.interval.as_deref(), Some("6.0187 to 6.0240"));
/// assert_eq!(reading.unit, "mV");
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Reading {
    /// Point estimate, or `unknown`.
    pub value: String,
    /// `low to high`.
    pub interval: Option<String>,
    /// Unit with its prefix.
    pub unit: String,
}

impl Reading {
    /// Dresses a figure: the prefix puts the largest of value and interval between 1 and 1000, the
    /// digits show two significant ones of the uncertainty (GUM 7.2.6), five where there is none.
    #[must_use]
    pub fn new(figure: Figure, unit: &str) -> Self {
        let Some(value) = figure.value() else {
            return Self {
                value: "unknown".into(),
                interval: None,
                unit: String::new(),
            };
        };
        match figure {
            Figure::Count(count) => Self {
                value: count.to_string(),
                interval: None,
                unit: unit.into(),
            },
            Figure::Estimate(estimate) => {
                let ends = [estimate.low, estimate.high].map(finite);
                let largest = ends
                    .into_iter()
                    .flatten()
                    .fold(value.abs(), |largest, end| largest.max(end.abs()));
                let prefix = Prefix::of(largest, unit);
                let digits = prefix.digits(largest, uncertainty(&estimate));
                let shown = |x: Option<f64>| {
                    x.map_or_else(|| "unbounded".into(), |x| prefix.show(x, digits))
                };
                Self {
                    value: prefix.show(value, digits),
                    interval: Some(format!("{} to {}", shown(ends[0]), shown(ends[1]))),
                    unit: prefix.unit(unit),
                }
            }
            Figure::Plain(_) | Figure::Unknown => {
                let prefix = Prefix::of(value.abs(), unit);
                let digits = prefix.digits(value.abs(), 0.0);
                Self {
                    value: prefix.show(value, digits),
                    interval: None,
                    unit: prefix.unit(unit),
                }
            }
        }
    }

    /// Value and unit in one string.
    #[must_use]
    pub fn value_with_unit(&self) -> String {
        [self.value.as_str(), self.unit.as_str()]
            .join(" ")
            .trim_end()
            .to_owned()
    }
}

/// A plain value with its SI prefix and at most `significant` digits, trailing zeros dropped:
/// for headings and sentences.
///
/// ```
/// assert_eq!(humsieve::report::short(48e3, "Hz", 6), "48 kHz");
/// assert_eq!(humsieve::report::short(1.25e-4, "V", 3), "125 µV");
/// ```
#[must_use]
pub fn short(value: f64, unit: &str, significant: i32) -> String {
    if !value.is_finite() {
        return format!("unknown {unit}").trim_end().to_owned();
    }
    let prefix = Prefix::of(value.abs(), unit);
    let scaled = value.abs() / prefix.factor();
    let decimals = if scaled > 0.0 {
        (significant - 1 - scaled.log10().floor() as i32).clamp(0, 9)
    } else {
        0
    };
    let mut shown = prefix.show(value, Digits::Fixed(decimals as usize));
    if shown.contains('.') {
        shown.truncate(shown.trim_end_matches('0').trim_end_matches('.').len());
    }
    format!("{shown} {}", prefix.unit(unit))
        .trim_end()
        .to_owned()
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

fn uncertainty(estimate: &Estimate) -> f64 {
    let stated = estimate.standard_uncertainty;
    let from_interval = (estimate.high - estimate.low) / 4.0;
    match (
        stated.is_finite() && stated > 0.0,
        from_interval.is_finite(),
    ) {
        (true, _) => stated,
        (false, true) => from_interval,
        (false, false) => 0.0,
    }
}

/// Number of digits shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Digits {
    /// Decimals of a plain number.
    Fixed(usize),
    /// Decimals of the mantissa where no prefix reaches.
    Scientific(usize),
}

/// A power of 1000 before a unit.
#[derive(Debug, Clone, Copy)]
struct Prefix {
    symbol: &'static str,
    exponent: i32,
}

impl Prefix {
    const NONE: Self = Self {
        symbol: "",
        exponent: 0,
    };
    const ALL: [Self; 10] = [
        Self::at("f", -15),
        Self::at("p", -12),
        Self::at("n", -9),
        Self::at("µ", -6),
        Self::at("m", -3),
        Self::NONE,
        Self::at("k", 3),
        Self::at("M", 6),
        Self::at("G", 9),
        Self::at("T", 12),
    ];

    const fn at(symbol: &'static str, exponent: i32) -> Self {
        Self { symbol, exponent }
    }

    /// Units outside this list (percent, degrees, decibels, a file's own) bear no prefix.
    fn of(magnitude: f64, unit: &str) -> Self {
        let bears = matches!(unit, "V" | "A" | "Hz" | "s" | "S/s" | "V/√Hz" | "A/√Hz");
        if !bears || magnitude == 0.0 {
            return Self::NONE;
        }
        // A hair below the next power of ten rounds up to it.
        let exponent = (magnitude * (1.0 + 1e-12)).log10().floor() as i32;
        let wanted = exponent.div_euclid(3) * 3;
        let wanted = wanted.clamp(-15, 12);
        Self::ALL
            .into_iter()
            .find(|prefix| prefix.exponent == wanted)
            .unwrap_or(Self::NONE)
    }

    fn factor(self) -> f64 {
        10f64.powi(self.exponent)
    }

    fn unit(self, unit: &str) -> String {
        format!("{}{unit}", self.symbol)
    }

    fn digits(self, largest: f64, uncertainty: f64) -> Digits {
        let scaled = largest / self.factor();
        let leading = if scaled > 0.0 {
            scaled.log10().floor() as i32
        } else {
            0
        };
        let last = if uncertainty > 0.0 {
            // At most twelve digits, so that a far too small uncertainty does not flood the page.
            ((uncertainty / self.factor()).log10().floor() as i32 - 1).max(leading - 11)
        } else {
            leading - 4
        };
        if leading.abs() > 6 {
            Digits::Scientific((leading - last).clamp(0, 11) as usize)
        } else {
            Digits::Fixed((-last).clamp(0, 15) as usize)
        }
    }

    fn show(self, value: f64, digits: Digits) -> String {
        // Division by a positive power of ten is exact where multiplication by its inverse is not.
        let scaled = if self.exponent < 0 {
            value * 10f64.powi(-self.exponent)
        } else {
            value / self.factor()
        };
        let shown = match digits {
            Digits::Fixed(decimals) => format!("{scaled:.decimals$}"),
            Digits::Scientific(decimals) => format!("{scaled:.decimals$e}"),
        };
        match shown.strip_prefix('-') {
            Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
            _ => shown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(value: f64, low: f64, high: f64) -> Figure {
        Figure::Estimate(Estimate::new(value, (low, high), f64::NAN, 10.0, 0.95))
    }

    #[test]
    fn digits_follow_the_uncertainty() {
        let frequency = Reading::new(estimate(50.013214, 50.012814, 50.013614), "Hz");
        assert_eq!(frequency.value, "50.01321");
        assert_eq!(frequency.interval.as_deref(), Some("50.01281 to 50.01361"));
        let offset = Reading::new(estimate(1e-9, -4e-6, 4e-6), "V");
        assert_eq!(offset.value_with_unit(), "0.0 µV");
        assert_eq!(offset.interval.as_deref(), Some("-4.0 to 4.0"));
    }

    #[test]
    fn prefix_is_that_of_the_largest() {
        let below = Reading::new(estimate(3.1e-7, 0.0, 1.2e-6), "V");
        assert_eq!(below.unit, "µV");
        assert_eq!(below.value, "0.31");
        let exact = Reading::new(Figure::Plain(1e-3), "V");
        assert_eq!(exact.value_with_unit(), "1.0000 mV");
        let shunt = Reading::new(Figure::Plain(12.5), "bar");
        assert_eq!(shunt.value_with_unit(), "12.500 bar");
    }

    #[test]
    fn unknown_and_unbounded_are_said() {
        assert_eq!(
            Reading::new(Figure::Unknown, "V").value_with_unit(),
            "unknown"
        );
        assert_eq!(Reading::new(Figure::Plain(f64::NAN), "V").value, "unknown");
        let open = Reading::new(estimate(20.0, 15.0, f64::INFINITY), "dB");
        assert_eq!(open.interval.as_deref(), Some("15.000 to unbounded"));
    }

    #[test]
    fn zero_and_tiny_values_do_not_flood() {
        assert_eq!(
            Reading::new(Figure::Plain(0.0), "V").value_with_unit(),
            "0.0000 V"
        );
        assert_eq!(short(0.0, "V", 4), "0 V");
        let tiny = Reading::new(estimate(1e-20, 0.0, 2e-20), "V");
        assert!(tiny.value.len() < 12, "{tiny:?}");
        let sharp = Reading::new(estimate(1.0, 1.0 - 1e-16, 1.0 + 1e-16), "V");
        assert!(sharp.value.len() < 18, "{sharp:?}");
    }

    #[test]
    fn short_drops_trailing_zeros() {
        assert_eq!(short(44100.0, "Hz", 6), "44.1 kHz");
        assert_eq!(short(0.8, "s", 4), "800 ms");
        assert_eq!(short(2400.0, "", 4), "2400");
        assert_eq!(short(f64::INFINITY, "V", 4), "unknown V");
    }
}
