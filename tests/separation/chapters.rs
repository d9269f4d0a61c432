//! Records of several chapters: what starts from the chapter before is separated as well as each chapter alone.

use crate::cases::{Case, Mains, Noise, Recipe, Series, Wanted, make, recipe};
use humsieve::Capture;
use humsieve::capture::{CaptureHeader, Channel, MemorySink, MemorySource, RateOrigin, TimeBase};
use humsieve::separation::{
    HarmonicOptions, Keep, SeparateOptions, Separation, harmonic, separate,
};
use ndarray::Array2;

const RATE_HZ: f64 = 48_000.0;
/// Longest chapter of one channel, as the library has it.
const CHAPTER_FRAMES: usize = 1 << 19;

fn power(x: impl Iterator<Item = f64>) -> f64 {
    x.map(|v| v * v).sum()
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-30).log10()
}

/// Interference that the chapter-wise separation takes out.
fn by_chapters(record: &[f64]) -> (Vec<f64>, Separation) {
    let channel = Channel {
        name: "1".into(),
        unit: "V".into(),
    };
    let header = CaptureHeader::new(
        "made",
        vec![channel],
        TimeBase::from_rate(RATE_HZ, RateOrigin::User),
    );
    let samples = Array2::from_shape_vec((1, record.len()), record.to_vec()).unwrap();
    let capture = Capture::new(header, samples).unwrap();
    let options = SeparateOptions::default().keep(Keep::Interference);
    let mut sink = MemorySink::new();
    let mut reports =
        separate(&mut MemorySource::new(&capture), None, &options, &mut sink).unwrap();
    let hum = sink.into_capture().unwrap().channel(0).unwrap().to_vec();
    (hum, reports.remove(0))
}

/// Power of the error against that of as many pieces, each separated alone, dB.
fn lost(case: &Case) -> f64 {
    let record = case.record();
    let (hum, _) = by_chapters(&record);
    let ours = power(hum.iter().zip(&case.hum).map(|(a, b)| a - b));
    let mut alone = 0.0;
    let chapters = record.len().div_ceil(CHAPTER_FRAMES);
    let piece = record.len().div_ceil(chapters);
    for (part, truth) in record.chunks(piece).zip(case.hum.chunks(piece)) {
        let hum = harmonic(part, RATE_HZ, &HarmonicOptions::default())
            .unwrap()
            .interference;
        alone += power(hum.iter().zip(truth).map(|(a, b)| a - b));
    }
    db(ours / alone)
}

fn long(name: &'static str) -> Recipe {
    Recipe {
        seconds: 55.0,
        rate_hz: RATE_HZ,
        ..recipe(name)
    }
}

/// What starting from the chapter before may cost.
const MOST_LOST_DB: f64 = 0.5;

#[test]
fn chapters_lose_nothing_by_starting_from_each_other() {
    let recipes = [
        long("steady"),
        Recipe {
            mains: Mains::Walk,
            ..long("walk")
        },
        Recipe {
            mains: Mains::SwitchedOn,
            ..long("load switched on")
        },
        Recipe {
            mains: Mains::Walk,
            wanted: Wanted::Pulses,
            ..long("pulses, walk")
        },
    ];
    for recipe in recipes {
        let lost = lost(&make(&recipe, 31));
        println!("{}: {lost:.2} dB", recipe.name);
        assert!(lost < MOST_LOST_DB, "{}: {lost} dB", recipe.name);
    }
}

/// It leaves the low-rate copy of the second chapter in its first seconds.
#[test]
#[ignore = "falls short: of this seed 0.55 dB are lost"]
fn a_chirp_loses_nothing_by_chapters() {
    let recipe = Recipe {
        mains: Mains::Walk,
        wanted: Wanted::Chirp,
        ..long("chirp, walk")
    };
    let lost = lost(&make(&recipe, 31));
    assert!(lost < MOST_LOST_DB, "{lost} dB");
}

#[test]
#[ignore = "minutes long: prints how chapters compare with pieces separated alone"]
fn chapters_beside_pieces() {
    let filter = std::env::var("CASE").unwrap_or_default();
    let walk = |recipe: Recipe| Recipe {
        mains: Mains::Walk,
        ..recipe
    };
    let recipes = vec![
        long("steady"),
        walk(long("walk")),
        Recipe {
            noise_rms: 0.5,
            ..walk(long("weak hum, walk"))
        },
        Recipe {
            noise_rms: 1.0,
            ..long("hum at the noise's level")
        },
        Recipe {
            mains: Mains::Step,
            ..long("0.2 Hz step")
        },
        Recipe {
            mains: Mains::Modulated,
            ..long("5 % modulation")
        },
        Recipe {
            mains: Mains::SwitchedOn,
            ..long("load switched on")
        },
        Recipe {
            series: Series::PhaseCut,
            ..walk(long("phase-cut, walk"))
        },
        Recipe {
            series: Series::Few,
            nominal_hz: 60.0,
            ..walk(long("60 Hz, walk"))
        },
        Recipe {
            noise: Noise::Pink,
            ..walk(long("pink noise, walk"))
        },
        Recipe {
            wanted: Wanted::Steps,
            ..walk(long("steps, walk"))
        },
        Recipe {
            wanted: Wanted::Pulses,
            ..walk(long("pulses, walk"))
        },
        Recipe {
            wanted: Wanted::Slow,
            ..walk(long("slow signal, walk"))
        },
        Recipe {
            wanted: Wanted::Chirp,
            ..walk(long("chirp, walk"))
        },
        Recipe {
            wanted: Wanted::PulseTrain,
            ..walk(long("pulse train, walk"))
        },
        Recipe {
            wanted: Wanted::TwoTones,
            ..walk(long("tones, walk"))
        },
    ];
    for recipe in recipes.iter().filter(|r| r.name.contains(&filter)) {
        let values: Vec<String> = (0..2)
            .map(|seed| format!("{:.2}", lost(&make(recipe, 500 + seed))))
            .collect();
        println!("| {} | {} |", recipe.name, values.join(" | "));
    }
}
