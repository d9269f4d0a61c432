//! What came of one capture, as it is written.

use super::stamp::SourceStamp;
use crate::Error;
use crate::analysis::Measurement;
use crate::comparison::Judgement;

/// What came of one capture.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct MeasuredCapture {
    /// The capture as the user named it.
    pub file: String,
    /// A measurement for each channel (and stretch), each with its limits judged; or the error.
    pub outcome: Result<Vec<(Measurement, Vec<Judgement>)>, Error>,
    /// What the result rests on, for a later run.
    pub stamp: Option<SourceStamp>,
}

impl MeasuredCapture {
    /// What came of the capture of this name.
    #[must_use]
    pub fn new(
        file: impl Into<String>,
        outcome: Result<Vec<(Measurement, Vec<Judgement>)>, Error>,
    ) -> Self {
        Self {
            file: file.into(),
            outcome,
            stamp: None,
        }
    }

    /// The same with what it rests on.
    #[must_use]
    pub fn stamped(self, stamp: Option<SourceStamp>) -> Self {
        Self { stamp, ..self }
    }
}
