//! Plots as SVG: white ground, line style and marker beside colour, a text alternative each.

mod captures;
mod cycle;
mod decibels;
mod density;
mod drawing;
mod orders;
mod sheet;
mod taken_away;
mod time;
mod waveform;

pub use captures::{CaptureGroup, CaptureRow, in_order, scatter};
pub use cycle::{cycle_height, folded_cycle, residual_cycle};
pub use decibels::{DecibelRow, improvement};
pub use density::{DensityCurve, noise_density};
pub(super) use drawing::axis::extent;
pub use drawing::picture::Plot;
pub use drawing::trace::{MOST_REMEDIES, Role, Trace};
pub use orders::{MOST_ORDERS, harmonic_orders};
pub use sheet::Sheet;
pub use taken_away::taken_away;
pub use time::against_time;
pub use waveform::{Scale, snippet_height, waveform, waveforms};
