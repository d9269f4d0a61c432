//! How a capture was taken.

use crate::setting::setters;
use crate::{Error, ErrorKind};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Input coupling of the instrument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Coupling {
    /// Everything from 0 Hz up passes.
    Dc,
    /// A high-pass in front: the offset is lost and the fundamental lowered.
    Ac,
}

impl fmt::Display for Coupling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Dc => "DC",
            Self::Ac => "AC",
        })
    }
}

/// What is known of the instrument's settings; `None` where neither file nor user says. Units are those of the channels, for
/// which V in a name stands.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[non_exhaustive]
pub struct Acquisition {
    /// The range: plus or minus this many units of the channel. Samples at or beyond it count as clipped.
    pub full_scale_v: Option<f64>,
    /// Input coupling; AC keeps a capture from telling an offset.
    pub coupling: Option<Coupling>,
    /// Attenuation of the probe (10 for a 10:1 probe), already part of the values.
    pub probe_factor: Option<f64>,
    /// Bits of the converter; told on, while analysis goes by its step.
    pub bits: Option<u32>,
    /// The converter's step in units of the channel; where it is not stated it is sought in the values.
    pub lsb_v: Option<f64>,
    /// Corner of the AC coupling's first-order high-pass, Hz.
    pub ac_corner_hz: Option<f64>,
}

setters!(Acquisition {
    some full_scale_v: f64;
    some coupling: Coupling;
    some probe_factor: f64;
    some bits: u32;
    some lsb_v: f64;
    some ac_corner_hz: f64;
});

impl Acquisition {
    /// Checks what analysis rests on.
    ///
    /// # Errors
    /// `BadValue` for a full scale, a step or a corner that is not positive and finite.
    pub fn check(&self) -> Result<(), Error> {
        for (what, value) in [
            ("full scale", self.full_scale_v),
            ("converter's step", self.lsb_v),
            ("corner of the AC coupling", self.ac_corner_hz),
        ] {
            if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
                return Err(ErrorKind::BadValue.error(format!(
                    "the {what} is {value}; it must be positive and finite"
                )));
            }
        }
        Ok(())
    }
}
