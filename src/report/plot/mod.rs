//! Plots as SVG: white ground, line style and marker beside colour, a text alternative each.

mod axis;
mod chart;
mod cycle;
mod decibels;
mod density;
mod marker;
mod orders;
mod time;
mod trace;

pub use cycle::folded_cycle;
pub use decibels::{DecibelRow, improvement};
pub use density::{DensityCurve, noise_density};
pub use orders::harmonic_orders;
pub use time::against_time;
pub use trace::{Role, Trace};

/// A drawn plot.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Plot {
    /// Name for a file and for links within a page: `noise_density`, ...
    pub name: String,
    /// Title.
    pub title: String,
    /// Text alternative: what the plot shows, with its main numbers.
    pub description: String,
    /// The picture.
    pub svg: String,
}
