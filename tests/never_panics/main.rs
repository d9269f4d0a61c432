//! No record ends the program, and no figure is absurd: a sweep over rates, lengths, contents and options.
//!
//! A fixed sample runs with the other tests; all of it by
//! `cargo test --test never_panics -- --ignored --nocapture`.
#![allow(clippy::too_many_lines, clippy::unwrap_used)]

#[path = "../support/figures.rs"]
mod figures;
#[path = "../support/records.rs"]
mod records;

use figures::{broken, broken_comparison};
use humsieve::analysis::{Detail, MainsChoice, measure};
use humsieve::capture::{
    Acquisition, CaptureHeader, Channel, MemorySink, MemorySource, RateOrigin, TimeBase,
};
use humsieve::comparison::{CompareOptions, compare};
use humsieve::separation::{MethodChoice, SeparateOptions, separate};
use humsieve::{Capture, Condition, ErrorKind, MeasureOptions, Measurement, WarningCode};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rayon::ThreadPoolBuilder;
use records::{CONTENTS, content};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

const RATES_HZ: [f64; 19] = [
    1e-3, 0.05, 1.0, 10.0, 49.0, 60.0, 90.0, 100.0, 101.0, 110.0, 119.0, 122.0, 150.0, 400.0, 1e3,
    8e3, 48e3, 1e6, 1e7,
];
const SHORT: [usize; 12] = [0, 1, 2, 15, 16, 17, 23, 40, 100, 257, 1000, 4096];
/// Lengths of long records, and how many pairs of rate and content there are to one of them.
const LONG: [(usize, usize); 4] = [(20_000, 1), (100_000, 5), (300_000, 13), (1_000_000, 41)];
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
        let mut options = MeasureOptions::default()
            .mains(NOMINALS[self.nominal])
            .harmonics(HARMONICS[self.harmonics]);
        let nyquist = 0.5 * self.rate_hz;
        match self.variant {
            1 => options.band_hz = Some((0.0, 1e-9)),
            2 => options.band_hz = Some((0.3 * nyquist, 0.300_001 * nyquist)),
            3 => options.band_hz = Some((nyquist, 10.0 * nyquist)),
            4 => options.confidence = 0.01,
            5 => options.confidence = 0.999_999_9,
            6 => options.every_s = Some(50.0 / self.rate_hz),
            7 => {
                options.detail = Detail::default()
                    .spectrum(true)
                    .folded(true)
                    .third_octaves(true)
                    .harmonic_groups(true);
            }
            8 => options.ac_corner_hz = Some(1e-3 * self.rate_hz),
            9 => options.ac_corner_hz = Some(1e12),
            _ => {}
        }
        options
    }

    fn capture(&self) -> Option<Capture> {
        let samples = content(self.content, self.samples, self.rate_hz);
        let capture = Capture::from_samples(CONTENTS[self.content], self.rate_hz, &samples).ok()?;
        match self.variant % 2 {
            1 => capture.taken_with(Acquisition::default().lsb_v(1e-3)).ok(),
            _ => Some(capture),
        }
    }
}

