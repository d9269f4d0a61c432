//! Session files: every mistake is told with its line, its key and the keys that would be understood.
#![allow(clippy::unwrap_used, clippy::too_many_lines)]

use crate::quantity::Quantity;
use crate::session::Session;

const CAPTURE: &str = "[[capture]]\nfile = \"a.csv\"\ncondition = \"looped\"\n";

fn only_mistake(text: &str) -> (u64, String) {
    let mistakes = Session::mistakes(text, "bench/session.toml");
    assert_eq!(mistakes.len(), 1, "{mistakes:?}");
    let mistake = &mistakes[0];
    assert!(mistake.to_string().starts_with("bench/session.toml: line "));
    (mistake.line().unwrap(), mistake.message().to_owned())
}

#[test]
fn each_mistake_names_line_key_and_what_would_do() {
    let cases: [(&str, u64, &[&str]); 20] = [
        (
            "tilte = 'x'",
            1,
            &["`tilte`", "did you mean `title`?", "operator", "capture"],
        ),
        ("title = 3", 1, &["`title`", "text in quotes", "integer"]),
        (
            "\nconfidence = 1.5",
            2,
            &["`confidence`", "between 0 and 1"],
        ),
        ("harmonics = 0", 1, &["`harmonics`", "at least 1"]),
        ("band_hz = [100, 10]", 1, &["`band_hz`", "[LOW, HIGH]"]),
        ("mains_hz = -50", 1, &["`mains_hz`", "positive"]),
        (
            "[setup.instrument]\nearth = 'bondd'",
            2,
            &[
                "`setup.instrument.earth`",
                "did you mean `bonded`?",
                "floating",
            ],
        ),
        (
            "[setup.source]\nearth_reading_ohm = -1",
            2,
            &["`setup.source.earth_reading_ohm`", "0 or more"],
        ),
        (
            "[setup]\nsuorce = 1",
            2,
            &["`setup.suorce`", "did you mean `source`?"],
        ),
        (
            "[instrument]\nbits = 'twelve'",
            2,
            &["`instrument.bits`", "whole number"],
        ),
        (
            "[instrument]\nfull_scale_v = '2 furlongs'",
            2,
            &["`instrument.full_scale_v`", "a number"],
        ),
        (
            "[instrument]\ncoupling = 'gnd'",
            2,
            &["`instrument.coupling`", "dc, ac"],
        ),
        (
            "[[remedy]]\nbreaks = 'lead'",
            1,
            &["`remedy[1].name` is missing"],
        ),
        (
            "[[remedy]]\nname = 'x'\nbreaks = 'all'",
            3,
            &["`remedy[1].breaks`", "instrument, source, lead, nothing"],
        ),
        (
            "[[remedy]]\nname = 'x'\n[[remedy]]\nname = 'x'",
            4,
            &["`remedy[2].name`", "second remedy"],
        ),
        ("[remedy]\nname = 'x'", 1, &["`remedy`", "[[remedy]]"]),
        (
            "[limits]\nloudness = 1",
            2,
            &["`limits.loudness`", "dc_offset, hum_rms"],
        ),
        (
            "[limits]\nhum_rms = 'much'",
            2,
            &["`limits.hum_rms`", "a number"],
        ),
        (
            "[wanted]\nfrequency_hz = 'x'",
            2,
            &["`wanted.frequency_hz`", "numbers in brackets"],
        ),
        ("title = 'x", 1, &["not valid TOML"]),
    ];
    for (text, line, words) in cases {
        let (found, message) = only_mistake(&format!("{text}\n{CAPTURE}"));
        assert_eq!(found, line, "{text}: {message}");
        for word in words {
            assert!(message.contains(word), "{text}: {message} lacks {word}");
        }
    }
}

#[test]
fn captures_are_checked() {
    let cases: [(&str, u64, &str); 6] = [
        ("", 1, "at least one capture"),
        (
            "[[capture]]\ncondition = 'looped'",
            1,
            "`capture[1].file` is missing",
        ),
        (
            "[[capture]]\nfile = 'a'",
            1,
            "`capture[1].condition` is missing",
        ),
        (
            "[[capture]]\nfile = 'a'\ncondition = 'loped'",
            3,
            "did you mean `looped`?",
        ),
        (
            "[[capture]]\nfile = 'a'\ncondition = 'isolated'\nremedy = 'x'",
            4,
            "no remedy \"x\"",
        ),
        (
            "[[remedy]]\nname='x'\n[[capture]]\nfile = 'a'\ncondition = 'looped'\nremedy = 'x'",
            6,
            "only an isolated capture",
        ),
    ];
    for (text, line, words) in cases {
        let (found, message) = only_mistake(text);
        assert!(message.contains(words), "{text}: {message}");
        assert_eq!(found, line, "{text}: {message}");
    }
}

#[test]
fn all_mistakes_are_told_at_once() {
    let text = format!("titel = 1\nconfidence = 2\n{CAPTURE}colour = 'red'\n");
    let lines: Vec<u64> = Session::mistakes(&text, "s.toml")
        .iter()
        .map(|mistake| mistake.line().unwrap())
        .collect();
    assert_eq!(lines, [1, 2, 6]);
    let error = Session::parse(&text, "s.toml").unwrap_err();
    assert!(error.to_string().contains("line 6"), "{error}");
}

#[test]
fn values_are_taken_as_meant() {
    let text = format!(
        "band_hz = [10, '20k']\n[setup.source]\nearth_reading_ohm = inf\n[instrument]\nfull_scale_v = '200m'\n[limits]\nhum_rms = '100 µV'\n[limits.improvement]\nhum_rms = 20\n{CAPTURE}channel = 2\n"
    );
    let session = Session::parse(&text, "s.toml").unwrap();
    assert_eq!(session.band_hz, Some((10.0, 20e3)));
    assert_eq!(session.setup.source.earth_reading_ohm, Some(f64::INFINITY));
    assert_eq!(session.instrument.full_scale_v, Some(0.2));
    assert_eq!(session.captures[0].channel.as_deref(), Some("2"));
    let limits: Vec<(Quantity, f64)> = session
        .limits
        .iter()
        .map(|limit| (limit.quantity, limit.value))
        .collect();
    assert_eq!(limits.len(), 2);
    assert!(limits.contains(&(Quantity::HumRms, 20.0)));
    assert!(limits.contains(&(Quantity::HumRms, 1e-4)));
}
