//! Numbers as typed: a plain or exponent form, an SI prefix, perhaps a unit.

use crate::si::read;

/// A number with or without a prefix and a unit.
pub fn si(text: &str) -> Result<f64, String> {
    read(text).ok_or_else(|| {
        let text = text.trim();
        format!("'{text}' is no number; digits with an SI prefix would do, as in 48k or 100u")
    })
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
