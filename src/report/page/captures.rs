//! The captures on the page, and what was noticed about them.

use super::tables::{dash, reading};
use crate::WarningCode;
use crate::analysis::Measurement;
use crate::capture::Condition;
use crate::session::SessionResult;
use crate::si;

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
                    record: dash(),
                    range: dash(),
                    hum: dash(),
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
    let coupling = coupling.map_or_else(String::new, |coupling| format!(", {coupling}"));
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
        hum: reading(measurement.mains.hum_rms, &measurement.unit),
        state: if remarks.is_empty() {
            "used".into()
        } else {
            format!("used; {}", remarks.join(", "))
        },
    }
}
