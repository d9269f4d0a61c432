//! What the wiring says: whether a loop exists, through what, and what each remedy does to it.

use super::hazard::{hazards, opens_protective_earth};
use super::setup::{Breaks, Earth, EarthingSide, Remedy, Setup};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Whether a loop exists by the wiring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LoopState {
    /// Both sides are bonded: ground current flows freely.
    Closed,
    /// Closed through a resistor on at least one side.
    ClosedThroughResistor,
    /// At least one side floats: only stray capacitance closes it.
    Open,
    /// The set-up does not say enough.
    Unknown,
}

impl fmt::Display for LoopState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Closed => "closed",
            Self::ClosedThroughResistor => "closed through a resistor",
            Self::Open => "open",
            Self::Unknown => "not known",
        })
    }
}

/// What the wiring says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LoopVerdict {
    /// Whether a loop exists with the ground lead connected.
    pub state: LoopState,
    /// The same in a sentence, with the path.
    pub sentence: String,
    /// Sum of both continuity readings, where both were taken and finite, ohms.
    pub path_ohm: Option<f64>,
    /// What each remedy does to it.
    pub remedies: Vec<RemedyEffect>,
    /// What is dangerous about the remedies: to be told before anything else.
    pub hazards: Vec<String>,
    /// Statements of the set-up that contradict each other.
    pub contradictions: Vec<String>,
}

/// What one remedy does to the loop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct RemedyEffect {
    /// The remedy.
    pub name: String,
    /// The loop with the remedy in place.
    pub state: LoopState,
    /// The same in a sentence.
    pub sentence: String,
    /// Whether it opens a protective earth, and so is no remedy.
    pub opens_protective_earth: bool,
}

/// Reasons from the set-up: does a loop exist, through what, what would each remedy do.
#[must_use]
pub fn loop_verdict(setup: &Setup, remedies: &[Remedy]) -> LoopVerdict {
    let mut contradictions = Vec::new();
    let instrument = side_earth("instrument", &setup.instrument, &mut contradictions);
    let source = side_earth("source", &setup.source, &mut contradictions);
    let state = join(instrument, source);
    let path_ohm = match (
        setup.instrument.earth_reading_ohm,
        setup.source.earth_reading_ohm,
    ) {
        (Some(a), Some(b)) if (a + b).is_finite() => Some(a + b),
        _ => None,
    };
    let effects: Vec<RemedyEffect> = remedies
        .iter()
        .map(|remedy| {
            let opens = opens_protective_earth(remedy, setup, (instrument, source));
            effect(
                remedy,
                (instrument, source),
                state,
                opens,
                &mut contradictions,
            )
        })
        .collect();
    let hazards = remedies
        .iter()
        .zip(&effects)
        .flat_map(|(remedy, effect)| {
            let isolates = effect.state == LoopState::Open && remedy.breaks.is_some();
            hazards(remedy, setup, effect.opens_protective_earth, isolates)
        })
        .collect();
    LoopVerdict {
        state,
        sentence: sentence(setup, instrument, source, state, path_ohm),
        path_ohm,
        remedies: effects,
        hazards,
        contradictions,
    }
}

fn side_earth(name: &str, side: &EarthingSide, contradictions: &mut Vec<String>) -> Option<Earth> {
    let read = side.earth_reading_ohm.map(Earth::from_reading);
    if let (Some(stated), Some(read), Some(ohm)) = (side.earth, read, side.earth_reading_ohm)
        && stated != read
    {
        let reading = if ohm.is_finite() {
            format!("{ohm} ohm")
        } else {
            "an open circuit".to_owned()
        };
        contradictions.push(format!(
            "The {name} side is stated to be {}, but its continuity reading of {reading} says {}; the reading is believed. Repeat it with everything connected as for the captures.",
            stated.words(),
            read.words(),
        ));
    }
    read.or(side.earth)
}

fn join(instrument: Option<Earth>, source: Option<Earth>) -> LoopState {
    match (instrument, source) {
        (Some(Earth::Floating), _) | (_, Some(Earth::Floating)) => LoopState::Open,
        (Some(Earth::Bonded), Some(Earth::Bonded)) => LoopState::Closed,
        (Some(_), Some(_)) => LoopState::ClosedThroughResistor,
        _ => LoopState::Unknown,
    }
}

