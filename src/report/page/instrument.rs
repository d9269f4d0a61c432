//! The instrument as the session states it, and its calibration.

use crate::session::Session;
use crate::si;

/// Each fact, `not stated` where the session has none: who signs has to see what is missing.
pub(super) fn instrument(session: &Session) -> Vec<(&'static str, String)> {
    let of = &session.instrument;
    let volts = |value: Option<f64>| value.map(|volts| format!("±{}", si::shortest(volts, "V")));
    let percent = |value: Option<f64>| value.map(|percent| format!("±{percent} %"));
    [
        ("Instrument", of.description.clone()),
        ("Serial number", of.serial_number.clone()),
        ("Probe or lead", of.probe.clone()),
        (
            "Attenuation of the probe",
            of.probe_factor.map(|factor| format!("{factor} to 1")),
        ),
        ("Range", volts(of.full_scale_v)),
        ("Converter", of.bits.map(|bits| format!("{bits} bits"))),
        ("Coupling", of.coupling.map(|coupling| coupling.to_string())),
        ("Limit of error, gain", percent(of.gain_accuracy_percent)),
        ("Limit of error, probe", percent(of.probe_tolerance_percent)),
        ("Limit of error, offset", volts(of.offset_accuracy_v)),
        ("Calibrated", of.calibrated.clone()),
        ("Certificate", of.certificate.clone()),
        ("Next calibration due", of.calibration_due.clone()),
    ]
    .into_iter()
    .map(|(name, value)| (name, value.unwrap_or_else(|| "not stated".into())))
    .collect()
}
