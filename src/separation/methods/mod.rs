//! The methods of separation, each on one stretch of a record.

mod channels;
mod difference;
mod drift;
mod harmonic;
mod parts;
mod reference;
mod series_findings;
mod template;

pub use difference::difference;
pub(super) use difference::separate_difference;
pub use harmonic::harmonic;
pub(super) use harmonic::{continue_hum, separate_hum};
pub use parts::Parts;
pub(super) use reference::{Sensed, separate_reference};
pub use reference::{reference, references};
pub(super) use series_findings::TRACK_POINTS;
pub(super) use template::separate_template;
pub use template::{Template, template};