/// Rates, contents, short lengths and nominals all with each other, harmonics and options drawn; of long ones each rate
/// and content, the longest the more seldom, the rest drawn.
fn all_cases() -> Vec<Case> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(14);
    let mut cases = Vec::new();
    let mut drawn = |rate_hz: f64, samples: usize, content: usize, nominal: Option<usize>| Case {
        rate_hz,
        samples,
        content,
        nominal: nominal.unwrap_or_else(|| rng.random_range(0..NOMINALS.len())),
        harmonics: rng.random_range(0..HARMONICS.len()),
        variant: rng.random_range(0..VARIANTS),
    };
    let mut turn = 0;
    for rate_hz in RATES_HZ {
        for content in 0..CONTENTS.len() {
            for samples in SHORT {
                for nominal in 0..NOMINALS.len() {
                    cases.push(drawn(rate_hz, samples, content, Some(nominal)));
                }
            }
            turn += 1;
            for (samples, every) in LONG {
                if turn % every == 0 {
                    cases.push(drawn(rate_hz, samples, content, None));
                }
            }
        }
    }
    cases
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
        let options = {
            let mut options = SeparateOptions::default();
            options.method = method;
            options.mains = NOMINALS[case.nominal];
            options.harmonics = Some(HARMONICS[case.harmonics]);
            let sensed = second.clone().filter(|_| method == MethodChoice::Reference);
            options.references = sensed.into_iter().collect();
            options.minus = second.filter(|_| method == MethodChoice::Difference);
            options.channels = vec!["1".into()];
            options.confidence = case.options().confidence;
            options
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
            found.extend(figures::broken_separation(&s));
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

/// Counts of a sweep so far.
#[derive(Default)]
struct Tally {
    runs: usize,
    wrong: Vec<String>,
    slowest: (f64, String),
}

/// Breaks of the rule that are written out.
const SHOWN_MOST: usize = 200;
/// Runs between two lines of progress.
const PROGRESS_RUNS: usize = 1000;

impl Tally {
    fn add(&mut self, name: String, found: Vec<String>, took: f64, cases: usize) {
        self.runs += 1;
        for what in found {
            let line = format!("{name}: {what}");
            if self.wrong.len() < SHOWN_MOST {
                println!("{line}");
            }
            self.wrong.push(line);
        }
        if took > self.slowest.0 {
            self.slowest = (took, name);
        }
        if self.runs.is_multiple_of(PROGRESS_RUNS) || self.runs == cases {
            println!(
                "{} of {cases} runs, {} breaks of the rule, slowest {:.1} s: {}",
                self.runs,
                self.wrong.len(),
                self.slowest.0,
                self.slowest.1
            );
        }
    }
}

/// Runs cases, counts them and what they did wrong, and tells how far it is. Each worker has a pool of one thread: one
/// case at a time, so that its time is its own.
fn sweep(cases: &[Case], work: fn(&Case) -> Vec<String>) -> usize {
    static PLACE: Mutex<String> = Mutex::new(String::new());
    std::panic::set_hook(Box::new(|info| {
        *PLACE.lock().unwrap() = format!("{info}").replace('\n', " ");
    }));
    let tally = Mutex::new(Tally::default());
    let next = AtomicUsize::new(0);
    let worker = || {
        while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
            let start = Instant::now();
            let found = catch_unwind(AssertUnwindSafe(|| work(case)))
                .unwrap_or_else(|_| vec![format!("PANIC {}", PLACE.lock().unwrap())]);
            let name = format!("{} {case:?}", CONTENTS[case.content]);
            let took = start.elapsed().as_secs_f64();
            tally.lock().unwrap().add(name, found, took, cases.len());
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            let pool = ThreadPoolBuilder::new().num_threads(1).build().unwrap();
            scope.spawn(move || pool.install(worker));
        }
    });
    let _ = std::panic::take_hook();
    tally.into_inner().unwrap().wrong.len()
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
    let cases = some(&all_cases(), 29, 4096);
    assert_eq!(sweep(&cases, run), 0);
}

#[test]
fn a_sample_of_all_records_is_separated() {
    let cases = some(&all_cases(), 101, 4096);
    assert_eq!(sweep(&cases, run_separation), 0);
}

/// Cases that broke the rule in a full sweep.
const ONCE_BROKEN: [Case; 3] = [
    // The second channel alternates: a delay of half a sample silences it, and the gain ran away.
    Case {
        rate_hz: 8000.0,
        samples: 300_000,
        content: 7,
        nominal: 4,
        harmonics: 1,
        variant: 8,
    },
    // Hum that is all noise times the corner's gain: the AC RMS had a five hundredth of a degree of freedom.
    Case {
        rate_hz: 60.0,
        samples: 257,
        content: 9,
        nominal: 1,
        harmonics: 2,
        variant: 9,
    },
    // A course that moves and a steady one cut the record into unequal numbers of intervals.
    Case {
        rate_hz: 1000.0,
        samples: 4096,
        content: 13,
        nominal: 2,
        harmonics: 0,
        variant: 1,
    },
];

#[test]
fn cases_that_once_broke_the_rule_are_kept() {
    assert_eq!(sweep(&ONCE_BROKEN, run), 0);
    assert_eq!(sweep(&ONCE_BROKEN, run_separation), 0);
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

fn measured_with(samples: &[f64], rate_hz: f64, options: &MeasureOptions) -> Measurement {
    let capture = Capture::from_samples("bench", rate_hz, samples).unwrap();
    let mut measured = measure(&mut MemorySource::new(&capture), options).unwrap();
    let m = measured.remove(0);
    assert_eq!(broken(&m), Vec::<String>::new());
    m
}

fn message(m: &Measurement, code: WarningCode) -> Option<&str> {
    let mut warnings = m.quality.warnings.iter();
    warnings
        .find(|w| w.code == code)
        .map(|w| w.message.as_str())
}

fn hum(count: usize, rate_hz: f64, seed: u64) -> Vec<f64> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|n| {
            0.1 + (TAU * (50.02 * n as f64 / rate_hz).fract()).cos()
                + 0.01 * (rng.random::<f64>() - 0.5)
        })
        .collect()
}

