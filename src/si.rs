//! Numbers with SI prefixes, as people write and read them.

use crate::stats::Estimate;
use std::ops::Range;

/// Factor, power of ten and letter, rising.
const PREFIXES: [(f64, i32, &str); 9] = [
    (1e-15, -15, "f"),
    (1e-12, -12, "p"),
    (1e-9, -9, "n"),
    (1e-6, -6, "µ"),
    (1e-3, -3, "m"),
    (1.0, 0, ""),
    (1e3, 3, "k"),
    (1e6, 6, "M"),
    (1e9, 9, "G"),
];

/// Other letters for prefixes in what is read: on a keyboard, the Greek letter, a common slip.
const ALSO_READ: [(&str, &str); 3] = [("u", "µ"), ("\u{3bc}", "µ"), ("K", "k")];

/// Units that may follow a number that is read; those that end like another one come first.
const UNITS_READ: [&str; 7] = ["S/s", "Sa/s", "Hz", "V", "s", "Ohm", "Ω"];

const NOT_KNOWN: &str = "not known";

/// Reads a number with or without a prefix and a unit: `100u`, `20k`, `1.5e3`, `2 mV`, `48kHz`; `None` where
/// the text is none.
///
/// The result is the double nearest to what is written.
#[must_use]
pub fn read(text: &str) -> Option<f64> {
    let text = text.trim();
    if let Ok(plain) = text.parse() {
        return Some(plain);
    }
    let bare = UNITS_READ
        .iter()
        .find_map(|unit| text.strip_suffix(unit))
        .unwrap_or(text)
        .trim_end();
    let (mantissa, exponent) = split_prefix(bare);
    if exponent == 0 || mantissa.contains(['e', 'E']) {
        let value: f64 = mantissa.parse().ok()?;
        return Some(value * 10f64.powi(exponent));
    }
    format!("{mantissa}e{exponent}").parse().ok()
}

/// Digits, and the power of ten that a prefix after them stands for.
fn split_prefix(text: &str) -> (&str, i32) {
    let letters = PREFIXES.iter().map(|&(_, _, letter)| (letter, letter));
    letters
        .chain(ALSO_READ)
        .filter(|(written, _)| !written.is_empty())
        .find_map(|(written, letter)| {
            let digits = text.strip_suffix(written)?.trim_end();
            let (_, exponent, _) = PREFIXES.iter().find(|(_, _, known)| *known == letter)?;
            Some((digits, *exponent))
        })
        .unwrap_or((text, 0))
}

/// Units that prefixes go before, densities of them included; another one, as a file writes it, may hold a prefix of its own.
const TAKE_PREFIXES: [&str; 22] = [
    "V", "A", "Hz", "Ω", "W", "Pa", "N", "g", "m", "J", "F", "H", "C", "T", "K", "S", "VA", "var",
    "Nm", "N·m", "m/s", "m/s²",
];

/// Magnitudes that digits and prefixes write well, with prefixes and without.
const PREFIXED: Range<f64> = 0.9995e-15..0.9995e12;
const PLAIN: Range<f64> = 0.9995e-6..0.9995e9;

/// Power of ten of a figure that needs scientific notation; `None` for zero and where digits or prefixes do.
fn power_of_ten(magnitude: f64, unit: &str) -> Option<i32> {
    let written = if takes_prefix(unit) { PREFIXED } else { PLAIN };
    if !(magnitude > 0.0 && magnitude.is_finite()) || written.contains(&magnitude) {
        return None;
    }
    let text = format!("{magnitude:e}");
    text.split_once('e')?.1.parse().ok()
}

/// Scale and SI prefix that put `magnitude` between 1 and 1000.
fn prefix(magnitude: f64) -> (f64, &'static str) {
    // What is a rounding short of the next prefix takes that one.
    const ROUNDING: f64 = 1e-9;
    if !(magnitude > 0.0 && magnitude.is_finite()) {
        return (1.0, "");
    }
    let reached = |(factor, _, _): &&(f64, i32, &str)| magnitude >= factor * (1.0 - ROUNDING);
    let (factor, _, letter) = PREFIXES.iter().rev().find(reached).unwrap_or(&PREFIXES[0]);
    (*factor, letter)
}

