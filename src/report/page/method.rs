//! Method and settings, enough to repeat the report; what the intervals leave out.

use crate::Measurement;
use crate::capture::Condition;
use crate::report::legend::FLOOR_LEGEND;
use crate::report::plot::extent;
use crate::session::SessionResult;
use crate::si::{self, percent};

/// Files with their digests.
pub(super) fn digests(result: &SessionResult) -> Vec<(String, String)> {
    let captures = result.captures.iter();
    captures
        .map(|capture| {
            let digest = capture.sha256.as_deref().unwrap_or("not readable");
            (capture.entry.file.clone(), digest.to_owned())
        })
        .collect()
}

pub(super) fn settings(result: &SessionResult) -> Vec<(&'static str, String)> {
    let session = &result.session;
    let comparison = result.comparison();
    let nominal = match (session.mains_hz, comparison) {
        (Some(hz), _) => format!("{}, as stated", si::shortest(hz, "Hz")),
        (None, Some(found)) => format!(
            "{}, decided from the captures",
            si::shortest(found.mains_nominal_hz, "Hz")
        ),
        (None, None) => "decided between 50 Hz and 60 Hz capture by capture".into(),
    };
    let band = match (comparison, session.band_hz) {
        (Some(found), _) => span(found.band_hz, |hz| si::rounded(hz, "Hz", 3)),
        (None, Some(stated)) => span(stated, |hz| si::shortest(hz, "Hz")),
        (None, None) => "all that each record resolves".into(),
    };
    vec![
        ("Program", format!("humsieve {}", env!("CARGO_PKG_VERSION"))),
        ("Nominal mains frequency", nominal),
        ("Band of the noise figures", band),
        ("Harmonic orders modelled", format!("1 to {}, as far as the rate allows", session.harmonics)),
        ("Level of the intervals", percent(session.confidence)),
        ("Records", records(result)),
        (
            "Hum, frequency and offset",
            "One joint least-squares fit of offset, drift and all harmonics of one common fundamental, the fundamental refined with them (the multi-harmonic form of the sine fit of IEEE 1057). Long records are cut into segments, each fitted by itself, and combined with their spread.".into(),
        ),
        (
            "Noise",
            "One-sided power spectral density of what the fit leaves, lines taken out and their places filled at their neighbours' level, integrated over the band.".into(),
        ),
        (
            "Several captures of a condition",
            "The spread between captures counts; the interval within one capture only bounds it from below.".into(),
        ),
        (
            "Comparison",
            "Like with like only: offset from DC-coupled captures, hum and noise from captures that did not clip. RMS figures are compared by power. An improvement is claimed only where its whole interval lies above 0 dB, and never beyond what the floor supports.".into(),
        ),
    ]
}

fn span((low, high): (f64, f64), words: impl Fn(f64) -> String) -> String {
    format!("{} to {}", words(low), words(high))
}

fn records(result: &SessionResult) -> String {
    let mut parts = Vec::new();
    for condition in Condition::ALL {
        let captures = result.captures.iter();
        let records: Vec<&Measurement> = captures
            .filter(|capture| capture.entry.condition == condition)
            .filter_map(|capture| capture.outcome.as_ref().ok())
            .collect();
        if records.is_empty() {
            continue;
        }
        let all = |pick: fn(&Measurement) -> f64, unit: &str| {
            let (low, high) = extent(records.iter().map(|m| pick(m)));
            let words = |value: f64| si::shortest(value, unit);
            if low == high {
                words(low)
            } else {
                span((low, high), words)
            }
        };
        parts.push(format!(
            "{condition}: {} of {} at {}",
            records.len(),
            all(|m| m.duration_s, "s"),
            all(|m| m.sample_rate_hz, "Hz")
        ));
    }
    if parts.is_empty() {
        "none usable".into()
    } else {
        parts.join("; ")
    }
}

pub(super) fn not_covered(result: &SessionResult) -> Vec<String> {
    let session = &result.session;
    let instrument = &session.instrument;
    let mut parts = Vec::new();
    if let Some(percent) = instrument.gain_accuracy_percent {
        parts.push(format!("gain ±{percent} %"));
    }
    if let Some(percent) = instrument.probe_tolerance_percent {
        parts.push(format!("probe ±{percent} %"));
    }
    if let Some(offset) = instrument.offset_accuracy_v {
        parts.push(format!("offset ±{}", si::shortest(offset, "V")));
    }
    let calibration = if parts.is_empty() {
        "Calibration errors of instrument and probe: the session states no limits of error, so no figure includes them.".to_owned()
    } else {
        format!(
            "The {} intervals cover random scatter. The column \"with instrument limits\" adds the stated limits of error ({}) as rectangular distributions after JCGM 100:2008 (GUM); limits that are not stated are not in it. Decibel ratios of captures on one range do not depend on them.",
            percent(session.confidence),
            parts.join(", ")
        )
    };
    let comparison = result.comparison();
    let notes = comparison.map_or(Vec::new(), |found| found.notes.clone());
    let mut sentences = vec![calibration];
    sentences.extend(notes);
    sentences.extend([
        "What changed between captures without being repeated: leads moved, loads switched on elsewhere, the hour of the day. Repeat captures of every condition in turn to see it.".into(),
        "What lies above half the sample rate and folds back where the instrument has no anti-alias filter.".into(),
        "Voltage common to tip and ground lead that the instrument turns into a reading by itself, and what passes an isolation's capacitance above the band.".into(),
        FLOOR_LEGEND.into(),
    ]);
    sentences
}
