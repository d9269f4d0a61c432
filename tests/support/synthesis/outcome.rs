//! Measurements of many records of one scenario, counted.

use super::Scenario;
use super::tally::Tally;
use humsieve::analysis::measure;
use humsieve::capture::MemorySource;
use humsieve::{Capture, MeasureOptions, Measurement};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// What whole measurements told of a scenario.
#[derive(Default, Clone, Copy)]
pub struct Outcome {
    /// Offset, frequency, hum, order 1, noise.
    pub figures: [Tally; 5],
    pub trials: f64,
    pub detected: f64,
    pub wrong_nominal: f64,
    pub false_harmonics: f64,
    pub refused: f64,
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
    let options = MeasureOptions::default().harmonics(20);
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

/// The sum over so many records.
pub fn run(scenario: &Scenario, trials: u64, seed: u64) -> Outcome {
    // The sum is taken in order, so the table does not depend on the number of threads.
    let outcomes: Vec<Outcome> = (0..trials)
        .into_par_iter()
        .map(|t| one(scenario, seed * 1_000_003 + t))
        .collect();
    outcomes.iter().fold(Outcome::default(), Outcome::join)
}
