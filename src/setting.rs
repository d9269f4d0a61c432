//! Checks that the settings of many things share.

use crate::{Error, ErrorKind};

/// Refuses a value that is not positive and finite; `unit` follows it with a blank in front.
pub(crate) fn positive(name: &str, value: f64, unit: &str) -> Result<(), Error> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(ErrorKind::BadOption.error(format!(
        "{name} is {value}{unit}; it must be positive and finite"
    )))
}

/// Refuses a level of confidence that is none.
pub(crate) fn confidence(level: f64) -> Result<(), Error> {
    if level > 0.0 && level < 1.0 {
        return Ok(());
    }
    Err(ErrorKind::BadOption.error(format!(
        "the confidence is {level}; it must lie strictly between 0 and 1"
    )))
}
