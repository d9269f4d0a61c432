//! Slow content, taken off as the running mean over a cycle.

use crate::numeric::vectorised;

/// Takes the running mean over `width` samples off `values`, skipping samples of weight 0; at the ends the
/// outermost whole mean holds. `means` is room for them.
pub(crate) fn remove_running_mean(
    values: &mut [f64],
    weights: Option<&[f32]>,
    width: usize,
    means: &mut Vec<f64>,
) {
    let n = values.len();
    let width = width.clamp(1, n.max(1));
    means.clear();
    match weights {
        None => running_sums(values, width, means),
        Some(weights) => weighted_means(values, weights, width, means),
    }
    let count = if weights.is_none() { width as f64 } else { 1.0 };
    vectorised(
        #[inline(always)]
        || {
            for (value, mean) in values.iter_mut().zip(&*means) {
                *value -= mean / count;
            }
        },
    );
}

/// Sums about each value.
fn running_sums(values: &[f64], width: usize, sums: &mut Vec<f64>) {
    let n = values.len();
    let mut sum: f64 = values.iter().take(width).sum();
    sums.extend(std::iter::repeat_n(sum, (width / 2 + 1).min(n)));
    sums.extend(
        values
            .iter()
            .zip(&values[width.min(n)..])
            .map(|(old, new)| {
                sum += new - old;
                sum
            }),
    );
    sums.resize(n, sum);
}

/// Means about each value, over those that count.
fn weighted_means(values: &[f64], weights: &[f32], width: usize, means: &mut Vec<f64>) {
    let n = values.len();
    let counted = |i: usize| {
        if weights[i] > 0.0 {
            (values[i], 1.0)
        } else {
            (0.0, 0.0)
        }
    };
    let (mut sum, mut count) = (0..width.min(n))
        .map(counted)
        .fold((0.0, 0.0), |(sum, count), (v, c)| (sum + v, count + c));
    let mut mean = if count > 0.0 { sum / count } else { 0.0 };
    means.extend(std::iter::repeat_n(mean, (width / 2 + 1).min(n)));
    for next in width..n {
        let ((new, more), (old, less)) = (counted(next), counted(next - width));
        sum += new - old;
        count += more - less;
        if count > 0.0 {
            mean = sum / count;
        }
        means.push(mean);
    }
    means.resize(n, mean);
}

#[cfg(test)]
mod tests {
    use super::remove_running_mean;

    #[test]
    fn means_are_those_of_the_values_about() {
        let x: Vec<f64> = (0..40).map(|i| f64::from((i * i) % 17)).collect();
        let all = vec![1.0f32; 40];
        let mut some = all.clone();
        some[10..13].fill(0.0);
        for width in [1, 4, 7, 39, 40, 100] {
            for weights in [None, Some(&all[..]), Some(&some[..])] {
                let mut values = x.clone();
                remove_running_mean(&mut values, weights, width, &mut Vec::new());
                let width = width.min(40);
                for i in 0..40usize {
                    let from = i.saturating_sub(width / 2).min(40 - width);
                    let about =
                        (from..from + width).filter(|j| weights.is_none_or(|w| w[*j] > 0.0));
                    let (sum, count) = about.fold((0.0, 0.0), |(s, c), j| (s + x[j], c + 1.0));
                    if count > 0.0 {
                        assert!(
                            (values[i] - (x[i] - sum / count)).abs() < 1e-9,
                            "{width} {i}"
                        );
                    }
                }
            }
        }
    }
}
