//! The power of what is left of the interference, as it is expected.

/// Expected mean square of what is left. Terms that do not depend on each other add up, and so do their variances
/// (B. L. Welch, Biometrika 34, 1947, from memory).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct LeftPower {
    pub(crate) power: f64,
    /// Half the variance: squares over degrees of freedom.
    squares: f64,
}

impl LeftPower {
    /// Adds a term of `degrees` of freedom whose size is told with another `known`.
    pub(crate) fn add(&mut self, power: f64, degrees: f64, known: f64) {
        if power > 0.0 && degrees > 0.0 {
            self.power += power;
            self.squares += power * power * (1.0 / degrees + 1.0 / known.max(1.0));
        }
    }

    /// Adds `weight` times another.
    pub(crate) fn add_weighted(&mut self, weight: f64, other: &Self) {
        self.power += weight * other.power;
        self.squares += weight * weight * other.squares;
    }

    pub(crate) fn times(mut self, factor: f64) -> Self {
        self.power *= factor;
        self.squares *= factor * factor;
        self
    }

    /// Effective degrees of freedom, one at least.
    pub(crate) fn degrees(&self) -> f64 {
        if self.squares > 0.0 {
            (self.power * self.power / self.squares).max(1.0)
        } else {
            1.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::LeftPower;

    #[test]
    fn equal_terms_add_their_degrees_and_one_large_term_decides() {
        let sum = |powers: &[f64]| {
            let mut left = LeftPower::default();
            powers.iter().for_each(|p| left.add(*p, 2.0, f64::INFINITY));
            left
        };
        assert!((sum(&[0.3; 20]).degrees() - 40.0).abs() < 1e-9);
        assert!((sum(&[1.0, 1e-3, 1e-3]).degrees() - 2.0).abs() < 0.02);
        let mut known = LeftPower::default();
        known.add(1.0, 2.0, 2.0);
        assert!((known.degrees() - 1.0).abs() < 1e-12);
        let mut both = LeftPower::default();
        both.add_weighted(0.5, &sum(&[0.3; 10]));
        both.add_weighted(0.5, &sum(&[0.3; 10]));
        assert!((both.power - 3.0).abs() < 1e-12 && (both.degrees() - 40.0).abs() < 1e-9);
    }
}
