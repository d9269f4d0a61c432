//! Reports: figures in print, plots, and the page of a bench session.

mod figure;
pub mod plot;

pub(crate) use figure::common_prefix;
pub use figure::{PrintedEstimate, si, si_short};
