//! Acceptance limits held against a comparison.

use super::result::Comparison;
use crate::Condition;
use crate::limit::{Bounded, Judgement, Limit};

impl Comparison {
    /// Judges a limit: on a reading under the last condition that has one (isolated, else looped), an offset
    /// by its magnitude; on a reduction by what is gained.
    #[must_use]
    pub fn judge(&self, limit: &Limit) -> Judgement {
        let Some(quantity) = self.quantity(limit.quantity) else {
            return limit.undecided();
        };
        let ratio = match limit.bounded {
            Bounded::Reading => {
                let reading = [Condition::Isolated, Condition::Looped]
                    .into_iter()
                    .find_map(|c| quantity.reading(c).map(|e| (c, e)));
                return reading.map_or_else(
                    || limit.undecided(),
                    |(condition, e)| Judgement {
                        condition: Some(condition),
                        ..limit.judge_reading(e.low, e.high)
                    },
                );
            }
            Bounded::Improvement => quantity.improvement_db,
            Bounded::ExcessReduction => quantity.excess_reduction_db,
        };
        ratio.map_or_else(
            || limit.undecided(),
            |ratio| limit.judge_reduction(ratio.low, ratio.high),
        )
    }

    /// Judges limits against readings that include the instrument's limits of error.
    #[must_use]
    pub fn judge_expanded(&self, limits: &[Limit]) -> Vec<Judgement> {
        let mut widened = self.clone();
        for quantity in &mut widened.quantities {
            let wide = [Condition::Looped, Condition::Isolated].map(|c| quantity.expanded(c));
            quantity.looped = wide[0].or(quantity.looped);
            quantity.isolated = wide[1].or(quantity.isolated);
        }
        limits.iter().map(|limit| widened.judge(limit)).collect()
    }
}
