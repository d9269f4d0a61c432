//! A picture beside the results.

use super::files::{Guard, Outputs, unwritable};
use crate::cli::failure::Failure;
use crate::report::plot::Sheet;
use std::fs;
use std::path::Path;

/// A picture that was proved writable before the work.
#[derive(Debug)]
pub struct Picture(Outputs);

impl Picture {
    /// Proves that it can be written.
    pub fn prove(target: &Path, guard: &Guard<'_>) -> Result<Self, Failure> {
        Outputs::prove(target, guard).map(Self)
    }

    /// Puts it in its place; a sheet without a plot is none.
    pub fn write(self, sheet: &Sheet) -> Result<(), Failure> {
        if sheet.is_empty() {
            return Err(unwritable(
                self.0.target(),
                &"nothing was measured that could be drawn",
            ));
        }
        fs::write(self.0.path(), sheet.svg())
            .map_err(|error| unwritable(self.0.target(), &error))?;
        self.0.keep()
    }
}
