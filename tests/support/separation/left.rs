//! What a separation says is left beside what is left.
#![allow(dead_code)]

use crate::cases::{Case, Noise, Recipe, make, recipe, recipes};
use crate::templates::{ALIKE, TemplateRecipe, make_with_template};
use crate::two_channels::{PairRecipe, Way, make_pair, pair_recipes};
use humsieve::capture::{CaptureHeader, Channel, MemorySink, MemorySource, RateOrigin, TimeBase};
use humsieve::separation::{Keep, SeparateOptions, separate};
use humsieve::stats::Estimate;
use humsieve::{Capture, FrameSource};
use ndarray::Array2;

/// Longest record, s: enough for every kind, short enough for many records.
const LONGEST_S: f64 = 3.0;
const MOST_SAMPLES: usize = 20_000;

pub struct Outcome {
    /// RMS of what is left, and of the interference.
    pub left: f64,
    pub interference: f64,
    pub said: Estimate,
}

pub struct LeftCase {
    pub name: String,
    /// Of a seed; `None` where the separation is refused.
    pub run: Box<dyn Fn(u64) -> Option<Outcome> + Sync>,
}

pub fn left_cases() -> Vec<LeftCase> {
    let mut list = Vec::new();
    for recipe in recipes() {
        let name = format!("harmonic: {}", recipe.name);
        let recipe = Recipe {
            seconds: recipe.seconds.min(LONGEST_S),
            ..recipe
        };
        list.push(LeftCase {
            name,
            run: Box::new(move |seed| {
                let case = make(&recipe, seed);
                alone(&case, None)
            }),
        });
    }
    for (name, recipe, pair) in template_recipes() {
        list.push(LeftCase {
            name: format!("template: {name}"),
            run: Box::new(move |seed| {
                let both = make_with_template(&recipe, &pair, seed);
                alone(&both.case, Some(&both.template))
            }),
        });
    }
    for recipe in pair_recipes() {
        let shorter = PairRecipe {
            samples: recipe.samples.min(MOST_SAMPLES),
            ..recipe
        };
        let recipe = match recipe.drifts() {
            true => recipe,
            false => shorter,
        };
        list.push(LeftCase {
            name: recipe.name.into(),
            run: Box::new(move |seed| second_channel(&recipe, seed)),
        });
    }
    list
}

fn template_recipes() -> Vec<(&'static str, Recipe, TemplateRecipe)> {
    use crate::cases::{Mains, Wanted};
    let seconds = |seconds: f64| Recipe {
        seconds,
        ..recipe("")
    };
    let wanted = |wanted, s: f64| Recipe {
        wanted,
        ..seconds(s)
    };
    let on_order = TemplateRecipe {
        on_order: 0.5,
        ..ALIKE
    };
    vec![
        ("nothing wanted, 2 s", seconds(2.0), ALIKE),
        ("tone on an order, 2 s", seconds(2.0), on_order),
        (
            "tone on an order, template of half a second",
            seconds(2.0),
            TemplateRecipe {
                seconds: 0.5,
                ..on_order
            },
        ),
        ("steps, 2 s", wanted(Wanted::Steps, 2.0), ALIKE),
        ("pulses, 2 s", wanted(Wanted::Pulses, 2.0), ALIKE),
        (
            "half the gain, 2 s",
            seconds(2.0),
            TemplateRecipe { gain: 2.0, ..ALIKE },
        ),
        (
            "every other order 10 % off, 2 s",
            seconds(2.0),
            TemplateRecipe {
                uneven: 1.1,
                ..ALIKE
            },
        ),
        (
            "grid walk, 3 s",
            Recipe {
                mains: Mains::Walk,
                ..seconds(3.0)
            },
            ALIKE,
        ),
        (
            "pink noise, 2 s",
            Recipe {
                noise: Noise::Pink,
                ..seconds(2.0)
            },
            ALIKE,
        ),
        ("10 cycles", seconds(0.2), ALIKE),
        ("3 cycles", seconds(0.06), ALIKE),
        ("1.5 cycles", seconds(0.03), ALIKE),
        ("1.5 cycles, step", wanted(Wanted::Steps, 0.03), ALIKE),
        ("1.5 cycles, tone on an order", seconds(0.03), on_order),
    ]
}

/// Channels of one record, named `c1`, `c2` and so on.
pub fn capture(rate_hz: f64, rows: &[&[f64]]) -> Capture {
    let channels = (1..=rows.len())
        .map(|i| Channel {
            name: format!("c{i}"),
            unit: "V".into(),
        })
        .collect();
    let header = CaptureHeader::new(
        "made",
        channels,
        TimeBase::from_rate(rate_hz, RateOrigin::User),
    );
    let flat: Vec<f64> = rows.iter().flat_map(|r| r.iter().copied()).collect();
    let shape = (rows.len(), rows[0].len());
    Capture::new(header, Array2::from_shape_vec(shape, flat).unwrap()).unwrap()
}

fn separated(
    capture: &Capture,
    template: Option<&Capture>,
    options: SeparateOptions,
) -> Option<(Vec<f64>, Estimate)> {
    let mut sink = MemorySink::new();
    let mut template = template.map(MemorySource::new);
    let template = template.as_mut().map(|t| t as &mut dyn FrameSource);
    let options = options.keep(Keep::Interference);
    let said = separate(
        &mut MemorySource::new(capture),
        template,
        &options,
        &mut sink,
    )
    .ok()?;
    let removed = sink.into_capture().ok()?.channel(0)?.to_vec();
    Some((removed, said.first()?.residual_hum_rms))
}

fn alone(case: &Case, template: Option<&[f64]>) -> Option<Outcome> {
    let record = capture(case.rate_hz, &[&case.record()]);
    let template = template.map(|t| capture(case.rate_hz, &[t]));
    let (removed, said) = separated(&record, template.as_ref(), SeparateOptions::default())?;
    let left: f64 = case
        .hum
        .iter()
        .zip(&removed)
        .map(|(h, r)| (h - r).powi(2))
        .sum();
    let whole: f64 = case.hum.iter().map(|h| h * h).sum();
    let count = removed.len() as f64;
    Some(Outcome {
        left: (left / count).sqrt(),
        interference: (whole / count).sqrt(),
        said,
    })
}

pub fn second_channel(recipe: &PairRecipe, seed: u64) -> Option<Outcome> {
    let case = make_pair(recipe, seed);
    let record = capture(recipe.rate_hz, &[&case.target, &case.other]);
    let options = SeparateOptions::default().channels(["1"]);
    let options = match recipe.way {
        Way::Reference => options.reference("2"),
        Way::Difference => options.minus("2"),
    };
    let (removed, said) = separated(&record, None, options)?;
    let errors: Vec<f64> = case
        .interference
        .iter()
        .zip(&removed)
        .map(|(a, b)| a - b)
        .collect();
    Some(Outcome {
        left: about_mean(&errors),
        interference: about_mean(&case.interference),
        said,
    })
}

/// RMS about the mean.
fn about_mean(x: &[f64]) -> f64 {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / x.len() as f64).sqrt()
}
