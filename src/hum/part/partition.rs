//! The likeliest parting of a course into stretches of constant level.

use std::ops::Range;

/// The likeliest parting of `count` values into stretches of `least` or more with `gap` values between them that count for nothing:
/// the one that makes the sum of the stretches' costs and `penalty` a change least.
///
/// Exact, by the recursion over the last change of Jackson et al. (IEEE Signal Process. Lett. 12(2), 2005; from memory).
pub(super) fn parting(
    count: usize,
    (least, gap): (usize, usize),
    penalty: f64,
    cost: impl Fn(usize, usize) -> f64,
) -> Vec<Range<usize>> {
    let least = least.max(1);
    // The least cost of the values before each place, and where the stretch that ends there begins.
    let mut best = vec![(f64::INFINITY, 0); count + 1];
    for to in least..=count {
        let after = (least + gap..=to - least)
            .filter(|from| best[from - gap].0.is_finite())
            .map(|from| (best[from - gap].0 + penalty + cost(from, to), from));
        best[to] = std::iter::once((cost(0, to), 0))
            .chain(after)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or((f64::INFINITY, 0));
    }
    let mut found = Vec::new();
    let mut to = count;
    loop {
        let from = best[to].1;
        found.push(from..to);
        if from == 0 {
            break;
        }
        to = from - gap;
    }
    found.reverse();
    found
}

/// Where each stretch but the first begins: the parting of `rows` (one course a row, in deviations of its noise) into stretches of
/// `least` values or more, each of a level of its own.
pub(super) fn changes(rows: &[Vec<f64>], least: usize, penalty: f64) -> Vec<usize> {
    let count = rows.first().map_or(0, Vec::len);
    if count < 2 * least {
        return Vec::new();
    }
    let sums: Vec<Vec<f64>> = rows
        .iter()
        .map(|row| running(row.iter().copied()))
        .collect();
    let squares = running((0..count).map(|i| rows.iter().map(|row| row[i] * row[i]).sum()));
    let cost = |from: usize, to: usize| {
        let explained: f64 = sums.iter().map(|s| (s[to] - s[from]).powi(2)).sum();
        squares[to] - squares[from] - explained / (to - from) as f64
    };
    let stretches = parting(count, (least, 0), penalty, cost);
    stretches[1..].iter().map(|own| own.start).collect()
}

/// Sums of the values before each place.
pub(super) fn running(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sum = 0.0;
    std::iter::once(0.0)
        .chain(values.map(|value| {
            sum += value;
            sum
        }))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn row(levels: &[(usize, f64)], seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        levels
            .iter()
            .flat_map(|(count, level)| std::iter::repeat_n(*level, *count))
            .map(|level| level + Distribution::<f64>::sample(&StandardNormal, &mut rng))
            .collect()
    }

    #[test]
    fn changes_of_ten_deviations_are_found_where_they_are() {
        let one = row(&[(20, 0.0), (9, 10.0), (31, 0.0), (40, -12.0)], 1);
        let other = row(&[(100, 3.0)], 2);
        assert_eq!(changes(&[one, other], 5, 30.0), [20, 29, 60]);
    }

    #[test]
    fn noise_alone_is_one_stretch() {
        for seed in 0..50 {
            let rows = [row(&[(200, 1.0)], seed), row(&[(200, -4.0)], 1000 + seed)];
            assert!(changes(&rows, 5, 40.0).is_empty());
        }
    }

    #[test]
    fn what_is_too_short_stays_whole() {
        assert!(changes(&[vec![0.0, 0.0, 9.0]], 2, 1.0).is_empty());
        assert!(changes(&[], 2, 1.0).is_empty());
    }
}
