//! The captures on the page, and what was noticed about them.

use super::tables::reading;
use crate::WarningCode;
use crate::analysis::Measurement;
use crate::capture::{Condition, Coupling};
use crate::session::SessionResult;
use crate::si;

/// One thing that was told.
#[derive(Debug, Clone)]
pub(super) struct TroubleLine {
    pub about: String,
    pub code: String,
    pub message: String,
    pub consequence: &'static str,
}

/// One capture.
#[derive(Debug, Clone)]
pub(super) struct CaptureLine {
    pub file: String,
    pub condition: String,
    pub channel: String,
    pub record: String,
    pub range: String,
    pub hum: String,
    pub state: String,
}

pub(super) fn capture_lines(result: &SessionResult) -> Vec<CaptureLine> {
    result
        .captures
        .iter()
        .map(|capture| {
            let condition = match &capture.remedy {
                Some(remedy) => format!("isolated: {remedy}"),
                None => capture.entry.condition.to_string(),
            };
            let file = capture.entry.file.clone();
            match &capture.outcome {
                Ok(measurement) => measured_line(file, condition, result, capture, measurement),
                Err(error) => CaptureLine {
                    file,
                    condition,
                    channel: capture.entry.channel.clone().unwrap_or_default(),
                    record: "–".into(),
                    range: "–".into(),
                    hum: "–".into(),
                    state: format!("not used: {}", error.kind()),
                },
            }
        })
        .collect()
}

fn measured_line(
    file: String,
    condition: String,
    result: &SessionResult,
    capture: &crate::session::CaptureOutcome,
    measurement: &Measurement,
) -> CaptureLine {
    let instrument = &result.session.instrument;
    let acquisition = &measurement.acquisition;
    let full_scale = acquisition
        .full_scale_v
        .or(capture.entry.full_scale_v)
        .or(instrument.full_scale_v);
    let coupling = acquisition
        .coupling
        .or(capture.entry.coupling)
        .or(instrument.coupling);
    let coupling = match coupling {
        Some(Coupling::Dc) => ", DC",
        Some(Coupling::Ac) => ", AC",
        None => "",
    };
    let without_loop = capture.entry.condition != Condition::Looped;
    let mut remarks: Vec<String> = measurement
        .quality
        .warnings
        .iter()
        .map(|warning| match warning.code {
            WarningCode::MainsNotDetected if without_loop => "no mains found".into(),
            code => code.to_string(),
        })
        .collect();
    remarks.dedup();
    let mut channel = measurement.channel.clone();
    if capture.entry.channel.is_none() && !capture.unused_channels.is_empty() {
        channel.push_str(" (first of the file)");
    }
    CaptureLine {
        file,
        condition,
        channel,
        record: format!(
            "{}, {}",
            si::rounded(measurement.duration_s, "s", 3),
            si::shortest(measurement.sample_rate_hz, "Hz")
        ),
        range: full_scale.map_or_else(
            || format!("not stated{coupling}"),
            |volts| format!("±{}{coupling}", si::shortest(volts, &measurement.unit)),
        ),
        hum: measurement
            .mains
            .hum_rms
            .map_or_else(|| "–".into(), |hum| reading(Some(hum), &measurement.unit)),
        state: if remarks.is_empty() {
            "used".into()
        } else {
            format!("used; {}", remarks.join(", "))
        },
    }
}

pub(super) fn trouble_lines(result: &SessionResult) -> Vec<TroubleLine> {
    result
        .troubles
        .iter()
        .map(|trouble| TroubleLine {
            about: trouble
                .file
                .clone()
                .unwrap_or_else(|| "the comparison".into()),
            code: trouble.code.clone(),
            message: trouble.message.clone(),
            consequence: if trouble.lost {
                "not used"
            } else {
                "used with this in mind"
            },
        })
        .collect()
}
