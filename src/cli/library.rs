//! Stand-ins for parts of the library that have not landed on this branch.

use humsieve::analysis::MeasureOptions;
use humsieve::capture::Coupling;
use humsieve::{Capture, Comparison, Condition, Error, ErrorKind, FrameSource, Measurement};
use std::collections::BTreeMap;

pub mod load {
    use super::*;
    use std::path::{Path, PathBuf};

    #[derive(Debug, Clone, Default)]
    pub struct LoadOptions {
        pub sample_rate_hz: Option<f64>,
        pub unit: Option<String>,
        pub scale: Option<f64>,
        pub full_scale_v: Option<f64>,
        pub coupling: Option<Coupling>,
    }

    pub fn open(path: &Path, _: &LoadOptions) -> Result<Vec<Box<dyn FrameSource>>, Error> {
        Err(missing("load::open").in_file(path))
    }
    pub fn find_captures(folder: &Path) -> Result<Vec<PathBuf>, Error> {
        Err(missing("load::find_captures").in_file(folder))
    }
    pub fn explain(path: &Path, _: &LoadOptions) -> Result<String, Error> {
        Err(missing("load::explain").in_file(path))
    }
}

fn missing(what: &str) -> Error {
    Error::new(
        ErrorKind::UnsupportedFormat,
        format!("{what} has not landed"),
    )
}

pub fn measure(_: &mut dyn FrameSource, _: &MeasureOptions) -> Result<Vec<Measurement>, Error> {
    Err(missing("analysis::measure"))
}

#[derive(Debug, Clone)]
pub struct CompareOptions {
    pub confidence: f64,
}

pub fn compare(
    _: &BTreeMap<Condition, Vec<Measurement>>,
    _: &CompareOptions,
) -> Result<Comparison, Error> {
    Err(missing("comparison::compare"))
}
