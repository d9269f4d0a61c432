//! The parts of a channel.

use crate::separation::samples::Centred;

/// A channel taken apart: `offset + interference[i] + cleaned[i]` is the input, whose unit and length all have.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Parts {
    /// The constant: the mean of what the interference leaves of the samples that are there.
    pub offset: f64,
    /// The interference, also where a sample is missing.
    pub interference: Vec<f64>,
    /// What is left; missing and overloaded samples stay what they are.
    pub cleaned: Vec<f64>,
}

impl Parts {
    /// Parts of `samples`, which `centred` holds in this `unit`.
    pub(crate) fn new(
        samples: &[f64],
        centred: &Centred,
        mut interference: Vec<f64>,
        unit: f64,
    ) -> Self {
        let rest: Vec<f64> = centred
            .values
            .iter()
            .zip(&interference)
            .map(|(x, h)| x - h)
            .collect();
        let offset = centred.offset(&rest) * unit;
        interference.iter_mut().for_each(|h| *h *= unit);
        let cleaned = samples
            .iter()
            .zip(&interference)
            .map(|(x, m)| x - m - offset)
            .collect();
        Self {
            offset,
            interference,
            cleaned,
        }
    }
}