/// From a few millihertz to twice the mains and any length from 16 samples: offset, noise and tones, and a word on
/// the mains that folds, with the place by hand: 60 - 50.02 Hz.
#[test]
fn records_below_twice_the_mains_are_measured_without_it() {
    for rate_hz in [3e-3, 0.7, 60.0, 99.0] {
        for count in [16, 17, 100, 3000] {
            let m = measured_with(&hum(count, rate_hz, 1), rate_hz, &MeasureOptions::default());
            assert!(!m.mains.detected);
            assert!(
                message(&m, WarningCode::FoldedMains).is_some(),
                "{rate_hz} {count}"
            );
        }
    }
    let m = measured_with(&hum(3000, 60.0, 1), 60.0, &MeasureOptions::default());
    assert!(
        message(&m, WarningCode::FoldedMains)
            .unwrap()
            .contains("10.000000 Hz")
    );
    let tone = &m.tones[0];
    assert!(tone.frequency_hz.contains(9.98), "{:?}", tone.frequency_hz);
    assert!((tone.rms.value - 0.5f64.sqrt()).abs() < 0.01);
    assert!(
        tone.relation
            .as_ref()
            .unwrap()
            .contains("possibly the mains at 50 Hz")
    );
    assert!(m.dc_offset.contains(0.1), "{:?}", m.dc_offset);
}

#[test]
fn a_stated_nominal_near_or_above_half_the_rate_folds() {
    for (rate_hz, nominal_hz) in [
        (100.0, 49.9),
        (100.0, 50.0),
        (400.0, 400.0),
        (1000.0, 6000.0),
    ] {
        let options = MeasureOptions::default().mains(MainsChoice::Nominal(nominal_hz));
        let m = measured_with(&hum(2000, rate_hz, 2), rate_hz, &options);
        assert!(
            message(&m, WarningCode::FoldedMains).is_some(),
            "{rate_hz} {nominal_hz}"
        );
    }
}

#[test]
fn rates_and_acquisitions_out_of_range_are_refused_with_their_limits() {
    let refusal = |acquisition: Acquisition, rate_hz: f64| {
        let measured =
            Capture::from_samples("bench", rate_hz, &hum(100, 1e4, 3)).and_then(|capture| {
                let capture = capture.taken_with(acquisition)?;
                measure(&mut MemorySource::new(&capture), &MeasureOptions::default())
            });
        let error = measured.unwrap_err();
        // A rate that a caller states is an option, what an acquisition holds a value.
        let kind = match rate_hz {
            1e4 => ErrorKind::BadValue,
            _ => ErrorKind::BadOption,
        };
        assert_eq!(error.kind(), kind);
        error.to_string()
    };
    for rate_hz in [1e-308, 1e300, 1e-7, 1e13] {
        assert!(refusal(Acquisition::default(), rate_hz).contains("1e12"));
    }
    for bad in [f64::NAN, f64::INFINITY, -1.0, 0.0] {
        assert!(refusal(Acquisition::default().full_scale_v(bad), 1e4).contains("full scale"));
        assert!(refusal(Acquisition::default().lsb_v(bad), 1e4).contains("step"));
        assert!(refusal(Acquisition::default().ac_corner_hz(bad), 1e4).contains("corner"));
    }
}

#[test]
fn the_corner_of_the_acquisition_is_that_of_the_options() {
    let samples = hum(5000, 5000.0, 4);
    let stated = MeasureOptions::default().ac_corner_hz(50.02);
    let by_options = measured_with(&samples, 5000.0, &stated);
    let capture = Capture::from_samples("bench", 5000.0, &samples).unwrap();
    let capture = capture
        .taken_with(Acquisition::default().ac_corner_hz(50.02))
        .unwrap();
    let by_capture = measure(&mut MemorySource::new(&capture), &MeasureOptions::default()).unwrap();
    assert_eq!(by_capture[0].mains, by_options.mains);
    // At its corner a first-order high-pass leaves 1/sqrt(2).
    let fundamental = by_capture[0].mains.harmonics[0].rms.value;
    assert!((fundamental - 1.0).abs() < 0.01, "{fundamental}");
}

