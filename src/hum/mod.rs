//! The mains series of a record: whether it is there, and how it runs.

mod beside;
mod evidence;
mod foreground;
mod line_spectrum;
mod presence;
mod smooth_line;
mod span;
pub(crate) mod track;

pub(crate) use beside::excess;
pub(crate) use foreground::{Foreground, bridge, foreground, slow_content};
pub(crate) use presence::{Foreign as ForeignLine, Presence, Present, look};
pub(crate) use span::{Span, hum_span};