pub(crate) fn takes_prefix(unit: &str) -> bool {
    TAKE_PREFIXES.contains(&unit.strip_suffix("/√Hz").unwrap_or(unit))
}

/// Whether a word is a unit that may follow a number, with or without a prefix.
pub(crate) fn is_unit(word: &str) -> bool {
    const WORDS: [&str; 9] = ["%", "dB", "s", "ms", "min", "h", "ohm", "bits", "degrees"];
    let bare = word.strip_suffix("/√Hz").unwrap_or(word);
    let known = |unit: &str| TAKE_PREFIXES.contains(&unit);
    WORDS.contains(&word)
        || known(bare)
        || PREFIXES
            .iter()
            .filter(|(_, _, letter)| !letter.is_empty())
            .any(|(_, _, letter)| bare.strip_prefix(letter).is_some_and(known))
}

/// The scale that suits figures up to `magnitude`, and the unit that goes with it: `(1e-6, "µV")`.
pub(crate) fn scaled_unit(magnitude: f64, unit: &str) -> (f64, String) {
    match power_of_ten(magnitude, unit) {
        Some(power) => (10f64.powi(power), format!("1e{power} {unit}")),
        None => {
            let (scale, prefix) = common_prefix(magnitude, unit);
            (scale, format!("{prefix}{unit}"))
        }
    }
}

/// The scale and prefix that suit figures up to `magnitude`; none for units that take no prefix.
fn common_prefix(magnitude: f64, unit: &str) -> (f64, &'static str) {
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
#[must_use]
pub fn rounded(value: f64, unit: &str, digits: usize) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.into();
    }
    let scientific = format!("{:.*e}", digits.max(1) - 1, value);
    let nearest: f64 = scientific.parse().unwrap_or(value);
    if power_of_ten(nearest.abs(), unit).is_some() {
        return with_unit(
            &scientific.replacen('-', "−", usize::from(value < 0.0)),
            unit,
        );
    }
    let (scale, prefix) = common_prefix(nearest.abs(), unit);
    let scaled = nearest / scale;
    let whole = (scaled.abs() * (1.0 + 1e-12)).log10().floor() + 1.0;
    let decimals = (digits as f64 - whole).clamp(0.0, 9.0) as usize;
    let decimals = if value == 0.0 { 0 } else { decimals };
    with_unit(&fixed(scaled, decimals), &format!("{prefix}{unit}"))
}

/// `value` in its shortest form with an SI prefix, as a setting is written: `200 mV`, `48 kHz`.
#[must_use]
pub fn shortest(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.into();
    }
    if power_of_ten(value.abs(), unit).is_some() {
        let scientific = format!("{value:e}");
        return with_unit(
            &scientific.replacen('-', "−", usize::from(value < 0.0)),
            unit,
        );
    }
    let (scale, prefix) = common_prefix(value.abs(), unit);
    let text = fixed(value / scale, 6);
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        text.as_str()
    };
    with_unit(text, &format!("{prefix}{unit}"))
}

fn with_unit(number: &str, unit: &str) -> String {
    format!("{number} {unit}").trim_end().to_owned()
}

/// A plain value of at most `significant` digits in its shortest form: for headings.
pub(crate) fn short(value: f64, unit: &str, significant: usize) -> String {
    let rounded = format!("{value:.*e}", significant.max(1) - 1);
    shortest(rounded.parse().unwrap_or(value), unit)
}