#[test]
fn a_channel_that_stands_still_has_an_offset_and_nothing_else() {
    for value in [0.0, 0.1, -3.7e-6, 1e200] {
        let m = measured_with(&vec![value; 4000], 4000.0, &MeasureOptions::default());
        assert_eq!(m.dc_offset.value, value);
        assert!(!m.mains.detected && m.mains.thd_percent.is_none() && m.tones.is_empty());
        assert!(m.mains.harmonics.iter().all(|h| !h.detected));
        assert_eq!(m.noise.rms.value, 0.0);
        assert!(
            message(&m, WarningCode::CoarseQuantization)
                .unwrap()
                .contains("every sample reads")
        );
    }
    let capture = Capture::from_samples("bench", 4000.0, &[0.25; 4000]).unwrap();
    let capture = capture
        .taken_with(Acquisition::default().lsb_v(1e-3))
        .unwrap();
    let m = measure(&mut MemorySource::new(&capture), &MeasureOptions::default())
        .unwrap()
        .remove(0);
    assert_eq!((m.dc_offset.low, m.dc_offset.high), (0.2495, 0.2505));
    assert!(m.noise.rms.high <= 1e-3);
}

/// A dead channel after one with hum: nothing improved, since nothing was measured.
#[test]
fn nothing_improves_by_a_dead_channel() {
    let options = MeasureOptions::default();
    let captures = BTreeMap::from([
        (
            Condition::Looped,
            vec![measured_with(&hum(4000, 4000.0, 5), 4000.0, &options)],
        ),
        (
            Condition::Isolated,
            vec![measured_with(&[0.0; 4000], 4000.0, &options)],
        ),
    ]);
    let comparison = compare(&captures, &CompareOptions::default()).unwrap();
    for q in &comparison.quantities {
        assert_eq!(q.improvement_db, None, "{}", q.name);
    }
    assert!(
        comparison
            .left_out
            .iter()
            .any(|l| l.why.contains("every sample is the same"))
    );
}

/// A power of two rounds nothing: the figures are the same to the bit, whatever the values' size.
#[test]
fn figures_are_computed_at_a_scale_of_their_own() {
    let samples = hum(4000, 4000.0, 6);
    let plain = measured_with(&samples, 4000.0, &MeasureOptions::default());
    for exponent in [-900, -60, 60, 700, 990] {
        let factor = 2f64.powi(exponent);
        let scaled: Vec<f64> = samples.iter().map(|x| x * factor).collect();
        let m = measured_with(&scaled, 4000.0, &MeasureOptions::default());
        assert_eq!(
            m.dc_offset.value,
            plain.dc_offset.value * factor,
            "{exponent}"
        );
        assert_eq!(m.noise.rms.high, plain.noise.rms.high * factor);
        assert_eq!(m.mains.frequency_hz, plain.mains.frequency_hz);
        assert_eq!(m.mains.thd_percent, plain.mains.thd_percent);
    }
}

#[test]
fn levels_near_their_ends_give_intervals_that_hold_their_values() {
    for confidence in [1e-6, 0.01, 0.999_999_9, 1.0 - 1e-9] {
        let options = MeasureOptions::default().confidence(confidence);
        for count in [16, 90, 4000] {
            measured_with(&hum(count, 4000.0, 7), 4000.0, &options);
        }
    }
}

/// Two captures that differ by a quarter tell the excess with one degree of freedom: t = 12.7 on a logarithm known to
/// half of ln 1.25 is a factor of 4, not ten to the eleventh.
#[test]
fn two_captures_that_differ_by_a_quarter_have_an_excess_of_their_own_size() {
    let options = MeasureOptions::default();
    let looped = |factor: f64, seed: u64| {
        let samples: Vec<f64> = hum(4000, 4000.0, seed).iter().map(|x| x * factor).collect();
        measured_with(&samples, 4000.0, &options)
    };
    let quiet = |seed: u64| {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let samples: Vec<f64> = (0..4000).map(|_| 0.01 * rng.random::<f64>()).collect();
        measured_with(&samples, 4000.0, &options)
    };
    let captures = BTreeMap::from([
        (Condition::Baseline, vec![quiet(8), quiet(9)]),
        (Condition::Looped, vec![looped(1.0, 10), looped(1.25, 11)]),
    ]);
    let comparison = compare(&captures, &CompareOptions::default()).unwrap();
    for name in ["hum_rms", "ac_rms", "peak_to_peak", "harmonic_1_rms"] {
        let excess = comparison
            .quantity(name)
            .and_then(|q| q.loop_excess)
            .unwrap();
        let reading = comparison.quantity(name).and_then(|q| q.looped).unwrap();
        assert!(
            excess.low <= excess.value && excess.value <= excess.high,
            "{name} {excess:?}"
        );
        assert!(
            (excess.value / reading.value - 1.0).abs() < 0.01,
            "{name} {excess:?}"
        );
        assert!(
            excess.high < 1.05 * reading.high,
            "{name} {excess:?} {reading:?}"
        );
        assert!(reading.high < 6.0 * reading.value, "{name} {reading:?}");
    }
}
