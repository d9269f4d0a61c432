//! No record ends the program, and no figure is absurd: a sweep over rates, lengths, contents and options.
//!
//! A fixed sample runs with the other tests; all of it by
//! `cargo test --test never_panics -- --ignored --nocapture`.
#![allow(clippy::unwrap_used)]

mod records;

use humsieve::analysis::{Detail, MainsChoice, measure};
use humsieve::capture::{CaptureHeader, Channel, MemorySource, RateOrigin, TimeBase};
use humsieve::comparison::{CompareOptions, DecibelRatio, compare};
use humsieve::separation::{MemorySink, MethodChoice, SeparateOptions, separate};
use humsieve::stats::chi_square_quantile;
use humsieve::{Capture, Condition, Estimate, MeasureOptions, Measurement};
use ndarray::Array2;
use rayon::prelude::*;
use records::{CONTENTS, content};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;

const RATES_HZ: [f64; 19] = [
    1e-3, 0.05, 1.0, 10.0, 49.0, 60.0, 90.0, 100.0, 101.0, 110.0, 119.0, 122.0, 150.0, 400.0, 1e3,
    8e3, 48e3, 1e6, 1e7,
];
const SHORT: [usize; 12] = [0, 1, 2, 15, 16, 17, 23, 40, 100, 257, 1000, 4096];
const LONG: [usize; 4] = [20_000, 100_000, 300_000, 1_000_000];
const NOMINALS: [MainsChoice; 6] = [
    MainsChoice::Auto,
    MainsChoice::Nominal(16.7),
    MainsChoice::Nominal(50.0),
    MainsChoice::Nominal(60.0),
    MainsChoice::Nominal(400.0),
    MainsChoice::Nominal(6000.0),
];
const HARMONICS: [usize; 3] = [1, 40, 1000];
const VARIANTS: usize = 10;

#[derive(Debug, Clone, Copy)]
struct Case {
    rate_hz: f64,
    samples: usize,
    content: usize,
    nominal: usize,
    harmonics: usize,
    variant: usize,
}

impl Case {
    fn options(&self) -> MeasureOptions {
        let mut options = MeasureOptions {
            mains: NOMINALS[self.nominal],
            harmonics: HARMONICS[self.harmonics],
            ..MeasureOptions::default()
        };
        let nyquist = 0.5 * self.rate_hz;
        match self.variant {
            1 => options.band_hz = Some((0.0, 1e-9)),
            2 => options.band_hz = Some((0.3 * nyquist, 0.300_001 * nyquist)),
            3 => options.band_hz = Some((nyquist, 10.0 * nyquist)),
            4 => options.confidence = 0.01,
            5 => options.confidence = 0.999_999_9,
            6 => options.every_s = Some(50.0 / self.rate_hz),
            7 => {
                options.detail = Detail {
                    spectrum: true,
                    folded: true,
                    third_octaves: true,
                    harmonic_groups: true,
                };
            }
            8 => options.ac_corner_hz = Some(1e-3 * self.rate_hz),
            9 => options.ac_corner_hz = Some(1e12),
            _ => {}
        }
        options
    }

    fn capture(&self) -> Option<Capture> {
        let samples = content(self.content, self.samples, self.rate_hz);
        let mut capture =
            Capture::from_samples(CONTENTS[self.content], self.rate_hz, &samples).ok()?;
        if self.variant % 2 == 1 {
            capture.acquisition_mut().lsb_v = Some(1e-3);
        }
        Some(capture)
    }
}

/// All short cases over every nominal and number of harmonics, the options in turn; of long ones each content and rate
/// once, nominals, harmonics and options in turn.
fn all_cases() -> Vec<Case> {
    let mut cases = Vec::new();
    let mut turn = 0;
    let orders = NOMINALS.len() * HARMONICS.len();
    for rate_hz in RATES_HZ {
        for content in 0..CONTENTS.len() {
            for (samples, each) in SHORT
                .map(|n| (n, orders))
                .into_iter()
                .chain(LONG.map(|n| (n, 1)))
            {
                for i in 0..each {
                    turn += 1;
                    let order = if each == 1 { turn } else { i };
                    cases.push(Case {
                        rate_hz,
                        samples,
                        content,
                        nominal: order % NOMINALS.len(),
                        harmonics: order / NOMINALS.len() % HARMONICS.len(),
                        variant: turn % VARIANTS,
                    });
                }
            }
        }
    }
    cases
}

