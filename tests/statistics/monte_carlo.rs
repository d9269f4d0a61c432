//! The statistical limit: scatter over the Cramér-Rao bound, bias, coverage and false detections in
//! many scenarios. The whole table takes minutes in release mode and is run by hand:
//!
//! ```text
//! cargo test --release --test statistics monte_carlo -- --ignored --nocapture
//! ```

use crate::synthesis::tally::Tally;
use crate::synthesis::{Colour, Scenario};
use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::{Capture, MeasureOptions, Measurement};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

#[derive(Default, Clone, Copy)]
struct Outcome {
    figures: [Tally; 5],
    trials: f64,
    detected: f64,
    wrong_nominal: f64,
    false_harmonics: f64,
    refused: f64,
}

impl Outcome {
    fn join(mut self, other: &Self) -> Self {
        for (mine, theirs) in self.figures.iter_mut().zip(&other.figures) {
            *mine = mine.join(theirs);
        }
        self.trials += other.trials;
        self.detected += other.detected;
        self.wrong_nominal += other.wrong_nominal;
        self.false_harmonics += other.false_harmonics;
        self.refused += other.refused;
        self
    }
}

fn one(scenario: &Scenario, seed: u64) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (x, truth) = scenario.record(&mut rng);
    let capture = Capture::from_samples("trial", scenario.rate_hz, &x).unwrap();
    let mut outcome = Outcome {
        trials: 1.0,
        ..Outcome::default()
    };
    let options = MeasureOptions {
        harmonics: 20,
        ..MeasureOptions::default()
    };
    let Ok(mut measured) = measure(&mut MemorySource::new(&capture), &options) else {
        outcome.refused = 1.0;
        return outcome;
    };
    let m: Measurement = measured.remove(0);
    let level = truth.modulation_power.sqrt();
    let holds_hum = scenario.hum_rms() > 0.0;
    outcome.detected = f64::from(u8::from(m.mains.detected));
    let nominal = if scenario.fundamental_hz < 55.0 {
        50.0
    } else {
        60.0
    };
    outcome.wrong_nominal = f64::from(u8::from(holds_hum && m.mains.nominal_hz != nominal));
    outcome.false_harmonics = f64::from(u8::from(m.mains.harmonics.iter().any(|h| {
        h.detected
            && (h.order > scenario.harmonics.len() || scenario.harmonics[h.order - 1].0 == 0.0)
    })));
    outcome.figures[0].add(Some(m.dc_offset), scenario.offset);
    outcome.figures[1].add(m.mains.frequency_hz, truth.mean_frequency_hz);
    outcome.figures[2].add(m.mains.hum_rms, scenario.hum_rms() * level);
    outcome.figures[3].add(
        m.mains.harmonics.first().map(|h| h.rms),
        scenario.harmonic_rms(1) * level,
    );
    let band = m.noise.band_hz;
    let rounding =
        scenario.step * scenario.step / 12.0 * (band.1 - band.0) / (0.5 * scenario.rate_hz);
    outcome.figures[4].add(
        Some(m.noise.rms),
        scenario
            .noise_rms_between(band.0, band.1)
            .hypot(rounding.sqrt()),
    );
    outcome
}

fn run(scenario: &Scenario, trials: u64, seed: u64) -> Outcome {
    // The sum is taken in order, so the table does not depend on the number of threads.
    let outcomes: Vec<Outcome> = (0..trials)
        .into_par_iter()
        .map(|t| one(scenario, seed * 1_000_003 + t))
        .collect();
    outcomes.iter().fold(Outcome::default(), Outcome::join)
}

struct Case {
    name: &'static str,
    scenario: Scenario,
    /// Fewer trials for long records.
    cost: u64,
}

