//! The table: a row for each quantity and each line, and the verdicts of all.

mod expanded;
mod lines;
mod rows;
mod verdict;

pub(super) use lines::Line;
pub(super) use rows::{Row, Table, at_nominal};
pub(super) use verdict::settle;
