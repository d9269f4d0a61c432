//! Expanded uncertainties: random scatter and the instrument's limits of error together.

use crate::comparison::figure::Reading;
use crate::comparison::options::InstrumentLimits;
use crate::comparison::result::{ExpandedUncertainties, ExpandedUncertainty};
use crate::stats::{
    Estimate, combined_uncertainty, coverage_factor, rectangular, welch_satterthwaite,
};

/// Combines by JCGM 100:2008: limits of error as rectangular distributions, degrees of freedom by Welch
/// and Satterthwaite, the coverage factor from Student's t.
pub(super) struct Expansion<'a> {
    pub limits: &'a InstrumentLimits,
    pub confidence: f64,
    /// Whether both readings of a ratio were taken on one range, so that the gain error is common.
    pub common_range: bool,
    pub is_offset: bool,
}

impl Expansion<'_> {
    pub(super) fn of(
        &self,
        [baseline, looped, isolated]: [Option<&Reading>; 3],
        ratio: Option<(&Reading, &Reading)>,
    ) -> ExpandedUncertainties {
        let reading = |r: Option<&Reading>| r.map(|r| self.reading(&r.estimate));
        ExpandedUncertainties {
            baseline: reading(baseline),
            looped: reading(looped),
            isolated: reading(isolated),
            improvement_db: ratio.and_then(|(a, b)| self.ratio_db(&a.estimate, &b.estimate)),
        }
    }

    fn reading(&self, e: &Estimate) -> ExpandedUncertainty {
        let offset = if self.is_offset {
            rectangular(self.limits.offset)
        } else {
            0.0
        };
        let systematic = [
            rectangular(self.limits.gain) * e.value,
            rectangular(self.limits.probe) * e.value,
            offset,
        ];
        self.expand(
            (e.standard_uncertainty, e.degrees_of_freedom),
            combined_uncertainty(&[1.0; 3], &systematic, |_, _| 0.0),
        )
    }

    /// In dB, where both readings stand clear of 0. The probe is common to both; the gain where the
    /// range is; the offset error is common too, but moves the two sizes by different fractions.
    fn ratio_db(&self, a: &Estimate, b: &Estimate) -> Option<ExpandedUncertainty> {
        if a.contains(0.0) || b.contains(0.0) {
            return None;
        }
        let relative = |e: &Estimate| e.standard_uncertainty / e.value.abs();
        let gain = rectangular(self.limits.gain);
        let correlation = if self.common_range { 1.0 } else { 0.0 };
        let gains = combined_uncertainty(&[1.0, -1.0], &[gain, gain], |_, _| correlation);
        let offset = if self.is_offset {
            let u = rectangular(self.limits.offset);
            combined_uncertainty(&[1.0 / a.value, -1.0 / b.value], &[u, u], |_, _| {
                correlation
            })
        } else {
            0.0
        };
        let random = relative(a).hypot(relative(b));
        let dof = welch_satterthwaite(&[
            (relative(a), a.degrees_of_freedom),
            (relative(b), b.degrees_of_freedom),
        ]);
        let per_neper = 20.0 / std::f64::consts::LN_10;
        Some(self.expand((per_neper * random, dof), per_neper * gains.hypot(offset)))
    }

    fn expand(&self, random: (f64, f64), systematic: f64) -> ExpandedUncertainty {
        let combined = random.0.hypot(systematic);
        let dof = welch_satterthwaite(&[random, (systematic, f64::INFINITY)]);
        let coverage_factor = coverage_factor(self.confidence, dof);
        ExpandedUncertainty {
            value: coverage_factor * combined,
            coverage_factor,
            degrees_of_freedom: Some(dof).filter(|dof| dof.is_finite()),
        }
    }
}