fn cases() -> Vec<Case> {
    let base = |cycles: f64| Scenario::new(50.03, cycles, Colour::White);
    let mut cases = Vec::new();
    let mut add = |name, scenario: Scenario, cost| {
        cases.push(Case {
            name,
            scenario,
            cost,
        });
    };
    add("0.7 cycles", base(0.7), 1);
    add("1.2 cycles", base(1.2), 1);
    add("1.7 cycles", base(1.7), 1);
    add("2.3 cycles", base(2.3), 1);
    add("3.5 cycles", base(3.5), 1);
    add(
        "5 cycles, 59.9 Hz",
        Scenario::new(59.9, 5.0, Colour::White),
        1,
    );
    add(
        "10 cycles, 60.2 Hz",
        Scenario::new(60.2, 10.0, Colour::White),
        1,
    );
    add(
        "20 cycles, 49.7 Hz",
        Scenario::new(49.7, 20.0, Colour::White),
        1,
    );
    add("50 cycles", base(50.0), 2);
    add("90 cycles", base(90.0), 2);
    add("3 s", base(150.0), 4);
    add("10 s", base(500.0), 10);
    add(
        "30 s, 2 kS/s",
        Scenario {
            rate_hz: 2000.0,
            samples: 60_000,
            ..base(1.0)
        },
        10,
    );
    add(
        "100 S/s-class: 250 S/s, 4 s",
        Scenario {
            rate_hz: 250.0,
            samples: 1000,
            harmonics: vec![(0.02, 0.4), (0.002, 1.0)],
            ..base(1.0)
        },
        1,
    );
    add(
        "1 MS/s, 0.1 s",
        Scenario {
            rate_hz: 1e6,
            samples: 100_000,
            ..base(1.0)
        },
        10,
    );
    add(
        "1 MS/s, 0.5 s (decimated)",
        Scenario {
            rate_hz: 1e6,
            samples: 500_000,
            ..base(1.0)
        },
        40,
    );
    add(
        "48 kS/s, 8 s (decimated)",
        Scenario {
            rate_hz: 48e3,
            samples: 384_000,
            ..base(1.0)
        },
        40,
    );
    for (name, cycles) in [
        ("one-pole noise, 5 cycles", 5.0),
        ("one-pole noise, 50 cycles", 50.0),
        ("one-pole noise, 10 s", 500.0),
    ] {
        add(
            name,
            Scenario::new(50.03, cycles, Colour::OnePole { corner_hz: 400.0 }),
            if cycles > 100.0 { 10 } else { 1 },
        );
    }
    for (name, cycles) in [
        ("1/f noise, 5 cycles", 5.0),
        ("1/f noise, 50 cycles", 50.0),
        ("1/f noise, 10 s", 500.0),
    ] {
        add(
            name,
            Scenario::new(50.03, cycles, Colour::Pink { corner_hz: 100.0 }),
            if cycles > 100.0 { 10 } else { 1 },
        );
    }
    let weak = |cycles: f64, amplitude: f64| Scenario {
        harmonics: vec![(amplitude, 0.4)],
        ..base(cycles)
    };
    add(
        "weak fundamental (14 dB), 5 cycles",
        weak(5.0, 2e-3 * 10f64.powf(0.7) * (4.0 / 1000.0f64).sqrt()),
        1,
    );
    add(
        "weak fundamental (18 dB), 50 cycles",
        weak(50.0, 2e-3 * 10f64.powf(0.9) * (4.0 / 10_000.0f64).sqrt()),
        2,
    );
    add(
        "weak fundamental (20 dB), 10 s",
        weak(500.0, 2e-3 * 10.0 * (4.0 / 100_000.0f64).sqrt()),
        10,
    );
    let none = |cycles: f64, colour| Scenario {
        harmonics: vec![(0.0, 0.0)],
        ..Scenario::new(50.0, cycles, colour)
    };
    add("no hum, 5 cycles", none(5.0, Colour::White), 1);
    add("no hum, 50 cycles", none(50.0, Colour::White), 2);
    add("no hum, 10 s", none(500.0, Colour::White), 10);
    add(
        "no hum, 1/f noise, 50 cycles",
        none(50.0, Colour::Pink { corner_hz: 100.0 }),
        2,
    );
    for (name, tone) in [
        ("tone at 97.3 Hz, no hum", 97.3),
        ("tone at 48 Hz, no hum", 48.0),
        ("tone at 61.5 Hz, no hum", 61.5),
        ("tone at 1013 Hz, no hum", 1013.0),
    ] {
        add(
            name,
            Scenario {
                tones: vec![(tone, 0.02)],
                ..none(100.0, Colour::White)
            },
            2,
        );
    }
    let rectifier = Scenario {
        harmonics: vec![
            (0.0, 0.0),
            (0.02, 0.3),
            (0.0, 0.0),
            (0.004, 1.0),
            (0.0, 0.0),
            (0.002, -1.0),
        ],
        ..base(50.0)
    };
    add("rectifier: even orders only", rectifier, 2);
    add(
        "switching lines and sidebands",
        Scenario {
            tones: vec![(3210.0, 0.01), (3110.0, 0.002), (3310.0, 0.002)],
            ..base(50.0)
        },
        2,
    );
    add(
        "offset a million times the noise",
        Scenario {
            offset: 2000.0,
            ..base(50.0)
        },
        2,
    );
    add(
        "microvolt values",
        {
            let s = base(50.0);
            Scenario {
                offset: s.offset * 1e-6,
                noise: s.noise * 1e-6,
                harmonics: s.harmonics.iter().map(|h| (h.0 * 1e-6, h.1)).collect(),
                ..s
            }
        },
        2,
    );
    add(
        "step = noise",
        Scenario {
            step: 2e-3,
            ..base(50.0)
        },
        2,
    );
    add(
        "3 % clipped",
        Scenario {
            limit: 0.1421,
            ..base(50.0)
        },
        8,
    );
    add(
        "wander 10 mHz, 10 s",
        Scenario {
            wander_hz: 0.01,
            ..base(500.0)
        },
        10,
    );
    add(
        "wander 10 mHz, 60 s, 2 kS/s",
        Scenario {
            rate_hz: 2000.0,
            samples: 120_000,
            wander_hz: 0.01,
            ..base(1.0)
        },
        20,
    );
    add(
        "5 % modulation, 10 s",
        Scenario {
            modulation: 0.05,
            ..base(500.0)
        },
        10,
    );
    for (name, beside, cycles, share) in [
        ("line 5 Hz above strong hum, 10 s", 5.0, 500.0, 5),
        ("line 3.3 Hz below strong hum, 2 s", -3.3, 100.0, 2),
        ("line 1.1 Hz above strong hum, 10 s", 1.1, 500.0, 5),
        ("line 1.5 Hz below strong hum, 60 s", -1.5, 3000.0, 20),
    ] {
        let s = base(cycles);
        add(
            name,
            Scenario {
                harmonics: vec![(0.5, 0.4), (0.0, 0.0), (0.1, 1.0)],
                tones: vec![(s.fundamental_hz + beside, 0.05)],
                ..s
            },
            share,
        );
    }
    cases
}

