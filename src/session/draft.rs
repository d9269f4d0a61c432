//! The first draft of a session file.

use crate::capture::{CaptureHeader, Condition};
use crate::printable::{escaped, printable};
use std::fmt::Write;

/// A capture found in the folder: its name relative to the session file, and its header where it
/// could be read.
#[derive(Debug, Clone, PartialEq)]
pub struct DraftCapture {
    /// File name relative to the folder of the session file, with `/` between folders.
    pub file: String,
    /// What the file says of itself.
    pub header: Option<CaptureHeader>,
}

impl DraftCapture {
    /// A capture with its header.
    #[must_use]
    pub fn new(file: impl Into<String>, header: Option<CaptureHeader>) -> Self {
        Self {
            file: file.into(),
            header,
        }
    }
}

const BASELINE_WORDS: [&str; 4] = ["baseline", "floor", "shorted", "short"];
const LOOPED_WORDS: [&str; 3] = ["looped", "loop", "earthed"];
const ISOLATED_WORDS: [&str; 5] = [
    "isolated",
    "isolator",
    "battery",
    "floating",
    "differential",
];

/// Words of captures that hold the signal to be measured, whatever the loop.
const WANTED_WORDS: [&str; 2] = ["wanted", "signal"];

/// Guesses a condition from a file name; `None` where no word points to one.
fn condition_of(file: &str) -> Option<Condition> {
    let lower = file.to_lowercase();
    let holds = |words: &[&str]| words.iter().any(|word| lower.contains(word));
    if holds(&WANTED_WORDS) {
        None
    } else if holds(&BASELINE_WORDS) {
        Some(Condition::Baseline)
    } else if holds(&ISOLATED_WORDS) {
        Some(Condition::Isolated)
    } else if holds(&LOOPED_WORDS) {
        Some(Condition::Looped)
    } else {
        None
    }
}

/// What is left of an isolated capture's name when the condition's words and counters go: the
/// likely name of the remedy.
fn remedy_of(file: &str) -> String {
    let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
    let words: Vec<&str> = stem
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| {
            let lower = word.to_lowercase();
            !(word.is_empty()
                || word.chars().all(|c| c.is_ascii_digit())
                || ISOLATED_WORDS[..1].contains(&lower.as_str())
                || matches!(
                    lower.as_str(),
                    "ac" | "dc" | "capture" | "run" | "with" | "isolated"
                ))
        })
        .collect();
    if words.is_empty() {
        "remedy 1".into()
    } else {
        words.join(" ")
    }
}

/// A TOML basic string: the escapes of a JSON string, and whatever else a terminal would obey.
fn quoted(text: &str) -> String {
    escaped(serde_json::Value::from(text).to_string())
}

/// Writes a first draft of a session file from the captures found: every key commented, conditions
/// guessed from the file names, everything that must be filled in marked `FILL IN`.
///
/// The draft runs once those places are filled in.
#[must_use]
pub fn draft(captures: &[DraftCapture]) -> String {
    let mut text = String::from(HEAD);
    let mut remedies: Vec<String> = Vec::new();
    for capture in captures {
        if condition_of(&capture.file) == Some(Condition::Isolated) {
            let name = remedy_of(&capture.file);
            if !remedies.contains(&name) {
                remedies.push(name);
            }
        }
    }
    for name in &remedies {
        let _ = write!(text, "\n[[remedy]]\nname = {}\n{REMEDY_KEYS}", quoted(name));
    }
    if remedies.is_empty() {
        text.push_str(REMEDY_EXAMPLE);
    }
    text.push_str(CAPTURES);
    for capture in captures {
        push_capture(&mut text, capture);
    }
    if captures.is_empty() {
        text.push_str("\n[[capture]]\nfile = \"FILL IN.csv\"\ncondition = \"FILL IN\"\n");
    }
    text.push_str(TAIL);
    text
}

