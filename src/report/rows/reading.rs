//! A figure as it is read.

use crate::quantity::Figure;
use crate::si::{self, PrintedEstimate};

/// A figure dressed for reading; value and interval share the prefix of the unit.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Reading {
    /// Point estimate, or `not known`.
    pub value: String,
    /// `low to high`.
    pub interval: Option<String>,
    /// Unit with its prefix.
    pub unit: String,
}

impl Reading {
    /// Dresses a figure: two digits of the interval's half width, five where there is none.
    #[must_use]
    pub fn new(figure: Figure, unit: &str) -> Self {
        let alone = |value: &str, unit: &str| Self {
            value: value.to_owned(),
            interval: None,
            unit: unit.to_owned(),
        };
        match figure {
            Figure::Estimate(estimate) if estimate.value.is_finite() => {
                let printed = PrintedEstimate::new(&estimate, unit);
                Self {
                    value: printed.value,
                    interval: Some(format!("{} to {}", printed.low, printed.high)),
                    unit: printed.unit,
                }
            }
            Figure::Plain(value) if value.is_finite() => {
                let shown = si::rounded(value, unit, 5);
                let (value, unit) = shown.split_once(' ').unwrap_or((&shown, ""));
                alone(value, unit)
            }
            Figure::Count(count) => alone(&count.to_string(), unit),
            Figure::Estimate(_) | Figure::Plain(_) | Figure::Unknown => alone("not known", ""),
        }
    }

    /// Value and unit in one string.
    #[must_use]
    pub fn value_with_unit(&self) -> String {
        format!("{} {}", self.value, self.unit)
            .trim_end()
            .to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Estimate;

    #[test]
    fn reading_by_example() {
        let hum = Estimate::new(6.02134e-3, (6.0187e-3, 6.0240e-3), 1.35e-6, 40.0, 0.95);
        let reading = Reading::new(hum.into(), "V");
        assert_eq!(reading.value, "6.0213");
        assert_eq!(reading.interval.as_deref(), Some("6.0187 to 6.0240"));
        assert_eq!(reading.unit, "mV");
    }

    fn estimate(value: f64, low: f64, high: f64) -> Figure {
        Figure::Estimate(Estimate::new(value, (low, high), f64::NAN, 10.0, 0.95))
    }

    #[test]
    fn digits_follow_the_interval() {
        let frequency = Reading::new(estimate(50.013214, 50.012814, 50.013614), "Hz");
        assert_eq!(frequency.value, "50.01321");
        assert_eq!(frequency.interval.as_deref(), Some("50.01281 to 50.01361"));
        let below = Reading::new(estimate(3.1e-7, 0.0, 1.2e-6), "V");
        assert_eq!(below.value_with_unit(), "0.31 µV");
    }

    #[test]
    fn a_figure_without_an_interval_has_five_digits() {
        assert_eq!(Reading::new(Figure::Plain(1e-3), "V").value, "1.0000");
        let pressure = Reading::new(Figure::Plain(12.5), "bar");
        assert_eq!(pressure.value_with_unit(), "12.500 bar");
        assert_eq!(Reading::new(Figure::Plain(1.5), "").unit, "");
    }

    #[test]
    fn unknown_is_said() {
        for figure in [
            Figure::Unknown,
            Figure::Plain(f64::NAN),
            estimate(f64::NAN, 0.0, 1.0),
        ] {
            assert_eq!(Reading::new(figure, "V").value_with_unit(), "not known");
        }
    }
}
