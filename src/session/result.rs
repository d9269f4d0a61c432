//! What came of a session.

use super::{CaptureEntry, LoopVerdict, Session};
use crate::analysis::{Evidence, Measurement};
use crate::capture::{Condition, Snippet};
use crate::comparison::{Acceptance, ComparedQuantity, Comparison, Judgement};
use crate::quantity::Quantity;
use crate::stats::Estimate;
use crate::{Error, WarningCode};
use serde::{Deserialize, Serialize};

/// What came of a session: every capture measured or its error told, each remedy against loop and
/// floor, the rows of the test report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionResult {
    /// The session as written down.
    pub(crate) session: Session,
    /// What the wiring says.
    pub(crate) wiring: LoopVerdict,
    /// Every capture, in the session's order.
    pub(crate) captures: Vec<CaptureOutcome>,
    /// Loop closed against the floor; `None` where either has no usable capture.
    pub(crate) loop_comparison: Option<Comparison>,
    /// What became of the limits with the loop closed; held only where no remedy can be used.
    pub(crate) loop_judgements: Vec<Judgement>,
    /// Every remedy with usable captures, best first, those that open a protective earth last.
    pub(crate) remedies: Vec<RemedyResult>,
    /// Rows of the test report.
    pub(crate) rows: Vec<TestRow>,
    /// What points to a cause, with the next safe step.
    pub(crate) evidence: Vec<Evidence>,
    /// Where the set-up contradicts itself or the captures.
    pub(crate) contradictions: Vec<String>,
    /// What could not be used, or limits what can be said.
    pub(crate) troubles: Vec<Trouble>,
}

impl SessionResult {
    /// Whether every acceptance limit is met with the best remedy (without remedies: with the loop
    /// closed); `None` without limits. A limit that is undecided is not met.
    #[must_use]
    pub fn limits_met(&self) -> Option<bool> {
        (!self.session.limits.is_empty()).then(|| self.judgements().iter().all(Judgement::passed))
    }

    /// What became of the limits, in the session's order: with the best remedy, or with the loop
    /// closed where there is none; empty without limits, and where nothing could be compared.
    #[must_use]
    pub fn judgements(&self) -> &[Judgement] {
        match self.best() {
            Some(best) => &best.judgements,
            None => &self.loop_judgements,
        }
    }

    /// The comparison that tells most: with the best remedy, or with the loop closed where there is none; `None` where
    /// nothing could be compared. The best remedy is that of which most can be claimed for the hum, then the offset, then
    /// the noise; one that opens a protective earth is none.
    #[must_use]
    pub fn comparison(&self) -> Option<&Comparison> {
        let best = self.best().map(|remedy| &remedy.comparison);
        best.or(self.loop_comparison.as_ref())
    }

    /// The best remedy; none that opens a protective earth is.
    #[must_use]
    pub(crate) fn best(&self) -> Option<&RemedyResult> {
        self.remedies.first().filter(|remedy| !remedy.refused)
    }

    /// Whether any capture could not be read or analysed.
    #[must_use]
    pub fn capture_failed(&self) -> bool {
        self.captures.iter().any(|capture| capture.outcome.is_err())
    }

    /// The measurements of one condition (and remedy), in the session's order.
    pub(crate) fn measurements(
        &self,
        condition: Condition,
        remedy: Option<&str>,
    ) -> impl Iterator<Item = &Measurement> {
        self.captures
            .iter()
            .filter(move |capture| {
                capture.entry.condition == condition
                    && (condition != Condition::Isolated || capture.remedy.as_deref() == remedy)
            })
            .filter_map(|capture| capture.outcome.as_ref().ok())
    }
}

/// What came of one capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct CaptureOutcome {
    /// The capture as written down.
    pub entry: CaptureEntry,
    /// The remedy in place, for an isolated capture.
    pub remedy: Option<String>,
    /// SHA-256 digest of the file, hexadecimal; `None` where it could not be read.
    pub sha256: Option<String>,
    /// Other channels of the file, which were not used.
    pub unused_channels: Vec<String>,
    /// The measurement, or why there is none.
    pub outcome: Result<Measurement, Error>,
    /// The first samples, for a picture; `None` where the capture was measured earlier or is no file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) snippet: Option<Snippet>,
}

/// One remedy against the loop and the floor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct RemedyResult {
    /// Its name.
    pub name: String,
    /// Whether it opens a protective earth: no remedy, whatever the comparison says.
    pub refused: bool,
    /// The comparison.
    pub comparison: Comparison,
    /// What became of the limits with it.
    pub judgements: Vec<Judgement>,
}

impl RemedyResult {
    /// One figure of the comparison.
    #[must_use]
    pub fn quantity(&self, quantity: impl TryInto<Quantity>) -> Option<&ComparedQuantity> {
        self.comparison.quantity(quantity)
    }

    /// What can be claimed for a figure, dB: the lower end of its improvement.
    #[must_use]
    pub fn claim_db(&self, quantity: impl TryInto<Quantity>) -> Option<f64> {
        Some(self.quantity(quantity)?.improvement_db?.low)
    }
}

/// One row of the test report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct TestRow {
    /// Condition of the reading.
    pub condition: Condition,
    /// The remedy in place, for `isolated`.
    pub remedy: Option<String>,
    /// What was read.
    pub quantity: Quantity,
    /// Its unit.
    pub unit: String,
    /// The reading with the interval of its scatter; `None` where a limit is held against a figure that was not measured.
    pub reading: Option<Estimate>,
    /// The same with the instrument's limits of error, where the session gives them.
    pub expanded: Option<Estimate>,
    /// The acceptance limit held against it.
    pub judgement: Option<Judgement>,
}

impl TestRow {
    /// The row of a limit on a figure that no capture speaks of.
    pub(crate) fn unmeasured(judgement: Judgement, unit: &str) -> Self {
        Self {
            condition: Condition::Looped,
            remedy: None,
            quantity: judgement.quantity,
            unit: unit.to_owned(),
            reading: None,
            expanded: None,
            judgement: Some(judgement),
        }
    }

    /// Outcome of the limit, where one is held against the row.
    #[must_use]
    pub fn acceptance(&self) -> Option<Acceptance> {
        self.judgement.as_ref().map(|judgement| judgement.outcome)
    }
}

/// Something that could not be used, or that limits what can be said.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Trouble {
    /// The capture concerned; `None` where it is the comparison.
    pub file: Option<String>,
    /// Code of the warning, or kind of the error.
    pub code: String,
    /// What was found and what to do.
    pub message: String,
    /// Whether the capture is out of use for it.
    pub lost: bool,
}

impl Trouble {
    /// What is concerned, for a reader.
    #[must_use]
    pub fn about(&self) -> &str {
        self.file.as_deref().unwrap_or("the comparison")
    }

    /// What follows, for a reader.
    #[must_use]
    pub fn consequence(&self) -> &'static str {
        if self.lost {
            "not used"
        } else {
            "used with this in mind"
        }
    }

    pub(super) fn of_error(file: Option<String>, error: &Error) -> Self {
        Self {
            file,
            code: error.kind().to_string(),
            message: error.message_with_position(),
            lost: true,
        }
    }

    pub(super) fn of_warning(file: Option<&str>, code: WarningCode, message: &str) -> Self {
        Self {
            file: file.map(str::to_owned),
            code: code.to_string(),
            message: message.to_owned(),
            lost: false,
        }
    }
}