fn push_capture(text: &mut String, capture: &DraftCapture) {
    let _ = write!(text, "\n[[capture]]\nfile = {}\n", quoted(&capture.file));
    match condition_of(&capture.file) {
        Some(condition) => {
            let _ = writeln!(
                text,
                "condition = \"{condition}\"    # guessed from the file's name: check"
            );
            if condition == Condition::Isolated {
                let _ = writeln!(text, "remedy = {}", quoted(&remedy_of(&capture.file)));
            }
        }
        None => text.push_str(
            "condition = \"FILL IN\"   # baseline, looped or isolated; take the table out where it is none of them\n",
        ),
    }
    match &capture.header {
        Some(header) => {
            let names: Vec<&str> = header.channels.iter().map(|c| c.name.as_str()).collect();
            let _ = writeln!(
                text,
                "# as read: {} Hz, channels {}",
                header.time_base.sample_rate_hz,
                printable(&names.join(", ")),
            );
            if names.len() > 1
                && let Some(first) = names.first()
            {
                let _ = writeln!(text, "channel = {}", quoted(first));
            }
            if header.acquisition.coupling.is_none() {
                text.push_str("# coupling = \"dc\"       # the file does not say\n");
            }
            if header.acquisition.full_scale_v.is_none() {
                text.push_str("# full_scale_v = \"200m\"  # the file does not say\n");
            }
        }
        None => text.push_str(
            "# could not be read as it is: sample_rate_hz, unit or scale may be missing\n",
        ),
    }
}

const HEAD: &str = r#"# Bench session: how the bench was wired, which capture is which.
# Lines that start with # are comments; take the # away where a key is to count.
# Voltages and frequencies are in V and Hz; text such as "100u", "2 mV" or "20 kHz" will do too.

title = "FILL IN"        # what the report is called
# date = 2026-01-31
# operator = ""
# object = ""            # what was tested
# report_number = ""
# customer = ""
# place = ""             # where the test was made
# remarks = ""
# mains_hz = 50          # left out: decided between 50 and 60 from the captures
# band_hz = [10, 20e3]   # band of the noise figures; left out: all that the record resolves
# harmonics = 40         # highest order that is modelled
# confidence = 0.95      # level of every interval

# How the two grounds meet protective earth. Take the continuity readings with the mains plugs
# pulled and everything discharged; never open a protective earth for a measurement.
[setup]
# working_voltage_v = 230     # what the isolation of a remedy has to stand where it is used
# category = "CAT II"         # measurement category of that place

[setup.instrument]            # the side that reads: the probe's ground lead and what is behind it
earth = "FILL IN"             # bonded (reading near zero), soft (about a kilohm) or floating (open)
# earth_reading_ohm = 0.4     # continuity reading, ground lead to protective earth; inf where open
# through = "computer link and the computer's mains lead"
# protective = true           # whether that path is a protective earth, which no remedy may open

[setup.source]                # the side that is read: the ground of the object under test
earth = "FILL IN"
# earth_reading_ohm = 0.2
# through = "chassis and mains lead of the amplifier"
# protective = true

[instrument]                  # holds for every capture that does not say otherwise
# description = ""
# serial_number = ""
# probe = ""                  # the probe or lead that was used
# calibrated = 2025-11-30     # the last calibration, and when the next is due
# calibration_due = 2026-11-30
# certificate = ""            # number of its certificate
# full_scale_v = "200m"       # plus or minus
# bits = 12
# coupling = "dc"             # dc or ac
# ac_corner_hz = 7            # corner of the AC coupling
# probe_factor = 1
# probe_tolerance_percent = 0
# gain_accuracy_percent = 1   # limits of error from the data sheet
# offset_accuracy_v = "500u"
"#;

const REMEDY_KEYS: &str = r#"breaks = "FILL IN"            # what it opens: instrument or source (that side's way to earth), lead, nothing
# protective_earth = "kept"   # or "opened": then it is no remedy
# rating_v = 1000             # rated voltage of its isolation
# category = "CAT II"         # and the category of that rating
# remarks = ""
"#;

