//! Values of cells: numbers, units, clock times and dates.

pub(crate) mod cell;
pub(crate) mod clock;
pub(crate) mod number;
pub(crate) mod shape;
