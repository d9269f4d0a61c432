//! How far the fundamental of a series walks within a record, as its orders' lines show it.

use crate::hum::line_spectrum::{Line, LineSpectrum};

/// Strength from which an order shows how far its line is smeared, how far beside it that is looked for (share of its frequency,
/// Hz), the power of what belongs to it, against its largest peak, and the strength that noise reaches there.
pub(super) const SMEARED_FROM: f64 = 50.0;
const SMEARED_TO: (f64, f64) = (4e-3, 5.0);
const SMEARED_POWER: f64 = 0.05;
const NOISE_TO: f64 = 15.0;
/// Spread beyond that of a steady line from which it is one, cells of 1/T.
const LEAST_SPREAD: f64 = 0.3;
/// Mean distance of what spreads beside a place, of its root-mean-square distance, from which it stands to one side: what a line's
/// own movement leaves stands to both.
const ONE_SIDED: f64 = 0.2;
/// How near to its place, and how far around it alone, an order's line is when it does not move, cells of 1/T.
const EXACT_CELLS: f64 = 0.1;
const ALONE_CELLS: f64 = 1.2;

/// How far the fundamental of a series walks within the record, as a share: the power of each strong order spreads so far in
/// proportion to its frequency. The largest share that most of the orders that would show it, and two at least, agree on, since
/// another's line stands beside single ones; none where most of those orders have a narrow line exactly at their place, since what
/// spreads beside it is another's; of a single order, where it falls apart into more peaks than itself and another's line.
pub(super) fn smear(fundamental_hz: f64, spectrum: &LineSpectrum) -> f64 {
    let orders = (spectrum.top_hz / fundamental_hz) as usize;
    let seen: Vec<Spread> = (1..=orders)
        .filter_map(|k| Spread::of(k as f64 * fundamental_hz, spectrum))
        .collect();
    if let [only] = seen.as_slice() {
        return if only.peaks > 2 { only.share } else { 0.0 };
    }
    let agreed = |share: f64| {
        let would = seen.iter().filter(|s| s.cell < share);
        let (mut all, mut like, mut still) = (0, 0, 0);
        for other in would {
            all += 1;
            like += usize::from(other.share > 0.5 * share);
            still += usize::from(other.still);
        }
        like > 1 && 2 * like >= all && 2 * still <= all
    };
    seen.iter()
        .map(|s| s.share)
        .filter(|share| agreed(*share))
        .fold(0.0, f64::max)
}

/// How the power about an order's place spreads, as shares of its frequency.
struct Spread {
    share: f64,
    /// A cell of 1/T.
    cell: f64,
    peaks: usize,
    /// Whether a narrow line stands exactly at the place.
    still: bool,
}

impl Spread {
    /// `None` where no strong line stands.
    fn of(hz: f64, spectrum: &LineSpectrum) -> Option<Self> {
        let reach = (SMEARED_TO.0 * hz).min(SMEARED_TO.1);
        let around = || {
            spectrum
                .between(hz - reach, hz + reach)
                .map(|(_, line)| line)
        };
        let largest = around().max_by(|a, b| a.rms.total_cmp(&b.rms))?;
        if largest.strength < SMEARED_FROM {
            return None;
        }
        let least = SMEARED_POWER.max(NOISE_TO / largest.strength);
        let (cells, offset_cells) = spectrum.spread_cells(hz, reach, least);
        let cell = 1.0 / (spectrum.duration_s * hz);
        let power = |line: &Line| line.rms * line.rms;
        let exact = |line: &Line| {
            let room =
                EXACT_CELLS / spectrum.duration_s + line.place_uncertainty_hz(spectrum.duration_s);
            let least = SMEARED_POWER.max(NOISE_TO / line.strength);
            line.strength > SMEARED_FROM
                && (line.hz - hz).abs() < room
                && spectrum
                    .spread_cells(line.hz, ALONE_CELLS / spectrum.duration_s, least)
                    .0
                    < LEAST_SPREAD
        };
        Some(Self {
            still: (cells < LEAST_SPREAD || offset_cells > ONE_SIDED * cells)
                && around().any(exact),
            share: if cells > LEAST_SPREAD {
                cells * cell
            } else {
                0.0
            },
            cell,
            peaks: around()
                .filter(|line| power(line) > least * power(largest))
                .count(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::evidence::Witness;
    use super::super::followers::told;
    use super::super::present::Foreign;
    use super::*;
    use approx::assert_relative_eq;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 1000.0;

    /// A minute of three orders at a frequency that drifts by `drift_hz` over it, in noise, with a line beside.
    fn minute(drift_hz: f64, beside: (f64, f64)) -> LineSpectrum {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let samples: Vec<f64> = (0..60_000)
            .map(|n| {
                let t = f64::from(n) / RATE_HZ;
                let turns = 50.03 * t + drift_hz * (t / 120.0 - 0.5) * t;
                let hum: f64 = [1.0, 3.0, 5.0]
                    .map(|k| (TAU * (k * turns).fract()).cos() / k)
                    .iter()
                    .sum();
                let noise: f64 = StandardNormal.sample(&mut rng);
                hum + 0.1 * noise + beside.1 * (TAU * (beside.0 * t).fract()).cos()
            })
            .collect();
        LineSpectrum::new(&samples, None, RATE_HZ, 450.0).unwrap()
    }

    #[test]
    fn a_steady_series_is_not_smeared_whatever_stands_beside_an_order() {
        for beside in [(0.0, 0.0), (150.4, 0.3), (50.2, 2.0), (251.5, 0.1)] {
            assert_eq!(smear(50.03, &minute(0.0, beside)), 0.0, "{beside:?}");
        }
    }

    /// A drift over a range spreads by its twelfth root under an even window, and less under Hann weights (0.36 to 0.5 of the
    /// range's half, computed apart).
    #[test]
    fn a_drift_smears_every_order_alike() {
        for drift_hz in [0.1, 0.3] {
            let found = smear(50.03, &minute(drift_hz, (0.0, 0.0))) * 50.03;
            assert_relative_eq!(found, 0.21 * drift_hz, max_relative = 0.4);
            assert!(told_of(drift_hz).is_empty());
        }
    }

    /// What is said to be foreign in such a minute.
    fn told_of(drift_hz: f64) -> Vec<Foreign> {
        let spectrum = minute(drift_hz, (0.0, 0.0));
        let evidence = Witness::new(&spectrum).of(50.03);
        told(50.0, evidence, &spectrum).foreign
    }
}
