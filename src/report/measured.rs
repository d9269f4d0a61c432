//! What came of one capture, as it is written.

use super::stamp::SourceStamp;
use crate::Error;
use crate::analysis::Measurement;
use crate::comparison::{Change, Judgement};
use serde::{Deserialize, Serialize};

/// One channel (or stretch of it), with what was asked of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct MeasuredChannel {
    /// What was measured.
    pub measurement: Measurement,
    /// Its limits, judged; empty without limits.
    pub limits: Vec<Judgement>,
    /// Its change against an earlier capture; `None` without one.
    pub change: Option<Change>,
}

impl From<Measurement> for MeasuredChannel {
    fn from(measurement: Measurement) -> Self {
        Self {
            measurement,
            limits: Vec::new(),
            change: None,
        }
    }
}

/// What came of one capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct MeasuredCapture {
    /// The capture as the user named it.
    pub file: String,
    /// Each channel (and stretch), or why there is none.
    pub outcome: Result<Vec<MeasuredChannel>, Error>,
    /// What the result rests on, for a later run.
    pub(crate) stamp: Option<SourceStamp>,
}

impl MeasuredCapture {
    /// What came of the capture of this name.
    #[must_use]
    pub fn new(file: impl Into<String>, outcome: Result<Vec<MeasuredChannel>, Error>) -> Self {
        Self {
            file: file.into(),
            outcome,
            stamp: None,
        }
    }

    /// The same with what it rests on.
    #[must_use]
    pub(crate) fn stamped(self, stamp: Option<SourceStamp>) -> Self {
        Self { stamp, ..self }
    }
}
