//! Figures in print: SI prefixes, and as many digits as the interval is worth.

use crate::stats::Estimate;

const PREFIXES: [(f64, &str); 9] = [
    (1e-15, "f"),
    (1e-12, "p"),
    (1e-9, "n"),
    (1e-6, "µ"),
    (1e-3, "m"),
    (1.0, ""),
    (1e3, "k"),
    (1e6, "M"),
    (1e9, "G"),
];

const NOT_KNOWN: &str = "not known";

/// Scale and SI prefix that put `magnitude` between 1 and 1000.
fn prefix(magnitude: f64) -> (f64, &'static str) {
    let mut found = (1.0, "");
    if magnitude > 0.0 && magnitude.is_finite() {
        found = PREFIXES[0];
        for candidate in PREFIXES {
            if magnitude >= candidate.0 * (1.0 - 1e-9) {
                found = candidate;
            }
        }
    }
    found
}

fn takes_prefix(unit: &str) -> bool {
    matches!(unit, "V" | "A" | "Hz" | "V/√Hz" | "Ω" | "W")
}

/// The scale and prefix that suit figures up to `magnitude`; none for units that take no prefix.
pub(crate) fn common_prefix(magnitude: f64, unit: &str) -> (f64, &'static str) {
    if takes_prefix(unit) {
        prefix(magnitude)
    } else {
        (1.0, "")
    }
}

fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.starts_with('-') && text.trim_start_matches(['-', '0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text.replace('-', "−")
    }
}

/// `value` with `digits` significant digits and an SI prefix: `102 µV`, `1.5 kHz`, `40`.
///
/// ```
/// use humsieve::report::si;
/// assert_eq!(si(1.02345e-4, "V", 3), "102 µV");
/// assert_eq!(si(1e-3, "V", 3), "1.00 mV");
/// assert_eq!(si(f64::NAN, "V", 3), "not known");
/// ```
#[must_use]
pub fn si(value: f64, unit: &str, digits: usize) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.into();
    }
    let rounded: f64 = format!("{:.*e}", digits.max(1) - 1, value)
        .parse()
        .unwrap_or(value);
    let (scale, prefix) = common_prefix(rounded.abs(), unit);
    let scaled = rounded / scale;
    let whole = (scaled.abs() * (1.0 + 1e-12)).log10().floor() + 1.0;
    let decimals = (digits as f64 - whole).clamp(0.0, 9.0) as usize;
    let decimals = if value == 0.0 { 0 } else { decimals };
    format!("{} {prefix}{unit}", fixed(scaled, decimals))
        .trim_end()
        .to_owned()
}

/// `value` in its shortest form with an SI prefix, as a setting is written: `200 mV`, `48 kHz`.
///
/// ```
/// use humsieve::report::si_short;
/// assert_eq!(si_short(0.2, "V"), "200 mV");
/// assert_eq!(si_short(48e3, "Hz"), "48 kHz");
/// assert_eq!(si_short(22.5, "s"), "22.5 s");
/// ```
#[must_use]
pub fn si_short(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.into();
    }
    let (scale, prefix) = common_prefix(value.abs(), unit);
    let text = fixed(value / scale, 6);
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        text.as_str()
    };
    format!("{text} {prefix}{unit}").trim_end().to_owned()
}

/// Value and interval in one common prefix, rounded to two digits of the interval's half width.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PrintedEstimate {
    /// The point estimate without unit.
    pub value: String,
    /// The interval's lower end without unit.
    pub low: String,
    /// The interval's upper end without unit; `none` where there is none.
    pub high: String,
    /// Prefix and unit.
    pub unit: String,
}

impl PrintedEstimate {
    /// Prints an estimate.
    ///
    /// ```
    /// use humsieve::Estimate;
    /// use humsieve::report::PrintedEstimate;
    /// let hum = Estimate::new(1.02345e-4, (1.0178e-4, 1.0289e-4), 2.8e-7, 40.0, 0.95);
    /// let printed = PrintedEstimate::new(&hum, "V");
    /// assert_eq!(printed.to_string(), "102.34 [101.78, 102.89] µV");
    /// ```
    #[must_use]
    pub fn new(estimate: &Estimate, unit: &str) -> Self {
        Self::of(estimate.value, estimate.low, Some(estimate.high), unit)
    }

    /// Prints a value and its interval, which may have no upper end.
    #[must_use]
    pub fn of(value: f64, low: f64, high: Option<f64>, unit: &str) -> Self {
        let magnitude = [value, low, high.unwrap_or(0.0)]
            .into_iter()
            .map(f64::abs)
            .filter(|x| x.is_finite())
            .fold(0.0, f64::max);
        let (scale, prefix) = common_prefix(magnitude, unit);
        let half = match high {
            Some(high) => (high - low) / 2.0,
            None => (value - low).max(magnitude / 100.0),
        } / scale;
        let half = if half.is_finite() {
            half
        } else {
            magnitude / scale / 100.0
        };
        let decimals = if half > 0.0 && half.is_finite() {
            (1.0 - half.log10().floor()).clamp(0.0, 9.0) as usize
        } else {
            3
        };
        let print = |x: f64| {
            if x.is_finite() {
                fixed(x / scale, decimals)
            } else {
                NOT_KNOWN.to_owned()
            }
        };
        Self {
            value: print(value),
            low: print(low),
            high: high.map_or_else(|| "none".to_owned(), print),
            unit: format!("{prefix}{unit}"),
        }
    }

    /// The interval alone: `[101.78, 102.89]`.
    #[must_use]
    pub fn interval(&self) -> String {
        if self.high == "none" {
            format!("at least {}", self.low)
        } else if self.low == NOT_KNOWN {
            format!("at most {}", self.high)
        } else {
            format!("[{}, {}]", self.low, self.high)
        }
    }
}

impl std::fmt::Display for PrintedEstimate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.high == "none" || self.low == NOT_KNOWN {
            write!(f, "{} {}", self.interval(), self.unit)
        } else {
            write!(f, "{} {} {}", self.value, self.interval(), self.unit)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prefixes_cover_their_edges() {
        assert_eq!(si(999.96e-6, "V", 3), "1.00 mV");
        assert_eq!(si(-2.5e-9, "V/√Hz", 2), "−2.5 nV/√Hz");
        assert_eq!(si(0.0, "V", 3), "0 V");
        assert_eq!(si(12.34, "dB", 3), "12.3 dB");
        assert_eq!(si(0.25, "s", 2), "0.25 s");
    }

    #[test]
    fn an_open_interval_claims_its_lower_end() {
        let printed = PrintedEstimate::of(23.4, 23.4, None, "dB");
        assert_eq!(printed.to_string(), "at least 23.40 dB");
        let printed = PrintedEstimate::of(3.0, f64::NEG_INFINITY, Some(3.0), "dB");
        assert_eq!(printed.to_string(), "at most 3.000 dB");
    }

    #[test]
    fn zero_has_no_sign() {
        assert_eq!(
            PrintedEstimate::of(-1e-9, -1.0, Some(1.0), "V").value,
            "0.0"
        );
    }
}
