//! The peak between grid points.

/// Place of a peak of three values at -1, 0 and 1, by the parabola through them; `None` where they bend upwards.
pub(crate) fn peak(left: f64, middle: f64, right: f64) -> Option<f64> {
    let bend = left - 2.0 * middle + right;
    (bend < 0.0).then(|| 0.5 * (left - right) / bend)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_has_its_own_peak() {
        let at = |x: f64| 3.0 - 2.0 * (x - 0.3) * (x - 0.3);
        let found = peak(at(-1.0), at(0.0), at(1.0));
        assert!(
            found.is_some_and(|place| (place - 0.3).abs() < 1e-12),
            "{found:?}"
        );
        assert_eq!(peak(1.0, 0.0, 1.0), None);
        assert_eq!(peak(f64::NAN, 0.0, 1.0), None);
    }
}