/// What of the figures breaks the rule.
fn broken(m: &Measurement) -> Vec<String> {
    let mut found = Vec::new();
    let mut estimate = |name: &str, e: &Estimate| {
        let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
        if !finite || e.low > e.value || e.value > e.high {
            found.push(format!("{name}: {} [{}, {}]", e.value, e.low, e.high));
        }
    };
    estimate("dc_offset", &m.dc_offset);
    estimate("noise", &m.noise.rms);
    estimate("density", &m.noise.density_v_per_rthz);
    for band in &m.noise.third_octaves {
        estimate("third octave", &band.rms);
    }
    if let Some(hum) = &m.mains.hum_rms {
        estimate("hum", hum);
    }
    for h in &m.mains.harmonics {
        estimate(&format!("order {}", h.order), &h.rms);
        if let Some(phase) = &h.phase_deg {
            estimate(&format!("phase {}", h.order), phase);
        }
    }
    let half_rate = 0.5 * m.sample_rate_hz;
    let mut frequencies: Vec<Estimate> = m.tones.iter().map(|t| t.frequency_hz).collect();
    frequencies.extend(m.mains.frequency_hz);
    for f in &frequencies {
        estimate("frequency", f);
    }
    for tone in &m.tones {
        estimate("tone", &tone.rms);
    }
    for f in frequencies {
        if !(0.0..=half_rate).contains(&f.value) {
            found.push(format!("frequency {} of {half_rate}", f.value));
        }
    }
    // The noise over a record is part of what moves in it; its density rests on no less than one bin of two tapers, 3.2
    // degrees of freedom. A step that hides the noise adds its own rounding.
    let tail = 0.5 - 0.5 * m.confidence;
    let factor = (3.0 / chi_square_quantile(tail, 3.0)).sqrt();
    let most = factor * m.waveform.ac_rms + m.quality.lsb.unwrap_or(0.0);
    for (name, high) in std::iter::once(("noise", m.noise.rms.high))
        .chain(m.noise.third_octaves.iter().map(|b| ("octave", b.rms.high)))
    {
        if high > most * (1.0 + 1e-9) {
            found.push(format!("{name} up to {high}, AC RMS {}", m.waveform.ac_rms));
        }
    }
    let w = &m.waveform;
    let plain = [
        w.rms,
        w.ac_rms,
        w.peak_to_peak,
        w.crest_factor,
        w.min,
        w.max,
    ];
    let thd = m.mains.thd_percent.unwrap_or(0.0);
    let band = [m.noise.band_hz.0, m.noise.band_hz.1, thd];
    if !plain.iter().chain(&band).all(|x| x.is_finite()) {
        found.push(format!("{w:?} {band:?}"));
    }
    let curves = m.spectrum.iter().flat_map(|s| {
        [&s.frequency_hz, &s.total_v_per_rthz, &s.noise_v_per_rthz]
            .into_iter()
            .flatten()
    });
    if curves.into_iter().any(|x| !x.is_finite()) {
        found.push("spectrum".into());
    }
    found
}

fn broken_ratio(name: &str, ratio: Option<&DecibelRatio>) -> Option<String> {
    let r = ratio?;
    // An end that is open is negative infinity below, nothing above.
    let right = r.value.is_finite()
        && r.low <= r.value
        && r.high.is_none_or(|h| h.is_finite() && h >= r.value);
    (!right).then(|| format!("{name}: {r:?}"))
}

fn broken_comparison(
    captures: &BTreeMap<Condition, Vec<Measurement>>,
    confidence: f64,
) -> Vec<String> {
    let options = CompareOptions {
        confidence,
        ..CompareOptions::default()
    };
    let Ok(comparison) = compare(captures, &options) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for q in &comparison.quantities {
        for e in [
            q.baseline,
            q.looped,
            q.isolated,
            q.loop_excess,
            q.residual_excess,
        ]
        .iter()
        .flatten()
        {
            let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
            if !finite || e.low > e.value || e.value > e.high {
                found.push(format!(
                    "compare {}: {} [{}, {}]",
                    q.name, e.value, e.low, e.high
                ));
            }
        }
        found.extend(broken_ratio(&q.name, q.improvement_db.as_ref()));
        found.extend(broken_ratio(&q.name, q.excess_reduction_db.as_ref()));
    }
    found
}

/// Everything that is done with one record; what breaks the rule.
fn run(case: &Case) -> Vec<String> {
    let Some(capture) = case.capture() else {
        return Vec::new();
    };
    let options = case.options();
    let Ok(measured) = measure(&mut MemorySource::new(&capture), &options) else {
        return Vec::new();
    };
    let mut found: Vec<String> = measured.iter().take(20).flat_map(broken).collect();
    let other = Case {
        content: (case.content + 1) % CONTENTS.len(),
        ..*case
    };
    let others = other
        .capture()
        .and_then(|c| measure(&mut MemorySource::new(&c), &options).ok());
    if let Some(others) = others {
        let few = |m: &[Measurement]| m.iter().take(3).cloned().collect::<Vec<_>>();
        let captures = BTreeMap::from([
            (Condition::Baseline, few(&others[..1])),
            (Condition::Looped, few(&measured)),
            (Condition::Isolated, few(&others)),
        ]);
        found.extend(broken_comparison(&captures, options.confidence));
    }
    found
}

