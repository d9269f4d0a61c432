//! What the settings of many things share: checks, and methods that set them.

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

/// A method for each setting of a type that may grow: one that is always there, one that may be `None`, a list.
macro_rules! setters {
    ($options:ty {
        $(set $field:ident: $type:ty;)*
        $(some $optional:ident: $given:ty;)*
        $(list $several:ident: $items:ty;)*
    }) => {
        impl $options {
            $(
                #[doc = concat!("The same with this `", stringify!($field), "`.")]
                #[must_use]
                pub fn $field(mut self, $field: $type) -> Self {
                    self.$field = $field;
                    self
                }
            )*
            $(
                #[doc = concat!("The same with `Some` of this `", stringify!($optional), "`.")]
                #[must_use]
                pub fn $optional(mut self, $optional: $given) -> Self {
                    self.$optional = Some($optional.into());
                    self
                }
            )*
            $(
                #[doc = concat!("The same with these `", stringify!($several), "`.")]
                #[must_use]
                pub fn $several(mut self, $several: impl IntoIterator<Item = $items>) -> Self {
                    self.$several = $several.into_iter().map(Into::into).collect();
                    self
                }
            )*
        }
    };
}
pub(crate) use setters;
