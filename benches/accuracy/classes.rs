//! The classes of records and the ranges each draws from.

use crate::ranges::{Converter, Hue, Length, Moves, Strength};
use crate::recipe::Recipe;
use crate::wanted::Content;

pub struct Class {
    pub name: String,
    pub recipe: Recipe,
}

const PLAIN: Recipe = Recipe::PLAIN;
/// Content that stands beside hum in C and alone in D.
const CONTENTS: [(&str, Content); 18] = [
    ("settling", Content::Settling),
    ("settling from mid-record", Content::SettlingMidRecord),
    ("double settling", Content::DoubleSettling),
    ("ramp", Content::Ramp),
    ("parabola", Content::Parabola),
    ("step", Content::Step),
    ("0.3 Hz sine", Content::SlowSine),
    ("tone at 100 Hz", Content::ToneAt(&[100.0])),
    (
        "tone at 400-2000 Hz",
        Content::ToneAt(&[400.0, 500.0, 1000.0, 2000.0]),
    ),
    ("tone within 1 Hz of an order", Content::ToneNearOrder),
    ("tone anywhere", Content::ToneAnywhere),
    ("random pulses", Content::RandomPulses),
    ("pulse train", Content::PulseTrain),
    ("speech-like", Content::Speech),
    ("heart-like", Content::Heart),
    ("chirp", Content::Chirp),
    ("music-like", Content::Music),
    ("line 0.3-3 Hz from an order", Content::MachineLine),
];

/// Every class, in the order of the table.
pub fn all() -> Vec<Class> {
    let mut classes = Vec::new();
    let mut add = |name: String, recipe: Recipe| classes.push(Class { name, recipe });
    plain(&mut add);
    moving(&mut add);
    for (name, content) in CONTENTS {
        add(
            format!("C {name}"),
            Recipe {
                length: Length::AsContent,
                strength: Strength::OverNoise(5.0, 40.0),
                content,
                ..PLAIN
            },
        );
    }
    no_hum(&mut add);
    converter(&mut add);
    for highest in [5, 2] {
        add(
            format!("F harmonics {highest} of a series of 20"),
            Recipe {
                orders: (20, 20),
                harmonics: Some(highest),
                strength: Strength::OverNoise(5.0, 40.0),
                ..PLAIN
            },
        );
    }
    classes
}

fn plain(add: &mut impl FnMut(String, Recipe)) {
    for (cycles, weakest) in [
        (1.2, 15.0),
        (2.0, 10.0),
        (3.0, 5.0),
        (5.0, 5.0),
        (10.0, 0.0),
        (50.0, 0.0),
        (500.0, -5.0),
    ] {
        add(
            format!("A plain, {cycles} cycles"),
            Recipe {
                length: Length::Cycles(cycles),
                strength: Strength::OverNoise(weakest, 40.0),
                ..PLAIN
            },
        );
    }
    for cycles in [10.0, 50.0, 500.0] {
        add(
            format!("A weak, {cycles} cycles"),
            Recipe {
                length: Length::Cycles(cycles),
                strength: Strength::Lines(6.0, 40.0),
                orders: (1, 10),
                ..PLAIN
            },
        );
    }
    for (name, hue) in [("one-pole", Hue::OnePole), ("1/f", Hue::Pink)] {
        for cycles in [10.0, 50.0, 500.0] {
            add(
                format!("A {name} noise, {cycles} cycles"),
                Recipe {
                    length: Length::Cycles(cycles),
                    hue,
                    ..PLAIN
                },
            );
        }
    }
}

fn moving(add: &mut impl FnMut(String, Recipe)) {
    let mut one = |name: String, seconds: f64, moves: Moves| {
        add(
            format!("B {name}, {seconds} s"),
            Recipe {
                length: Length::Seconds(seconds),
                moves,
                ..PLAIN
            },
        );
    };
    for depth in [5.0, 20.0] {
        for seconds in [1.0, 10.0] {
            one(
                format!("{depth} % modulation"),
                seconds,
                Moves::Modulated(depth / 100.0),
            );
        }
    }
    for seconds in [1.0, 10.0, 60.0] {
        one("walk 5-10 mHz/√s".into(), seconds, Moves::Walk(5.0, 10.0));
        one("walk 10-30 mHz/√s".into(), seconds, Moves::Walk(10.0, 30.0));
        one("slow sway".into(), seconds, Moves::Sway);
        one("linear drift".into(), seconds, Moves::Drift);
    }
    one("generator drifting 0.5-2 Hz".into(), 10.0, Moves::Generator);
    for seconds in [1.0, 10.0] {
        one("hum that starts".into(), seconds, Moves::Starts);
        one("hum that stops".into(), seconds, Moves::Stops);
        one("load step".into(), seconds, Moves::LoadStep);
    }
}

fn no_hum(add: &mut impl FnMut(String, Recipe)) {
    let quiet = Recipe {
        hum: false,
        length: Length::AsContent,
        strength: Strength::OverNoise(5.0, 40.0),
        ..PLAIN
    };
    for (name, content) in CONTENTS {
        let telling = if name == "tone at 100 Hz" {
            " (no telling)"
        } else {
            ""
        };
        add(format!("D {name}{telling}"), Recipe { content, ..quiet });
    }
    for (name, hue) in [
        ("white noise", Hue::White),
        ("1/f noise", Hue::PinkThroughout),
        ("red noise", Hue::Red),
        ("blue noise", Hue::Blue),
        ("one-pole noise", Hue::OnePole),
    ] {
        add(format!("D {name}"), Recipe { hue, ..quiet });
    }
    for (name, low, high) in [
        ("fan of 37-45 Hz", 37.0, 45.0),
        ("fan of 45-49 Hz", 45.0, 49.0),
        ("fan of 63-90 Hz", 63.0, 90.0),
    ] {
        let content = Content::Fan(low, high);
        add(format!("D {name}"), Recipe { content, ..quiet });
    }
    add(
        "D constant".into(),
        Recipe {
            noise: 0.0,
            ..quiet
        },
    );
    add(
        "D two-valued".into(),
        Recipe {
            noise: 0.0,
            content: Content::TwoValued,
            ..quiet
        },
    );
    add(
        "D two-valued with noise".into(),
        Recipe {
            content: Content::TwoValued,
            ..quiet
        },
    );
    let coarse = Some(Converter {
        hum: (0.3, 30.0),
        noise: (0.05, 1.0),
    });
    add(
        "D noise of 0.05-1 steps".into(),
        Recipe {
            converter: coarse,
            ..quiet
        },
    );
    add(
        "D 0.3 Hz sine, noise of 0.05-1 steps".into(),
        Recipe {
            converter: coarse,
            content: Content::SlowSine,
            ..quiet
        },
    );
}

fn converter(add: &mut impl FnMut(String, Recipe)) {
    for noise in [(0.5, 1.0), (0.1, 0.5), (0.03, 0.1), (0.01, 0.03)] {
        for (size, hum) in [("0.3-3", (0.3, 3.0)), ("3-100", (3.0, 100.0))] {
            add(
                format!("E noise {}-{} steps, hum {size}", noise.0, noise.1),
                Recipe {
                    length: Length::Seconds(1.0),
                    converter: Some(Converter { hum, noise }),
                    ..PLAIN
                },
            );
        }
    }
}