fn two_channels(case: &Case) -> Option<Capture> {
    let names = ["1", "2"].map(|name| Channel {
        name: name.into(),
        unit: "V".into(),
    });
    let time_base = TimeBase::from_rate(case.rate_hz, RateOrigin::User);
    let mut rows = content(case.content, case.samples, case.rate_hz);
    rows.extend(content(
        (case.content + 3) % CONTENTS.len(),
        case.samples,
        case.rate_hz,
    ));
    let samples = Array2::from_shape_vec((2, case.samples), rows).ok()?;
    Capture::new(
        CaptureHeader::new("two", names.to_vec(), time_base),
        samples,
    )
    .ok()
}

/// All methods of separation; what breaks the rule.
fn run_separation(case: &Case) -> Vec<String> {
    let Some(capture) = two_channels(case) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for method in [
        MethodChoice::Harmonic,
        MethodChoice::Template,
        MethodChoice::Reference,
        MethodChoice::Difference,
    ] {
        let second = Some("2".to_owned());
        let options = SeparateOptions {
            method,
            mains: NOMINALS[case.nominal],
            harmonics: Some(HARMONICS[case.harmonics]),
            reference: second.clone().filter(|_| method == MethodChoice::Reference),
            minus: second.filter(|_| method == MethodChoice::Difference),
            channels: vec!["1".into()],
            confidence: case.options().confidence,
            ..SeparateOptions::default()
        };
        let mut template = MemorySource::new(&capture);
        let template: Option<&mut dyn humsieve::FrameSource> = match method {
            MethodChoice::Template => Some(&mut template),
            _ => None,
        };
        let mut sink = MemorySink::new();
        let Ok(results) = separate(
            &mut MemorySource::new(&capture),
            template,
            &options,
            &mut sink,
        ) else {
            continue;
        };
        for s in results {
            let r = s.residual_hum_rms;
            let mut figures = vec![r];
            figures.extend(s.mains_frequency_hz);
            for e in figures {
                let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
                if !finite || e.low > e.value || e.value > e.high {
                    found.push(format!("{method:?}: {} [{}, {}]", e.value, e.low, e.high));
                }
            }
            let removed = [
                s.removed.dc_offset,
                s.removed.mains_rms,
                s.removed.coherent_rms,
            ];
            if !removed.iter().all(|x| x.is_finite()) {
                found.push(format!("{method:?} removed {removed:?}"));
            }
        }
        let written = sink.into_capture().unwrap();
        let (before, after) = (capture.channel(0).unwrap(), written.channel(0).unwrap());
        let lost = before
            .iter()
            .zip(after)
            .filter(|(b, a)| b.is_finite() && !a.is_finite())
            .count();
        if lost > 0 || before.len() != after.len() {
            found.push(format!(
                "{method:?}: {lost} samples lost of {}",
                before.len()
            ));
        }
    }
    found
}

/// Runs cases, counts them and what they did wrong.
fn sweep(cases: &[Case], work: fn(&Case) -> Vec<String>) -> usize {
    static PLACE: Mutex<String> = Mutex::new(String::new());
    std::panic::set_hook(Box::new(|info| {
        let place = info.location().map(ToString::to_string);
        *PLACE.lock().unwrap() = format!("{info}").replace('\n', " ");
        drop(place);
    }));
    let wrong: Vec<String> = cases
        .par_iter()
        .flat_map_iter(|case| {
            let start = std::time::Instant::now();
            let found = catch_unwind(AssertUnwindSafe(|| work(case)))
                .unwrap_or_else(|_| vec![format!("PANIC {}", PLACE.lock().unwrap())]);
            if std::env::var_os("SWEEP_SLOW").is_some() && start.elapsed().as_secs_f64() > 5.0 {
                eprintln!(
                    "slow {:.1} s {case:?} {}",
                    start.elapsed().as_secs_f64(),
                    CONTENTS[case.content]
                );
            }
            found
                .into_iter()
                .map(move |what| format!("{} {case:?}: {what}", CONTENTS[case.content]))
        })
        .collect();
    let _ = std::panic::take_hook();
    println!("{} runs, {} breaks of the rule", cases.len(), wrong.len());
    let most = std::env::var("SWEEP_SHOW")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(20);
    for line in wrong.iter().take(most) {
        println!("{line}");
    }
    wrong.len()
}

/// Every `step`-th case of at most so many samples.
fn some(cases: &[Case], step: usize, most: usize) -> Vec<Case> {
    cases
        .iter()
        .step_by(step)
        .filter(|c| c.samples <= most)
        .copied()
        .collect()
}

#[test]
fn a_sample_of_all_records_gives_figures_within_the_rule() {
    let cases = some(&all_cases(), 29, 20_000);
    assert_eq!(sweep(&cases, run), 0);
}

#[test]
fn a_sample_of_all_records_is_separated() {
    let cases = some(&all_cases(), 173, 20_000);
    assert_eq!(sweep(&cases, run_separation), 0);
}

#[test]
#[ignore = "hours: all of the sweep"]
fn all_records_give_figures_within_the_rule() {
    assert_eq!(sweep(&all_cases(), run), 0);
}

#[test]
#[ignore = "hours: all of the sweep"]
fn all_records_are_separated() {
    assert_eq!(sweep(&all_cases(), run_separation), 0);
}
