//! Stand-ins for parts of the library that have not landed on this branch.

use humsieve::analysis::MeasureOptions;
use humsieve::{Error, ErrorKind, FrameSource, Measurement};

fn missing(what: &str) -> Error {
    Error::new(
        ErrorKind::UnsupportedFormat,
        format!("{what} has not landed"),
    )
}

pub fn measure(_: &mut dyn FrameSource, _: &MeasureOptions) -> Result<Vec<Measurement>, Error> {
    Err(missing("analysis::measure"))
}
