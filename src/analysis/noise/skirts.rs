//! What lines that move leave beside themselves in a residual's density.

use crate::spectrum::Density;
use crate::stats::f_quantile;

/// Probability that noise alone is taken for a skirt in a record.
const BY_CHANCE: f64 = 1e-3;
/// Least distance between lines of which both skirts and the noise between them are told, in widths of the tapers.
const LEAST_WIDTHS: f64 = 4.0;
/// Most width of a skirt, in widths of the tapers.
const MOST_WIDTHS: f64 = 64.0;

/// A sum over the bins of one ring about a line: power, weight, degrees of freedom.
type Sum = (f64, f64);

/// The line's middle, how far out from it rings reach, and the noise's level beyond.
struct Place {
    centre: f64,
    reach: f64,
    level: f64,
    /// Weight of the bins that the level was read from.
    weight: f64,
}

/// Takes the weight off bins about lines (`centres` in bins) as far out as more power stands there than farther away, be it
/// beside one line or in the mean over all of them.
pub(super) fn cover(residual: &Density, weight: &mut [f64], centres: &[f64]) {
    let raw = &residual.values;
    let tapers = residual.tapers as f64;
    let width = tapers + 1.0;
    let places = places(raw, weight, centres, width);
    let most = places.iter().map(|p| p.reach).fold(0.0, f64::max);
    let mut edges = vec![0.0];
    while edges[edges.len() - 1] < most {
        let last = edges[edges.len() - 1];
        edges.push(last + width.max(0.5 * last));
    }
    let rings = edges.len() - 1;
    let per_bin = 2.0 * residual.records as f64 / (1.0 + 0.5 / tapers);
    let stands = |sum: Sum, reference: f64, chance: f64| {
        let (dof, ratio) = (per_bin * sum.1, sum.0 / sum.1);
        // Cheaper than a quantile, and below it.
        dof >= 1.0
            && ratio > 1.0 + 2.0 * (2.0 / dof).sqrt()
            && ratio > f_quantile(1.0 - chance, dof, per_bin * reference)
    };
    let mut own = vec![0; places.len()];
    let mut pooled = 0;
    for ring in 0..rings {
        let (mut all, mut reference) = ((0.0, 0.0), 0.0);
        for (place, own) in places.iter().zip(&mut own) {
            if edges[ring + 1] > place.reach {
                continue;
            }
            let sum = within(raw, weight, place.centre, (edges[ring], edges[ring + 1]));
            let sum = (sum.0 / place.level, sum.1);
            let chance = BY_CHANCE / (rings * places.len()) as f64;
            if stands(sum, place.weight, chance) {
                *own = ring + 1;
            }
            all = (all.0 + sum.0, all.1 + sum.1);
            reference += place.weight;
        }
        if stands(all, reference, BY_CHANCE / rings as f64) {
            pooled = ring + 1;
        }
    }
    for (place, own) in places.iter().zip(own) {
        let ring = own.max(pooled);
        if ring > 0 {
            // A skirt falls off: one ring more.
            let reach = edges[(ring + 1).min(rings)].min(place.reach);
            let (from, to) = bins(raw.len(), place.centre - reach, place.centre + reach);
            weight[from..to].fill(0.0);
        }
    }
}

/// Lines that stand apart from each other.
fn places(raw: &[f64], weight: &[f64], centres: &[f64], width: f64) -> Vec<Place> {
    let mut sorted = centres.to_vec();
    sorted.sort_by(f64::total_cmp);
    (0..sorted.len())
        .filter_map(|i| {
            let centre = sorted[i];
            let before = if i == 0 { 0.0 } else { sorted[i - 1] };
            let after = sorted.get(i + 1).copied().unwrap_or(f64::INFINITY);
            let apart = (centre - before).min(after - centre);
            if apart < LEAST_WIDTHS * width {
                return None;
            }
            let half = (0.5 * apart).min(2.0 * MOST_WIDTHS * width);
            let (power, of) = within(raw, weight, centre, (0.5 * half, half));
            (of > width && power > 0.0).then_some(Place {
                centre,
                reach: 0.5 * half,
                level: power / of,
                weight: of,
            })
        })
        .collect()
}

/// Power and weight of the bins at a distance from a line, on both its sides.
fn within(raw: &[f64], weight: &[f64], centre: f64, (near, far): (f64, f64)) -> Sum {
    let sides = [(centre - far, centre - near), (centre + near, centre + far)];
    let (mut power, mut sum) = (0.0, 0.0);
    for (low, high) in sides {
        let (from, to) = bins(raw.len(), low, high);
        for (value, w) in raw[from..to].iter().zip(&weight[from..to]) {
            if *w > 0.0 {
                power += value;
                sum += w;
            }
        }
    }
    (power, sum)
}

/// First bin and one behind the last from one place to another.
fn bins(count: usize, low: f64, high: f64) -> (usize, usize) {
    let to = (high.ceil().max(0.0) as usize).min(count);
    ((low.ceil().max(0.0) as usize).min(to), to)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A density of five tapers about one line every 200 bins, with a skirt of a level at a line's edge.
    fn weights(seed: u64, skirt: f64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let draws: Vec<f64> = (0..4010).map(|_| -rng.random::<f64>().ln()).collect();
        let values = (0..4000)
            .map(|b| {
                let apart = ((b % 200) as f64).min(200.0 - (b % 200) as f64);
                let line = if b < 100 {
                    0.0
                } else {
                    skirt / (1.0 + (apart / 6.0).powi(2))
                };
                draws[b..b + 5].iter().sum::<f64>() / 5.0 * (1.0 + line)
            })
            .collect();
        let density = Density {
            bin_hz: 1.0,
            sample_rate_hz: 8000.0,
            values,
            records: 1,
            tapers: 5,
        };
        let mut weight = vec![1.0; 4000];
        let centres: Vec<f64> = (1..20).map(|k| 200.0 * f64::from(k)).collect();
        cover(&density, &mut weight, &centres);
        weight
    }

    /// One chance in 500 a density: two of 100 at most, exceeded in one of 900 runs.
    #[test]
    fn noise_alone_has_no_skirts() {
        let covered = (0..100).filter(|seed| weights(*seed, 0.0).contains(&0.0));
        assert!(covered.count() <= 2);
    }

    #[test]
    fn skirts_are_covered_and_what_lies_between_is_not() {
        let weight = weights(1, 3.0);
        for k in 1..20 {
            assert!(weight[200 * k - 6..200 * k + 7].iter().all(|w| *w == 0.0));
            assert!(weight[200 * k + 60] > 0.0);
        }
    }
}
