//! What repeats with the mains' cycle in what a steady series leaves of a record.
//!
//! Hum that jumps and dies away again leaves bursts that pass for another signal's; they repeat from cycle to cycle, as a
//! settling, a step or a pulse does not.

/// Least correlation of a record with itself a cycle later for that to be hum.
const LIKE_HUM: f64 = 0.3;

/// Mean square of what in evenly spaced samples repeats after `cycle` samples, what is slower than a cycle taken off; 0 where that is
/// not most of them or the record holds less than three cycles.
pub(crate) fn repeating_power(samples: &[f64], cycle: f64) -> f64 {
    if !(cycle >= 2.0 && 3.0 * cycle + 4.0 < samples.len() as f64) {
        return 0.0;
    }
    let window = cycle.round() as usize;
    let quick = less_running_mean(samples, window);
    let (whole, fraction) = (cycle.floor() as usize, cycle.fract());
    let later = |n: usize| (1.0 - fraction) * quick[n + whole] + fraction * quick[n + whole + 1];
    let count = quick.len() - whole - 1;
    let (mut product, mut square) = (0.0, 0.0);
    for (n, own) in quick[..count].iter().enumerate() {
        product += own * later(n);
        square += own * own;
    }
    if product > LIKE_HUM * square {
        product / samples.len() as f64
    } else {
        0.0
    }
}

/// The samples from the middle of the first window on, each less the mean of the window around it.
fn less_running_mean(samples: &[f64], window: usize) -> Vec<f64> {
    let mut sum: f64 = samples[..window].iter().sum();
    let half = window / 2;
    (0..=samples.len() - window)
        .map(|from| {
            if from > 0 {
                sum += samples[from + window - 1] - samples[from - 1];
            }
            samples[from + half] - sum / window as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 2000.0;

    fn record(of: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..4000).map(|n| of(f64::from(n) / RATE_HZ)).collect()
    }

    #[test]
    fn a_burst_of_hum_repeats() {
        let burst = record(|t| {
            let dies = (-(t - 0.5) / 0.2).exp();
            if t < 0.5 {
                0.0
            } else {
                dies * (TAU * 50.0 * t).sin()
            }
        });
        let power = burst.iter().map(|x| x * x).sum::<f64>() / 4000.0;
        let found = repeating_power(&burst, 40.0);
        // A cycle later it is lower by exp(-1/10).
        assert_relative_eq!(found, power * (-0.1f64).exp(), max_relative = 0.03);
    }

    #[test]
    fn a_step_a_settling_and_a_pulse_do_not() {
        let step = record(|t| f64::from(u8::from(t > 0.7)));
        let settling = record(|t| (-t / 0.3).exp());
        let pulse = record(|t| (-((t - 1.0) / 0.003).powi(2)).exp());
        for samples in [step, settling, pulse] {
            let power = samples.iter().map(|x| x * x).sum::<f64>() / 4000.0;
            assert!(repeating_power(&samples, 40.0) < 1e-5 * power);
        }
    }
}