fn sentence(
    setup: &Setup,
    instrument: Option<Earth>,
    source: Option<Earth>,
    state: LoopState,
    path_ohm: Option<f64>,
) -> String {
    let way = |side: &EarthingSide, name: &str| match &side.through {
        Some(through) => format!("the {name}'s path ({through})"),
        None => format!("the {name}'s path to earth"),
    };
    let path = format!(
        "{}, the building's protective earth and {}",
        way(&setup.instrument, "instrument"),
        way(&setup.source, "source"),
    );
    let ohms = path_ohm.map_or_else(String::new, |ohm| {
        format!(
            " The two continuity readings add up to {} ohm.",
            rounded(ohm)
        )
    });
    match state {
        LoopState::Closed => format!(
            "By the wiring a loop exists: the ground lead joins two grounds that are both bonded to earth. It runs through the ground lead, {path}.{ohms}"
        ),
        LoopState::ClosedThroughResistor => format!(
            "By the wiring a loop exists, but a resistor in it limits the ground current. It runs through the ground lead, {path}.{ohms}"
        ),
        LoopState::Open => {
            let side = match (instrument, source) {
                (Some(Earth::Floating), Some(Earth::Floating)) => "both sides are floating",
                (Some(Earth::Floating), _) => "the instrument's side is floating",
                _ => "the source's side is floating",
            };
            format!(
                "By the wiring no loop exists: {side}, so that only stray capacitance can close one."
            )
        }
        LoopState::Unknown => "The set-up does not say how both sides meet earth, so nothing follows from the wiring. Take a continuity reading from each ground to protective earth with the mains plugs pulled and everything discharged, and write it under setup.instrument and setup.source.".to_owned(),
    }
}

fn rounded(ohm: f64) -> String {
    if ohm < 10.0 {
        format!("{ohm:.2}")
    } else {
        format!("{ohm:.0}")
    }
}

fn effect(
    remedy: &Remedy,
    (instrument, source): (Option<Earth>, Option<Earth>),
    before: LoopState,
    opens_protective_earth: bool,
    contradictions: &mut Vec<String>,
) -> RemedyEffect {
    let (state, words) = match remedy.breaks {
        None => (
            LoopState::Unknown,
            "The session does not say what it opens (key `breaks`).",
        ),
        Some(Breaks::Nothing) => (
            before,
            "It opens nothing: the loop stays and only what is coupled into it can fall.",
        ),
        Some(Breaks::Instrument) if instrument == Some(Earth::Floating) => (
            before,
            "It opens the instrument's way to earth, which floats already.",
        ),
        Some(Breaks::Source) if source == Some(Earth::Floating) => (
            before,
            "It opens the source's way to earth, which floats already.",
        ),
        Some(Breaks::Instrument) => (
            LoopState::Open,
            "It opens the loop at the instrument's way to earth; the barrier's capacitance still passes current at high frequencies, and the instrument's metal parts take on the source's potential.",
        ),
        Some(Breaks::Source) => (
            LoopState::Open,
            "It opens the loop at the source's way to earth; the source's metal parts are then held by the ground lead alone.",
        ),
        Some(Breaks::Lead) => (
            LoopState::Open,
            "It opens the loop at the joint of the two grounds; the difference of their potentials then stands at the input as a common-mode voltage.",
        ),
    };
    if before == LoopState::Open && state == LoopState::Open {
        contradictions.push(format!(
            "\"{}\" is said to open a loop that is open already by the wiring.",
            remedy.name
        ));
    }
    let danger = if opens_protective_earth {
        " It opens a protective earth: it is no remedy and must not be used."
    } else {
        ""
    };
    let rating = match (remedy.rating_v, &remedy.category) {
        (Some(volts), Some(category)) => format!(" Rated {volts} V, {category}."),
        (Some(volts), None) => format!(
            " Rated {volts} V; the measurement category is not stated: check it before use."
        ),
        (None, _) if state == LoopState::Open && remedy.breaks.is_some() => {
            " No isolation rating is stated: check it against the voltage at hand.".to_owned()
        }
        _ => String::new(),
    };
    RemedyEffect {
        name: remedy.name.clone(),
        state,
        sentence: format!("{words}{danger}{rating}"),
        opens_protective_earth,
    }
}

