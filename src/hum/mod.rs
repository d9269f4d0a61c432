//! The mains series of a record: whether it is there, and how it runs.

mod excess;
mod foreground;
mod hann_powers;
mod line_spectrum;
mod lowered;
mod modulation;
mod part;
mod presence;
mod repeating;
mod running_median;
mod smooth_line;
pub(crate) mod track;
mod unseen;

pub(crate) use excess::{excess, excess_at};
pub(crate) use foreground::{Foreground, SLOW_TO, bridge, foreground, outweighs, slow_content};
pub(crate) use modulation::{Modulation, modulation};
pub(crate) use part::{
    Section, is_looked_through, part_with_hum, sections, sections_of_phase, sections_of_series,
};
pub(crate) use presence::{
    ALONE_GRID, Foreign as ForeignLine, OUTWEIGHS, PROVED, Presence, Present, look, look_at,
    spectrum,
};
pub(crate) use repeating::repeating_power;
pub(crate) use unseen::Unseen;