/// A level as a percentage without trailing zeros.
#[must_use]
pub fn percent(level: f64) -> String {
    shortest(100.0 * level, "%")
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
        let power = power_of_ten(magnitude, unit);
        let (scale, prefix) = match power {
            Some(power) => (10f64.powi(power), ""),
            None => common_prefix(magnitude, unit),
        };
        let ten = power.map_or_else(String::new, |power| format!("e{power}"));
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
                format!("{}{ten}", fixed(x / scale, decimals))
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
    fn read_by_example() {
        assert_eq!(read("100u"), Some(1e-4));
        assert_eq!(read("48 kHz"), Some(48e3));
        assert_eq!(read("1k5"), None);
    }

    #[test]
    fn rounded_by_example() {
        assert_eq!(rounded(1.02345e-4, "V", 3), "102 µV");
        assert_eq!(rounded(1e-3, "V", 3), "1.00 mV");
        assert_eq!(rounded(f64::NAN, "V", 3), "not known");
    }

    #[test]
    fn shortest_by_example() {
        assert_eq!(shortest(0.2, "V"), "200 mV");
        assert_eq!(shortest(48e3, "Hz"), "48 kHz");
        assert_eq!(shortest(22.5, "s"), "22.5 s");
    }

    #[test]
    fn percent_by_example() {
        assert_eq!(percent(0.95), "95 %");
        assert_eq!(percent(0.999), "99.9 %");
    }

    #[test]
    fn printed_estimate_by_example() {
        let hum = Estimate::new(1.02345e-4, (1.0178e-4, 1.0289e-4), 2.8e-7, 40.0, 0.95);
        let printed = PrintedEstimate::new(&hum, "V");
        assert_eq!(printed.to_string(), "102.34 [101.78, 102.89] µV");
    }

    #[test]
    fn numbers_are_read_to_the_nearest_double() {
        for (text, expected) in [
            ("100u", 0.0001),
            ("100µV", 100e-6),
            ("-3 µV", -3e-6),
            ("-3 \u{3bc}V", -3e-6),
            ("2 mV", 2e-3),
            ("48kHz", 48e3),
            ("48 KHz", 48e3),
            ("1.5e3 V", 1500.0),
            ("1e-3", 1e-3),
            ("2M", 2e6),
            ("-3m", -3e-3),
            ("5s", 5.0),
            ("10 MS/s", 10e6),
            ("10 MSa/s", 10e6),
            ("20ms", 20e-3),
            ("0.4 Ohm", 0.4),
            ("1.5 kΩ", 1500.0),
            ("5", 5.0),
            ("inf", f64::INFINITY),
        ] {
            assert_eq!(read(text), Some(expected), "{text}");
        }
        for text in [
            "",
            "k",
            "mV",
            "infm",
            "1x",
            "1k5",
            "0x10",
            "1,5",
            "1,5 V",
            "Hz",
            "1 kk",
            "1 furlong",
            "20 dB",
        ] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn headings_drop_trailing_zeros() {
        assert_eq!(short(44_100.0, "Hz", 6), "44.1 kHz");
        assert_eq!(short(1.234_567, "Hz", 4), "1.235 Hz");
        assert_eq!(short(2400.0, "", 4), "2400");
    }

    #[test]
    fn prefixes_cover_their_edges() {
        assert_eq!(rounded(999.96e-6, "V", 3), "1.00 mV");
        assert_eq!(rounded(-2.5e-9, "V/√Hz", 2), "−2.5 nV/√Hz");
        assert_eq!(rounded(0.0, "V", 3), "0 V");
        assert_eq!(rounded(12.34, "dB", 3), "12.3 dB");
        assert_eq!(rounded(0.25, "s", 2), "0.25 s");
    }

    #[test]
    fn figures_outside_the_prefixes_are_scientific() {
        assert_eq!(rounded(1e-22, "V", 3), "1.00e-22 V");
        assert_eq!(rounded(-1.24e-17, "V/√Hz", 2), "−1.2e-17 V/√Hz");
        assert_eq!(rounded(999.96e9, "Hz", 3), "1.00e12 Hz");
        assert_eq!(rounded(4.2e-8, "counts", 2), "4.2e-8 counts");
        assert_eq!(shortest(1.5e15, "Hz"), "1.5e15 Hz");
        let tiny = PrintedEstimate::of(1.02e-22, 1.00e-22, Some(1.04e-22), "V");
        assert_eq!(tiny.to_string(), "1.020e-22 [1.000e-22, 1.040e-22] V");
        assert_eq!(rounded(0.0, "V", 3), "0 V");
    }

    #[test]
    fn each_unit_takes_its_own_prefixes() {
        assert_eq!(rounded(1.2e-4, "Pa", 2), "120 µPa");
        assert_eq!(rounded(3.4e-6, "m/s²/√Hz", 2), "3.4 µm/s²/√Hz");
        // A unit that may hold a prefix already takes none.
        assert_eq!(rounded(1.2e-4, "kPa", 2), "0.00012 kPa");
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