/// Prints the table: one row a scenario.
#[test]
#[ignore = "takes minutes; its table stands in DEVELOPERS.md"]
fn table() {
    let trials: u64 = std::env::var("HUMSIEVE_TRIALS")
        .ok()
        .and_then(|t| t.parse().ok())
        .unwrap_or(2000);
    println!(
        "| scenario | trials | detected | wrong 50/60 | false harmonics | offset: cov., RMSE/bound | frequency: cov., bias/scatter, RMSE/bound | hum RMS: cov., bias | harmonic 1: cov., RMSE/bound | noise RMS: cov. |"
    );
    println!("| --- | ---: | ---: | ---: | ---: | --- | --- | --- | --- | --- |");
    for (i, case) in cases().iter().enumerate() {
        let s = &case.scenario;
        let o = run(s, (trials / case.cost).max(100), 7 + i as u64);
        let [offset, frequency, hum, first, noise] = &o.figures;
        let part = |t: &Tally, text: String| if t.trials > 0.0 { text } else { "-".into() };
        println!(
            "| {} | {} | {:.3} | {:.4} | {:.4} | {} | {} | {} | {} | {:.3} |",
            case.name,
            o.trials,
            o.detected / o.trials,
            o.wrong_nominal / o.trials,
            o.false_harmonics / o.trials,
            part(
                offset,
                format!(
                    "{:.3}, {:.3}",
                    offset.coverage(),
                    offset.rmse() / s.offset_bound()
                )
            ),
            part(
                frequency,
                format!(
                    "{:.3}, {:+.2}, {:.3}",
                    frequency.coverage(),
                    frequency.bias_over_scatter(),
                    frequency.rmse() / s.frequency_bound()
                )
            ),
            part(
                hum,
                format!("{:.3}, {:+.2}", hum.coverage(), hum.bias_over_scatter())
            ),
            part(
                first,
                format!(
                    "{:.3}, {:.3}",
                    first.coverage(),
                    first.rmse() / s.rms_bound(1)
                )
            ),
            noise.coverage(),
        );
    }
}