const REMEDY_EXAMPLE: &str = r#"
# A remedy, one such table each; isolated captures refer to it by its name.
# [[remedy]]
# name = "isolated computer link"
# breaks = "instrument"       # instrument or source (that side's way to earth), lead, nothing
# protective_earth = "kept"   # or "opened": then it is no remedy
# rating_v = 1000             # rated voltage of its isolation
# category = "CAT II"         # and the category of that rating
"#;

const CAPTURES: &str = r#"
# Captures. Conditions:
#   baseline  probe tip shorted to its own ground lead, nothing else connected
#   looped    tip and ground lead both on the source's ground, loop closed
#   isolated  as looped, with the loop broken by a remedy
# Each may also have: channel, coupling, full_scale_v, sample_rate_hz, unit, scale, remarks.
"#;

const TAIL: &str = r#"
# Who signs the report, one such table each; without a name it is written in by hand.
# [[signature]]
# role = "tested"
# name = ""

# What is to be measured in the end.
# [wanted]
# description = "bridge signal"
# frequency_hz = [12.5]
# rms_v = "1 mV"
# accuracy_percent = 1        # to what part of itself it is to be read

# Acceptance limits on the upper bounds of readings, V: dc_offset, hum_rms, noise_rms, ac_rms,
# peak_to_peak, harmonic_1_rms and so on; and on the lower bounds of reductions, dB.
# [limits]
# hum_rms = "100u"
# dc_offset = "1m"
# [limits.improvement]        # looped to isolated, as read
# hum_rms = 20
# [limits.excess_reduction]   # what the remedy did to the interference itself
# hum_rms = 20
"#;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::Session;

    #[test]
    fn a_draft_runs_once_it_is_filled_in() {
        let captures = [
            "floor_1.csv",
            "loop \"odd\" \\name.csv",
            "isolated_link_2.wav",
            "isolated_battery_1.wav",
            "odd.csv",
        ]
        .map(|file| DraftCapture::new(file, None));
        let text = draft(&captures);
        let left = Session::mistakes(&text, "draft.toml");
        assert!(
            left.iter()
                .all(|error| error.to_string().contains("not filled in yet"))
        );
        // The title, both sides' earths, what two remedies open, the condition of the file with no name to go by.
        assert_eq!(left.len(), 6, "{left:?}");
        assert_eq!(left[0].line(), Some(line_of(&text, "title")));
        let session = Session::parse(&filled_in(&text), "draft.toml").unwrap();
        assert_eq!(session.captures.len(), 5);
        assert_eq!(session.captures[0].condition, Condition::Baseline);
        assert_eq!(session.captures[1].file, "loop \"odd\" \\name.csv");
        assert_eq!(session.remedy_of(&session.captures[2]), Some("link"));
        assert_eq!(session.remedies.len(), 2);
    }

    fn line_of(text: &str, key: &str) -> u64 {
        let before = text.lines().position(|line| line.starts_with(key));
        1 + before.unwrap() as u64
    }

    fn filled_in(text: &str) -> String {
        text.replace("title = \"FILL IN\"", "title = \"A test\"")
            .replace("earth = \"FILL IN\"", "earth = \"bonded\"")
            .replace("breaks = \"FILL IN\"", "breaks = \"lead\"")
            .replace("condition = \"FILL IN\"", "condition = \"looped\"")
    }

    #[test]
    fn every_commented_key_would_be_understood() {
        let text: String = filled_in(&draft(&[DraftCapture::new("isolated_a.csv", None)]))
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                Some(rest) if rest.contains(" = ") || rest.starts_with('[') => format!("{rest}\n"),
                _ => format!("{line}\n"),
            })
            .collect();
        let mistakes = Session::mistakes(&text, "draft.toml");
        assert!(mistakes.is_empty(), "{mistakes:?}\n{text}");
    }
}