#[cfg(test)]
mod tests {
    use super::super::setup::ProtectiveEarth;
    use super::*;

    fn side(earth: Option<Earth>, ohm: Option<f64>) -> EarthingSide {
        EarthingSide {
            earth,
            earth_reading_ohm: ohm,
            ..EarthingSide::default()
        }
    }

    fn remedy(breaks: Breaks) -> Remedy {
        Remedy {
            name: "link".into(),
            breaks: Some(breaks),
            rating_v: None,
            category: None,
            protective_earth: None,
            remarks: None,
        }
    }

    #[test]
    fn a_loop_needs_earth_on_both_sides() {
        use Earth::{Bonded, Floating, Soft};
        for (instrument, source, expected) in [
            (Some(Bonded), Some(Bonded), LoopState::Closed),
            (Some(Bonded), Some(Soft), LoopState::ClosedThroughResistor),
            (Some(Floating), Some(Bonded), LoopState::Open),
            (Some(Floating), None, LoopState::Open),
            (Some(Bonded), None, LoopState::Unknown),
            (None, None, LoopState::Unknown),
        ] {
            let setup = Setup {
                instrument: side(instrument, None),
                source: side(source, None),
                ..Setup::default()
            };
            assert_eq!(loop_verdict(&setup, &[]).state, expected);
        }
    }

    #[test]
    fn the_reading_is_believed_before_the_statement() {
        let setup = Setup {
            instrument: side(Some(Earth::Floating), Some(0.3)),
            source: side(None, Some(f64::INFINITY)),
            ..Setup::default()
        };
        let verdict = loop_verdict(&setup, &[]);
        assert_eq!(verdict.state, LoopState::Open);
        assert_eq!(verdict.contradictions.len(), 1);
        assert!(verdict.contradictions[0].contains("0.3 ohm"));
        assert_eq!(verdict.path_ohm, None);
    }

    #[test]
    fn remedies_open_what_they_break() {
        let bonded = Setup {
            instrument: side(Some(Earth::Bonded), None),
            source: side(Some(Earth::Bonded), None),
            ..Setup::default()
        };
        for (breaks, expected) in [
            (Breaks::Instrument, LoopState::Open),
            (Breaks::Source, LoopState::Open),
            (Breaks::Lead, LoopState::Open),
            (Breaks::Nothing, LoopState::Closed),
        ] {
            let verdict = loop_verdict(&bonded, &[remedy(breaks)]);
            assert_eq!(verdict.remedies[0].state, expected);
            assert!(verdict.contradictions.is_empty());
        }
        let open = Setup {
            instrument: side(Some(Earth::Floating), None),
            source: side(Some(Earth::Bonded), None),
            ..Setup::default()
        };
        assert_eq!(
            loop_verdict(&open, &[remedy(Breaks::Source)])
                .contradictions
                .len(),
            1
        );
    }

    #[test]
    fn a_remedy_that_opens_a_protective_earth_is_told() {
        let setup = Setup {
            instrument: side(Some(Earth::Bonded), None),
            source: EarthingSide {
                protective: Some(true),
                ..side(Some(Earth::Bonded), Some(0.3))
            },
            working_voltage_v: Some(230.0),
            category: Some("CAT II".into()),
        };
        let rated = Remedy {
            rating_v: Some(1000.0),
            category: Some("CAT III".into()),
            ..remedy(Breaks::Instrument)
        };
        let opens = Remedy {
            rating_v: Some(1000.0),
            category: Some("CAT II".into()),
            ..remedy(Breaks::Source)
        };
        let kept = Remedy {
            protective_earth: Some(ProtectiveEarth::Kept),
            ..opens.clone()
        };
        let weak = Remedy {
            rating_v: Some(60.0),
            category: Some("CAT I".into()),
            ..remedy(Breaks::Lead)
        };
        let hazards = |remedy: &Remedy| loop_verdict(&setup, std::slice::from_ref(remedy)).hazards;
        assert!(hazards(&rated).is_empty() && hazards(&kept).is_empty());
        assert!(hazards(&opens)[0].contains("opens a protective earth"));
        assert_eq!(hazards(&weak).len(), 2);
        assert_eq!(hazards(&remedy(Breaks::Lead)).len(), 2);
    }
}
