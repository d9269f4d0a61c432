//! Numbers that JSON does not have, read back from the `null` that stands for them.

use serde::{Deserialize, Deserializer};

/// `null` as infinity.
pub(crate) fn infinite<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::INFINITY))
}

/// `null` as negative infinity.
pub(crate) fn endless_below<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::NEG_INFINITY))
}

/// `null` as not a number.
pub(crate) fn unknown<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or(f64::NAN))
}

/// Each `null` in rows of numbers as not a number.
pub(crate) fn unknown_in_rows<'de, D: Deserializer<'de>>(
    from: D,
) -> Result<Vec<Vec<f64>>, D::Error> {
    let rows = Vec::<Vec<Option<f64>>>::deserialize(from)?;
    let number = |place: Option<f64>| place.unwrap_or(f64::NAN);
    Ok(rows
        .into_iter()
        .map(|row| row.into_iter().map(number).collect())
        .collect())
}

/// Numbers of which `null` is NaN.
#[cfg(feature = "session")]
pub(crate) fn all_unknown<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<f64>, D::Error> {
    let read = Vec::<Option<f64>>::deserialize(from)?;
    Ok(read.into_iter().map(|x| x.unwrap_or(f64::NAN)).collect())
}
