//! Numbers as typed: a plain or exponent form, an SI prefix, perhaps a unit.

/// Reads `100u`, `20k`, `1.5e3`, `500mV`, `48kHz`.
pub fn si(text: &str) -> Result<f64, String> {
    let text = text.trim();
    if let Ok(plain) = text.parse() {
        return Ok(plain);
    }
    let (mantissa, exponent) = split(text);
    // Read in one go, so that 100u is the double nearest to 0.0001.
    let value = if exponent == 0 || mantissa.contains(['e', 'E']) {
        mantissa
            .parse()
            .map(|value: f64| value * 10f64.powi(exponent))
    } else {
        format!("{mantissa}e{exponent}").parse()
    };
    value.map_err(|_| {
        format!("'{text}' is no number; digits with an SI prefix would do, as in 48k or 100u")
    })
}

/// Digits and power of ten.
fn split(text: &str) -> (&str, i32) {
    let bare = ["S/s", "Sa/s", "Hz", "V", "s", "dB"]
        .into_iter()
        .find_map(|unit| text.strip_suffix(unit))
        .unwrap_or(text)
        .trim_end();
    let exponent = match bare.chars().last() {
        Some('f') => -15,
        Some('p') => -12,
        Some('n') => -9,
        Some('u' | 'µ' | 'μ') => -6,
        Some('m') => -3,
        Some('k' | 'K') => 3,
        Some('M') => 6,
        Some('G') => 9,
        _ => return (bare, 0),
    };
    let mut chars = bare.chars();
    chars.next_back();
    (chars.as_str().trim_end(), exponent)
}

/// As [`si`], positive and finite.
pub fn positive(text: &str) -> Result<f64, String> {
    match si(text)? {
        x if x.is_finite() && x > 0.0 => Ok(x),
        _ => Err("it must be positive and finite".into()),
    }
}

/// As [`si`], finite and 0 or more.
pub fn not_negative(text: &str) -> Result<f64, String> {
    match si(text)? {
        x if x.is_finite() && x >= 0.0 => Ok(x),
        _ => Err("it must be finite and not negative".into()),
    }
}

/// As [`si`], finite and not 0.
pub fn scale(text: &str) -> Result<f64, String> {
    match si(text)? {
        x if x.is_finite() && x != 0.0 => Ok(x),
        _ => Err("it must be finite and not 0".into()),
    }
}

/// A probability strictly between 0 and 1.
pub fn confidence(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(p) if p > 0.0 && p < 1.0 => Ok(p),
        _ => Err("it must lie strictly between 0 and 1, as in 0.95".into()),
    }
}

/// A whole number of at least 1.
pub fn count(text: &str) -> Result<usize, String> {
    match text.trim().parse::<usize>() {
        Ok(n) if n >= 1 => Ok(n),
        _ => Err("it must be a whole number of at least 1".into()),
    }
}

/// Bits of a converter.
pub fn bits(text: &str) -> Result<u32, String> {
    match text.trim().parse::<u32>() {
        Ok(n) if (1..=32).contains(&n) => Ok(n),
        _ => Err("it must be a whole number from 1 to 32".into()),
    }
}

/// `LOW:HIGH` with 0 <= LOW < HIGH.
pub fn band(text: &str) -> Result<(f64, f64), String> {
    let wanted = || "it must be LOW:HIGH in hertz with 0 <= LOW < HIGH, as in 10:20k".to_owned();
    let (low, high) = text.split_once(':').ok_or_else(wanted)?;
    let (low, high) = (
        si(low).map_err(|_| wanted())?,
        si(high).map_err(|_| wanted())?,
    );
    if low.is_finite() && high.is_finite() && 0.0 <= low && low < high {
        Ok((low, high))
    } else {
        Err(wanted())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prefixes_and_units() {
        for (text, expected) in [
            ("100u", 0.0001),
            ("100µV", 100e-6),
            ("48kHz", 48e3),
            ("1.5e3", 1500.0),
            ("2M", 2e6),
            ("-3m", -3e-3),
            ("10 MS/s", 10e6),
            ("5s", 5.0),
            ("20ms", 20e-3),
        ] {
            assert_eq!(si(text), Ok(expected), "{text}");
        }
        for text in ["", "k", "infm", "1x", "1k5", "0x10", "1,5", "Hz"] {
            assert!(si(text).is_err(), "{text}");
        }
    }

    #[test]
    fn ranges_are_kept() {
        assert!(positive("0").is_err() && positive("-1").is_err());
        assert!(positive("inf").is_err() && positive("nan").is_err());
        assert!(scale("-10").is_ok() && scale("0").is_err() && scale("inf").is_err());
        assert!(confidence("1").is_err() && confidence("0").is_err() && confidence("0.5").is_ok());
        assert!(count("0").is_err() && count("2.5").is_err() && count("7").is_ok());
        assert_eq!(band("10:20k"), Ok((10.0, 20e3)));
        assert_eq!(band("0:5"), Ok((0.0, 5.0)));
        for text in ["5:5", "9:1", "-1:4", "10", "10:", ":10", "1:inf", "nan:3"] {
            assert!(band(text).is_err(), "{text}");
        }
    }
}
