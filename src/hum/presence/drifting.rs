//! A generator's series, whose frequency drifts by more than lines of the whole record stand.

use super::evidence::{Evidence, Witness};
use super::followers::told;
use super::periodic::others_series;
use super::present::Present;
use super::{ALONE_HZ, NEEDED, NEEDED_REST, OVER_DECOYS, STEADY, Scene, TOP_ORDERS, best_rest};
use crate::hum::line_spectrum::{Line, LineSpectrum};
use crate::stats::span;

/// Where no generator is, as shares of the nominal frequency's neighbourhood between 50 and 60 Hz, Hz.
const WIDE_DECOYS_HZ: [(f64, f64); 2] = [(38.0, 44.5), (63.5, 70.0)];
/// Parts of a record in which a drifting series is looked for: cycles of each, how many at least and at most, and the share
/// that has to show it.
const PART_CYCLES: f64 = 25.0;
const LEAST_PARTS: usize = 4;
const MOST_PARTS: usize = 20;
const MOST_OF: f64 = 0.75;
/// Range of a drifting generator (45 to 55 and 57 to 63 Hz), its largest change from part to part and how near to nominal it has to come once, as
/// shares of nominal.
const DRIFTS: (f64, f64) = (0.1, 0.05);
const DRIFT_STEP: f64 = 0.012;
const NEAR: f64 = 0.015;
/// Cells of the record by which a drifting series moves at least.
const MOVES_CELLS: f64 = 0.5;
/// Cells of a part within which a line is one that stays throughout the record.
const STEADY_CELLS: f64 = 0.5;
/// Strength of a line without orders in each part, and how far around it nothing like it may stand, as shares of the range's ends.
const LONE_STRENGTH: f64 = 40.0;
const AROUND_LONE: (f64, f64) = (0.7, 1.5);

impl Scene<'_> {
    /// A generator's plain series that drifts: seen in most of the record's parts, from part to part not far off, and near
    /// nominal in one of them. `steady`: lines of another's periodic signal in the whole record.
    pub(super) fn in_parts(&self, whole: &LineSpectrum, steady: &[Line]) -> Option<Present> {
        self.nominals_hz.iter().find_map(|&nominal_hz| {
            let rate_hz = self.rate_hz;
            let cycles = nominal_hz * self.samples.len() as f64 / rate_hz;
            let parts = ((cycles / PART_CYCLES) as usize).min(MOST_PARTS);
            if parts < LEAST_PARTS {
                return None;
            }
            let length = self.samples.len() / parts;
            let reach = if nominal_hz > 55.0 {
                DRIFTS.1
            } else {
                DRIFTS.0
            };
            let range = ((1.0 - reach) * nominal_hz, (1.0 + reach) * nominal_hz);
            let mut alone = false;
            let places: Vec<f64> = self
                .samples
                .chunks_exact(length)
                .take(parts)
                .filter_map(|part| {
                    let top_hz = (0.45 * rate_hz).min(TOP_ORDERS * nominal_hz);
                    let spectrum = LineSpectrum::new(part, None, rate_hz, top_hz)?;
                    let mut others = others_series(&spectrum, &[nominal_hz], reach);
                    let is_steady = |line: &&Line| {
                        let same = |other: &Line| {
                            (other.hz - line.hz).abs() * spectrum.duration_s < STEADY_CELLS
                                && other.rms > STEADY * line.rms
                        };
                        steady.iter().any(same)
                    };
                    others.extend(spectrum.lines.iter().filter(is_steady));
                    let spectrum = spectrum.without(&others);
                    let witness = Witness::new(&spectrum);
                    let found = witness.best_beside_rivals(range, NEEDED);
                    let stands = found.orders.len() >= 2
                        && found.total > NEEDED
                        && found.rest > NEEDED_REST
                        && found.rest
                            > OVER_DECOYS * best_rest(&witness, &WIDE_DECOYS_HZ, nominal_hz);
                    alone |= !stands;
                    if stands {
                        Some(found.fundamental_hz)
                    } else {
                        lone_line(&spectrum, range)
                    }
                })
                .collect();
            let step_hz = DRIFT_STEP * nominal_hz;
            let steady = places.windows(2).all(|w| (w[1] - w[0]).abs() < step_hz);
            // A line without orders is known by its place alone.
            let reach = if alone { ALONE_HZ / 50.0 } else { NEAR };
            let near = |f: &f64| (f / nominal_hz - 1.0).abs() < reach;
            // What stays where it is shows in the whole record better than in any part.
            let moves = span(&places) * whole.duration_s > MOVES_CELLS;
            if !steady
                || !moves
                || places.len() < (MOST_OF * parts as f64).ceil() as usize
                || !places.iter().any(near)
            {
                return None;
            }
            let mean = places.iter().sum::<f64>() / places.len() as f64;
            let spread =
                places.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / places.len() as f64;
            let mut found = told(
                nominal_hz,
                Evidence {
                    fundamental_hz: mean,
                    ..Evidence::default()
                },
                whole,
            );
            found.fundamental_hz = mean;
            found.uncertainty_hz = spread.sqrt();
            found.foreign.clear();
            found.plain = false;
            found.drifts = true;
            Some(found)
        })
    }
}

/// The place of a strong line in a range, where nothing of a fourth of its strength stands around it.
fn lone_line(spectrum: &LineSpectrum, (low_hz, high_hz): (f64, f64)) -> Option<f64> {
    let (own, line) = spectrum
        .between(low_hz, high_hz)
        .max_by(|a, b| a.1.strength.total_cmp(&b.1.strength))?;
    let mut around = spectrum.between(AROUND_LONE.0 * low_hz, AROUND_LONE.1 * high_hz);
    let stands = line.strength > LONE_STRENGTH
        && around.all(|(i, other)| i == own || 4.0 * other.strength < line.strength);
    stands.then_some(line.hz)
}
