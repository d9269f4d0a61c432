//! What a remedy endangers: a protective earth that it opens, isolation that is not up to the voltage at hand.
//!
//! A remedy that opens a protective earth is none (IEC 61140:2016, 5.3: protection by equipotential bonding and automatic
//! disconnection rests on the protective conductor; clause from memory), whatever it takes away from a reading.

use super::setup::{Breaks, Earth, ProtectiveEarth, Remedy, Setup};

/// Words for the parts of a protective earth that people open.
const PARTS: [&str; 8] = [
    "earth pin",
    "ground pin",
    "earth prong",
    "ground prong",
    "earth contact",
    "protective earth",
    "protective conductor",
    "earth wire",
];
/// Beginnings of words for opening them.
const OPENED: [&str; 14] = [
    "cut",
    "lift",
    "remov",
    "open",
    "tape",
    "taping",
    "defeat",
    "disconnect",
    "unplug",
    "interrupt",
    "break",
    "broken",
    "isolated",
    "pulled",
];
/// Beginnings of words for having them connected.
const CONNECTED: [&str; 7] = [
    "connect", "fitted", "used", "wired", "attach", "present", "made",
];
/// Words that turn the next few into their opposite.
const NEGATIONS: [&str; 5] = ["not", "never", "without", "no", "instead"];
/// Words that say it stayed as it was.
const KEPT: [&str; 5] = ["kept", "keeps", "stays", "stayed", "intact"];
/// How many words a negation reaches.
const REACH: usize = 3;

/// Whether a remedy opens a protective earth, as far as the session says.
pub(super) fn opens_protective_earth(
    remedy: &Remedy,
    setup: &Setup,
    (instrument, source): (Option<Earth>, Option<Earth>),
) -> bool {
    match remedy.protective_earth {
        Some(ProtectiveEarth::Kept) => false,
        Some(ProtectiveEarth::Opened) => true,
        None => {
            let opened = match remedy.breaks {
                Some(Breaks::Instrument) => Some((&setup.instrument, instrument)),
                Some(Breaks::Source) => Some((&setup.source, source)),
                _ => None,
            };
            let stated = opened.is_some_and(|(side, earth)| {
                side.protective == Some(true) && earth != Some(Earth::Floating)
            });
            stated
                || reads_as_opening(&remedy.name)
                || remedy.remarks.as_deref().is_some_and(reads_as_opening)
        }
    }
}

/// Whether a text tells of a part of a protective earth that was opened: clause by clause, a part named before being meant
/// until one is said to have been kept.
fn reads_as_opening(text: &str) -> bool {
    let text = text.to_lowercase();
    let mut named = false;
    for clause in text.split([',', ';', '.', ':', '(', ')']) {
        let here = PARTS.iter().any(|part| clause.contains(part));
        let words: Vec<&str> = clause
            .split(|c: char| !c.is_alphanumeric())
            .filter(|word| !word.is_empty())
            .collect();
        let kept = words.iter().any(|word| KEPT.contains(word));
        named = (named || here) && !(here && kept);
        if named && tells_opening(&words, here) {
            return true;
        }
    }
    false
}

/// Whether a clause tells of opening something, or of its absence where it names the part itself.
fn tells_opening(words: &[&str], names_part: bool) -> bool {
    let starts = |word: &str, with: &[&str]| with.iter().any(|start| word.starts_with(start));
    let negated = |at: usize| {
        words[at.saturating_sub(REACH)..at]
            .iter()
            .any(|word| NEGATIONS.contains(word))
    };
    let mut tells = words
        .iter()
        .enumerate()
        .filter(|(_, word)| starts(word, &OPENED))
        .map(|(at, _)| !negated(at))
        .peekable();
    if tells.peek().is_some() {
        return tells.any(|opened| opened);
    }
    let absent = |at: usize| starts(words[at], &CONNECTED) && negated(at);
    let lacks = words.iter().any(|word| ["without", "no"].contains(word));
    names_part && (lacks || (0..words.len()).any(absent))
}

/// What is dangerous about a remedy, a sentence each.
pub(super) fn hazards(
    remedy: &Remedy,
    setup: &Setup,
    opens_earth: bool,
    isolates: bool,
) -> Vec<String> {
    let mut hazards = Vec::new();
    let name = &remedy.name;
    if opens_earth {
        hazards.push(format!(
            "\"{name}\" opens a protective earth: it is no remedy, whatever it takes away from a reading, and it is left out of the ranking. \
             Metal that is within reach can become live at the first fault. Restore the earth before anything else is \
             switched on, and ask a qualified person. (Where it stayed connected, say so: protective_earth = \"kept\".)"
        ));
    }
    if !isolates {
        return hazards;
    }
    match (setup.working_voltage_v, remedy.rating_v) {
        (Some(working), Some(rated)) if rated < working => hazards.push(format!(
            "\"{name}\" is rated for {rated} V, below the stated working voltage of {working} V: do not use it there."
        )),
        (Some(working), None) => hazards.push(format!(
            "No isolation rating is stated for \"{name}\"; the stated working voltage is {working} V: check the rating before use."
        )),
        _ => {}
    }
    if let Some(needed) = &setup.category {
        match &remedy.category {
            Some(own) => match (category(own), category(needed)) {
                (Some(has), Some(needs)) if has < needs => hazards.push(format!(
                    "\"{name}\" is rated for {own}, below the stated {needed}: do not use it there."
                )),
                (Some(_), Some(_)) => {}
                _ => hazards.push(format!(
                    "The category of \"{name}\" (\"{own}\") cannot be held against the stated \"{needed}\": check it before use."
                )),
            },
            None => hazards.push(format!(
                "No measurement category is stated for \"{name}\"; {needed} is stated for the place: check it before use."
            )),
        }
    }
    hazards
}

/// The measurement category of IEC 61010-031 that a text names: the numeral after "CAT", roman or arabic.
fn category(text: &str) -> Option<u8> {
    let upper = text.to_uppercase();
    let (_, after) = upper.split_once("CAT")?;
    let numeral = after
        .split(|c: char| !c.is_ascii_alphanumeric())
        .find(|word| !word.is_empty() && *word != "EGORY")?;
    match numeral {
        "I" | "1" => Some(1),
        "II" | "2" => Some(2),
        "III" | "3" => Some(3),
        "IV" | "4" => Some(4),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_open_a_protective_earth_are_understood() {
        for (text, opens) in [
            ("earth pin cut", true),
            ("Cut the ground pin of the supply", true),
            ("source supplied without protective earth", true),
            ("tape over the earth contact", true),
            ("isolator, protective earth kept", false),
            ("earth pin not connected", true),
            ("no protective earth", true),
            ("earth pin cut, shield kept", true),
            ("supply's earth pin: cut", true),
            ("mains lead with a broken earth wire", true),
            ("isolator fitted without lifting the earth pin", false),
            ("earth pin not cut", false),
            (
                "protective earth stays connected, ground lead cut to 3 cm",
                false,
            ),
            ("protective earth connected", false),
            ("ground lead cut to 3 cm", false),
            ("battery supply", false),
        ] {
            assert_eq!(reads_as_opening(text), opens, "{text}");
        }
    }

    #[test]
    fn categories_are_ordered_by_their_numeral() {
        for (text, expected) in [
            ("CAT II", Some(2)),
            ("cat iii 600 V", Some(3)),
            ("Category IV", Some(4)),
            ("CAT2", Some(2)),
            ("CATIII", Some(3)),
            ("reinforced", None),
        ] {
            assert_eq!(category(text), expected, "{text}");
        }
    }
}
