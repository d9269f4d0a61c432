//! Reports: figures in print, plots, and the page of a bench session.

mod figure;

pub use figure::{PrintedEstimate, si, si_short};
