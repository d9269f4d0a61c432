//! Axes: decades or steps of 1, 2, 5, with SI prefixes.

use crate::si;
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use std::ops::Range;

/// An axis in drawing coordinates (the common logarithm where it is logarithmic).
#[derive(Debug, Clone, PartialEq)]
pub(in crate::report::plot) struct Axis {
    pub name: String,
    pub low: f64,
    pub high: f64,
    pub ticks: Vec<f64>,
    pub light: Vec<f64>,
    labels: Labels,
}

#[derive(Debug, Clone, PartialEq)]
enum Labels {
    Decades { prefixed: bool },
    Linear { scale: f64, decimals: usize },
    Named(Vec<(f64, String)>),
}

impl Axis {
    /// A logarithmic axis over `low..high` (both positive), ticks at the decades.
    pub(in crate::report::plot) fn logarithmic(
        name: &str,
        unit: &str,
        low: f64,
        high: f64,
    ) -> Self {
        let (low, high) = (low.log10(), high.log10());
        let (first, last) = (low.ceil() as i32, high.floor() as i32);
        let mut ticks: Vec<f64> = (first..=last).map(f64::from).collect();
        let mut light = Vec::new();
        for decade in first - 1..=last {
            for step in 2..=9 {
                let place = f64::from(decade) + f64::from(step).log10();
                if (low..=high).contains(&place) {
                    light.push(place);
                }
            }
        }
        if ticks.len() < 2 {
            ticks.extend(light.iter().copied().filter(|place| {
                let step = 10f64.powf(place.rem_euclid(1.0)).round();
                step == 2.0 || step == 5.0
            }));
            ticks.sort_by(f64::total_cmp);
        }
        if ticks.len() < 2 {
            ticks.clone_from(&light);
        }
        Self {
            name: format!("{name} ({unit})"),
            low,
            high,
            ticks,
            light,
            labels: Labels::Decades {
                prefixed: si::takes_prefix(unit),
            },
        }
    }

    /// A linear axis over the values, widened to its ticks; the unit takes one common prefix.
    pub(in crate::report::plot) fn linear(name: &str, unit: &str, low: f64, high: f64) -> Self {
        let magnitude = low.abs().max(high.abs());
        let (scale, scaled_unit) = si::scaled_unit(magnitude, unit);
        let span = if high > low {
            high - low
        } else {
            magnitude.max(1.0)
        };
        let step = nice_step(span / scale / 5.0) * scale;
        let first = (low / step + 1e-9).floor();
        let last = (high / step - 1e-9).ceil().max(first + 1.0);
        let count = (last - first).round() as i32;
        let ticks = (0..=count).map(|i| (first + f64::from(i)) * step).collect();
        let decimals = (-(step / scale).log10().floor()).clamp(0.0, 6.0) as usize;
        Self {
            name: format!("{name} ({scaled_unit})"),
            low: first * step,
            high: last * step,
            ticks,
            light: Vec::new(),
            labels: Labels::Linear { scale, decimals },
        }
    }

    /// A linear axis from `low` to `high` exactly, with the ticks that lie within.
    pub(in crate::report::plot) fn exact(name: &str, unit: &str, low: f64, high: f64) -> Self {
        let mut axis = Self::linear(name, unit, low, high);
        axis.ticks.retain(|tick| (low..=high).contains(tick));
        Self { low, high, ..axis }
    }

    /// An axis of named places.
    pub(in crate::report::plot) fn named(
        name: &str,
        low: f64,
        high: f64,
        places: Vec<(f64, String)>,
    ) -> Self {
        Self {
            name: name.into(),
            low,
            high,
            ticks: places.iter().map(|(place, _)| *place).collect(),
            light: Vec::new(),
            labels: Labels::Named(places),
        }
    }

    /// The same axis without a name.
    pub(in crate::report::plot) fn unnamed(&self) -> Self {
        Self {
            name: String::new(),
            ..self.clone()
        }
    }

    pub(in crate::report::plot) fn label(&self, place: f64) -> String {
        match &self.labels {
            Labels::Decades { prefixed } => {
                let value = 10f64.powf(place);
                let rounded: f64 = format!("{value:.0e}").parse().unwrap_or(value);
                si::shortest(rounded, if *prefixed { "Hz" } else { "" })
                    .trim_end_matches("Hz")
                    .trim_end()
                    .to_owned()
            }
            Labels::Linear { scale, decimals } => {
                let text = format!("{:.*}", *decimals, place / scale);
                let zero = text.trim_start_matches(['-', '0', '.']).is_empty();
                if zero {
                    "0".into()
                } else {
                    text.replace('-', "−")
                }
            }
            Labels::Named(places) => places
                .iter()
                .find(|(at, _)| (at - place).abs() < 1e-9)
                .map_or_else(String::new, |(_, name)| name.clone()),
        }
    }
}

impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, (from, to): (i32, i32)) -> i32 {
        let part = (value - self.low) / (self.high - self.low);
        from + (part * f64::from(to - from)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            self.light.clone()
        } else {
            self.ticks.clone()
        }
    }

    fn range(&self) -> Range<f64> {
        self.low..self.high
    }
}

impl ValueFormatter<f64> for Axis {
    fn format(place: &f64) -> String {
        si::shortest(*place, "")
    }

    fn format_ext(&self, place: &f64) -> String {
        self.label(*place)
    }
}

/// Smallest and largest value: plus and minus infinity of none.
pub(in crate::report) fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    })
}

/// The next of 1, 2, 5 times a power of ten.
fn nice_step(least: f64) -> f64 {
    let decade = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0]
        .into_iter()
        .map(|step| step * decade)
        .find(|step| *step >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decades_are_labelled_with_prefixes() {
        let axis = Axis::logarithmic("noise density", "V/√Hz", 3e-9, 2e-5);
        let labels: Vec<String> = axis.ticks.iter().map(|tick| axis.label(*tick)).collect();
        assert_eq!(labels, ["10 n", "100 n", "1 µ", "10 µ"]);
        let axis = Axis::logarithmic("frequency", "Hz", 10.0, 20e3);
        assert_eq!(axis.label(axis.ticks[3]), "10 k");
    }

    #[test]
    fn a_short_logarithmic_axis_has_ticks_too() {
        let axis = Axis::logarithmic("frequency", "Hz", 1.5, 7.0);
        let labels: Vec<String> = axis.ticks.iter().map(|tick| axis.label(*tick)).collect();
        assert_eq!(labels, ["2", "5"]);
    }

    #[test]
    fn linear_ticks_share_one_prefix() {
        let axis = Axis::linear("voltage", "V", -1.1e-4, 0.9e-4);
        assert_eq!(axis.name, "voltage (µV)");
        let labels: Vec<String> = axis.ticks.iter().map(|tick| axis.label(*tick)).collect();
        assert_eq!(labels, ["−150", "−100", "−50", "0", "50", "100"]);
        let from_zero = Axis::linear("time", "s", 0.0, 60.0);
        assert_eq!((from_zero.low, from_zero.high), (0.0, 60.0));
        let flat = Axis::linear("voltage", "V", 0.0, 0.0);
        assert!(flat.high > flat.low);
    }
}
