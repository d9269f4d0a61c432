//! Samples that are missing, filled from their neighbours.

/// Straight lines across what is not finite.
pub(crate) fn bridge(samples: &mut [f64]) {
    let mut last: Option<(usize, f64)> = None;
    for i in 0..samples.len() {
        let x = samples[i];
        if !x.is_finite() {
            continue;
        }
        match last {
            None => samples[..i].fill(x),
            Some((from, value)) => {
                for (j, slot) in samples[from + 1..i].iter_mut().enumerate() {
                    *slot = value + (x - value) * (j + 1) as f64 / (i - from) as f64;
                }
            }
        }
        last = Some((i, x));
    }
    match last {
        Some((from, value)) => samples[from + 1..].fill(value),
        None => samples.fill(0.0),
    }
}