/// A fixed subset, small enough for every run. 400 trials: a coverage of 95 % scatters by 1.1 %, so the
/// limits here (91.5-98.5 %) are passed by a true 95 % in all but one in 1000 figures; the scatter over the
/// bound scatters by 3.5 %.
#[test]
fn subset_reaches_the_bounds() {
    for (name, scenario) in [
        ("20 cycles", Scenario::new(49.7, 20.0, Colour::White)),
        ("50 cycles", Scenario::new(60.1, 50.0, Colour::White)),
    ] {
        let o = run(&scenario, 400, 3);
        for (figure, tally) in ["offset", "frequency", "hum", "harmonic 1", "noise"]
            .iter()
            .zip(&o.figures)
        {
            assert!(
                (0.915..=0.985).contains(&tally.coverage()),
                "{name}: {figure}: coverage {}",
                tally.coverage()
            );
        }
        let over = [
            o.figures[0].rmse() / scenario.offset_bound(),
            o.figures[1].rmse() / scenario.frequency_bound(),
            o.figures[3].rmse() / scenario.rms_bound(1),
        ];
        for ratio in over {
            assert!(
                ratio < 1.05 + 3.0 * 0.035,
                "{name}: {over:?} times the bound"
            );
        }
        assert_eq!(o.wrong_nominal, 0.0, "{name}");
    }
}

/// 800 records without mains: at 1 % false alarms more than 20 detections come once in 5000 runs.
#[test]
fn false_alarms_stay_at_their_rate() {
    let scenario = Scenario {
        harmonics: vec![(0.0, 0.0)],
        ..Scenario::new(50.0, 10.0, Colour::White)
    };
    let o = run(&scenario, 800, 5);
    assert!(o.detected <= 20.0, "{} of 800", o.detected);
}

/// Where intervals are hard to get right, 300 trials each: a true 95 % (scatter 1.26 %) falls outside 90-99.5 %
/// once in 5000 figures; a bias of 0.25 of the scatter is 4.3 of its standard errors.
#[test]
fn hard_cases_hold() {
    let base = |cycles: f64| Scenario::new(50.03, cycles, Colour::White);
    // 5 % clipped, no full scale stated.
    let clipped = run(
        &Scenario {
            limit: 0.1421,
            ..base(10.0)
        },
        300,
        31,
    );
    for (figure, tally) in ["offset", "frequency", "hum", "harmonic 1", "noise"]
        .iter()
        .zip(&clipped.figures)
    {
        let (held, bias) = (tally.coverage(), tally.bias_over_scatter());
        assert!((0.90..=0.995).contains(&held), "clipped: {figure}: {held}");
        assert!(bias.abs() < 0.25, "clipped: {figure}: {bias}");
    }
    // The noise below 1/T is not seen: never below 90 %, and no wider than a continued 1/f.
    let slow = run(
        &Scenario::new(50.03, 25.0, Colour::Pink { corner_hz: 100.0 }),
        300,
        32,
    );
    let offset = &slow.figures[0];
    assert!(offset.coverage() >= 0.90, "1/f: {}", offset.coverage());
    assert!(
        offset.scatter_over_claim() > 0.4,
        "1/f: {}",
        offset.scatter_over_claim()
    );
    let noise = slow.figures[4].coverage();
    assert!((0.90..=0.995).contains(&noise), "1/f: {noise}");
    // 50 against 60 Hz one cell apart, 14 dB: never mistaken, not taken for a tone outside.
    let amplitude = 2e-3 * 10f64.powf(0.7) * (4.0 / 1000.0f64).sqrt();
    let weak = run(
        &Scenario {
            harmonics: vec![(amplitude, 0.4)],
            ..base(5.0)
        },
        300,
        33,
    );
    assert_eq!(weak.wrong_nominal, 0.0);
    assert!(weak.detected >= 0.95 * 300.0, "{}", weak.detected);
    // Below one cycle the offset's interval holds what the harmonics may hide.
    let short = run(&base(0.7), 300, 34);
    assert!(short.figures[0].coverage() > 0.9);
    // The mean frequency of a wandering grid.
    let wander = run(
        &Scenario {
            rate_hz: 2000.0,
            samples: 20_000,
            wander_hz: 0.01,
            ..base(1.0)
        },
        300,
        35,
    );
    let frequency = wander.figures[1].coverage();
    assert!((0.90..=0.985).contains(&frequency), "wander: {frequency}");
}
