//! Plots as SVG: white ground, line style and marker beside colour, a text alternative each.

mod axis;
mod chart;
mod cycle;
mod decibels;
mod density;
mod marker;
mod orders;
mod picture;
mod sheet;
mod taken_away;
mod time;
mod trace;
mod waveform;

pub(super) use axis::extent;
pub use cycle::folded_cycle;
pub use decibels::{DecibelRow, improvement};
pub use density::{DensityCurve, noise_density};
pub use orders::harmonic_orders;
pub use picture::Plot;
pub use sheet::Sheet;
pub use taken_away::taken_away;
pub use time::against_time;
pub use trace::{Role, Trace};
pub use waveform::{Snippet, waveform};
