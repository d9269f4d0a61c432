//! Records of coarse converters and clipped records.

use super::tally::Tally;
use super::{Colour, Scenario};
use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::{Capture, MeasureOptions, WarningCode};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A record whose samples only bound the input: rounded to whole steps, held between rails, or both.
pub struct Bounded {
    pub cycles: f64,
    /// Peak of the fundamental and RMS of the noise; in steps where rounded.
    pub amplitude: f64,
    pub noise: f64,
    pub rounded: bool,
    /// Share of the samples beyond the upper rail, and beyond the lower.
    pub above: f64,
    pub below: f64,
    /// Samples a second.
    pub rate_hz: f64,
    pub harmonics: usize,
}

/// What the measurements of such records told.
#[derive(Default)]
pub struct BoundedOutcome {
    /// Offset, frequency, hum, orders 1, 3 and 5, noise.
    pub tallies: [Tally; 7],
    /// Misses by more than three half-widths and a tenth of the value, tones, refusals, seconds.
    pub wild: usize,
    pub tones: usize,
    pub refused: usize,
    pub warned: usize,
    pub seconds: f64,
}

pub fn bounded_trials(case: &Bounded, trials: u64, seed: u64) -> BoundedOutcome {
    let mut outcome = BoundedOutcome::default();
    for trial in 0..trials {
        let mut rng = ChaCha8Rng::seed_from_u64(seed * 1_000_003 + trial);
        let phase = |rng: &mut ChaCha8Rng| std::f64::consts::TAU * rng.random::<f64>();
        let frequency_hz = 49.9 + 0.2 * rng.random::<f64>();
        let a = case.amplitude;
        let mut harmonics = vec![(0.0, 0.0); 5];
        for (order, share) in [(1, 1.0), (3, 0.2), (5, 0.1)] {
            harmonics[order - 1] = (share * a, phase(&mut rng));
        }
        let base = Scenario::new(frequency_hz, case.cycles, Colour::White);
        let scenario = Scenario {
            rate_hz: case.rate_hz,
            samples: (case.rate_hz * case.cycles / 50.0).round() as usize,
            offset: 3.0 * rng.random::<f64>(),
            harmonics,
            noise: case.noise,
            ..base
        };
        let mut x = scenario.samples(&mut rng);
        let mut sorted = x.clone();
        sorted.sort_by(f64::total_cmp);
        let rail = |share: f64| sorted[((share * x.len() as f64) as usize).min(x.len() - 1)];
        let (low, high) = (
            if case.below > 0.0 {
                rail(case.below)
            } else {
                f64::NEG_INFINITY
            },
            if case.above > 0.0 {
                rail(1.0 - case.above)
            } else {
                f64::INFINITY
            },
        );
        for value in &mut x {
            *value = value.clamp(low, high);
            if case.rounded {
                *value = value.round();
            }
        }
        if x.iter().all(|v| *v == x[0]) {
            // Without a stated step a constant tells nothing of it.
            continue;
        }
        let capture = Capture::from_samples("trial", scenario.rate_hz, &x).unwrap();
        let options = MeasureOptions::default().harmonics(case.harmonics);
        let started = std::time::Instant::now();
        let measured = measure(&mut MemorySource::new(&capture), &options);
        outcome.seconds += started.elapsed().as_secs_f64();
        let Ok(mut measured) = measured else {
            outcome.refused += 1;
            continue;
        };
        let m = measured.remove(0);
        let harmonic = |k: usize| m.mains.harmonics.get(k - 1).map(|h| h.rms);
        let figures = [
            (Some(m.dc_offset), scenario.offset),
            (m.mains.frequency_hz, frequency_hz),
            (m.mains.hum_rms, scenario.hum_rms()),
            (harmonic(1), scenario.harmonic_rms(1)),
            (harmonic(3), scenario.harmonic_rms(3)),
            (harmonic(5), scenario.harmonic_rms(5)),
            (
                Some(m.noise.rms),
                scenario.noise_rms_between(m.noise.band_hz.0, m.noise.band_hz.1),
            ),
        ];
        let wild = |(estimate, truth): &(Option<humsieve::Estimate>, f64)| {
            estimate.is_some_and(|e| {
                let half = 0.5 * (e.high - e.low);
                let beyond = (truth - e.high).max(e.low - truth);
                beyond > 2.0 * half && beyond > 0.1 * truth.abs()
            })
        };
        outcome.wild += figures[..6].iter().filter(|f| wild(f)).count();
        for (tally, (estimate, truth)) in outcome.tallies.iter_mut().zip(figures) {
            tally.add(estimate, truth);
        }
        outcome.tones += usize::from(!m.tones.is_empty());
        outcome.warned += usize::from(m.quality.warnings.iter().any(|w| {
            matches!(
                w.code,
                WarningCode::Clipped | WarningCode::CoarseQuantization
            )
        }));
    }
    outcome
}

/// Rounded to whole steps, at 5 kS/s.
pub fn coarse(cycles: f64, amplitude: f64, noise: f64) -> Bounded {
    Bounded {
        cycles,
        amplitude,
        noise,
        rounded: true,
        above: 0.0,
        below: 0.0,
        rate_hz: 5000.0,
        harmonics: 20,
    }
}
