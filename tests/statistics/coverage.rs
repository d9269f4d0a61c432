//! Seeded Monte Carlo: the intervals hold the truth as often as they say.

use crate::synthesis::bounded::{Bounded, bounded_trials, coarse};
use crate::synthesis::tally::Tally;
use crate::synthesis::{Colour, Noise, Scenario};
use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::{Capture, MeasureOptions, Measurement};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

const FIGURES: [&str; 6] = [
    "offset",
    "frequency",
    "hum_rms",
    "harmonic_1",
    "harmonic_3",
    "noise_rms",
];

fn run(scenario: &Scenario, trials: u64, seed: u64) -> [Tally; 6] {
    let mut tallies = [Tally::default(); 6];
    for trial in 0..trials {
        let mut rng = ChaCha8Rng::seed_from_u64(seed * 1_000_003 + trial);
        let x = scenario.samples(&mut rng);
        let capture = Capture::from_samples("trial", scenario.rate_hz, &x).unwrap();
        let options = MeasureOptions::default().harmonics(10);
        let m: Measurement = measure(&mut MemorySource::new(&capture), &options)
            .unwrap()
            .remove(0);
        let noise_truth = scenario.noise_rms_between(m.noise.band_hz.0, m.noise.band_hz.1);
        let harmonic = |k: usize| m.mains.harmonics.get(k - 1).map(|h| h.rms);
        tallies[0].add(Some(m.dc_offset), scenario.offset);
        tallies[1].add(m.mains.frequency_hz, scenario.fundamental_hz);
        tallies[2].add(m.mains.hum_rms, scenario.hum_rms());
        tallies[3].add(harmonic(1), scenario.harmonic_rms(1));
        tallies[4].add(harmonic(3), scenario.harmonic_rms(3));
        tallies[5].add(Some(m.noise.rms), noise_truth);
    }
    tallies
}

/// 2000 trials a scenario: the standard error of a 95 % coverage is 0.49 %, so a true 95 % falls
/// outside 93-97 % once in 25,000 figures. The root mean square error scatters by 1.6 %: intervals a quarter wider than it asks
/// (Student's at ten degrees of freedom are a seventh wider) are found out. Falls short: a rise of the noise below the resolution is
/// never ruled out, and a few very wide intervals of the offset bring their root mean square to 1.2 to 2.4 times.
#[test]
fn intervals_hold_and_estimates_are_unbiased() {
    let trials: u64 = std::env::var("HUMSIEVE_TRIALS")
        .ok()
        .and_then(|t| t.parse().ok())
        .unwrap_or(2000);
    let mut failures = Vec::new();
    for colour in [Colour::White, Colour::OnePole { corner_hz: 400.0 }] {
        for cycles in [5.0, 50.0] {
            for fundamental_hz in [50.03, 59.9] {
                let scenario = Scenario::new(fundamental_hz, cycles, colour);
                let name = format!("{colour:?}, {cycles} cycles, {fundamental_hz} Hz");
                for (figure, tally) in FIGURES.iter().zip(run(&scenario, trials, cycles as u64)) {
                    let line = format!(
                        "{name}: {figure}: coverage {:.4}, bias {:+.3} u, width {:.3}, {} trials",
                        tally.coverage(),
                        tally.bias_over_claim(),
                        tally.width_over_scatter(),
                        tally.trials
                    );
                    println!("{line}");
                    // Bias of the mean of n trials itself scatters by 1/√n: three of them allowed.
                    let allowed = 0.1 + 3.0 / (trials as f64).sqrt();
                    if !(0.93..=0.97).contains(&tally.coverage())
                        || tally.bias_over_claim().abs() > allowed
                        || tally.width_over_scatter() > if *figure == "offset" { 2.5 } else { 1.25 }
                    {
                        failures.push(line);
                    }
                }
            }
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Four standard errors of the power, from the squared density: a false alarm in 16 000 a colour.
#[test]
fn made_noise_has_the_power_its_density_says() {
    let (rate_hz, count) = (1000.0, 100_000);
    for (seed, colour) in [
        Colour::White,
        Colour::OnePole { corner_hz: 40.0 },
        Colour::Pink { corner_hz: 100.0 },
        Colour::Blue,
    ]
    .into_iter()
    .enumerate()
    {
        let noise = Noise {
            rate_hz,
            drive: 0.3,
            colour,
        };
        let mut rng = ChaCha8Rng::seed_from_u64(seed as u64);
        let made = noise.samples(count, &mut rng);
        let power = made.iter().map(|x| x * x).sum::<f64>() / count as f64;
        let said = noise.power_between(1e-3, rate_hz / 2.0);
        let duration = count as f64 / rate_hz;
        let error = (noise.squared_density_between(1e-3, rate_hz / 2.0) / duration).sqrt();
        approx::assert_abs_diff_eq!(power, said, epsilon = 4.0 * error);
    }
}

/// 60 trials each: of a true 95 % fewer than 51 hold once in 2000 figures.
#[test]
fn bounded_samples_hold() {
    let clipped = Bounded {
        amplitude: 1.0,
        noise: 0.05,
        rounded: false,
        above: 0.25,
        ..coarse(10.0, 1.0, 0.05)
    };
    for (name, case) in [
        ("3 steps of hum", coarse(10.0, 3.0, 0.13)),
        ("10 steps of hum", coarse(5.0, 10.0, 0.05)),
        ("a quarter clipped", clipped),
    ] {
        let o = bounded_trials(&case, 60, 23);
        assert_eq!((o.wild, o.refused), (0, 0), "{name}");
        assert_eq!(o.warned, 60, "{name}");
        for (figure, tally) in o.tallies[..6].iter().enumerate() {
            let (held, width) = (tally.coverage(), tally.width_over_scatter());
            println!("{name}, figure {figure}: {held:.3} hold, {width:.2} times the scatter");
            // Falls short, as `benches/results/intervals.md` says: in few steps the frequency holds 0.82. An interval of what
            // steps and rails allow is no multiple of the errors' scatter, so that no width is asked of it.
            let few = name == "3 steps of hum";
            assert!(
                held >= 0.85 || (few && figure == 1),
                "{name}, {figure}: {held}"
            );
        }
    }
}
