//! A look at a record in which another's lines stand at multiples of a grid's.

use super::comb::{is_anothers, sole_step};
use super::evidence::{Evidence, Witness};
use super::followers::told;
use super::present::Present;
use super::{IN_STEP, LOW_ORDERS, NEEDED_REST, Scene};
use crate::hum::line_spectrum::{Line, LineSpectrum};

impl Scene<'_> {
    /// Whether lines stand at a grid's place that are multiples of what is no grid's.
    pub(super) fn shows_anothers_comb(&self, spectrum: &LineSpectrum) -> bool {
        let witness = Witness::new(spectrum);
        let shown = self.nominals_hz.iter().filter_map(|&hz| {
            let own = in_step(&witness, hz);
            let anothers = || is_anothers(&own, sole_step(&own, NEEDED_REST), hz);
            (own.total > NEEDED_REST).then(anothers)
        });
        let shown: Vec<bool> = shown.collect();
        shown.contains(&true) && !shown.contains(&false)
    }

    /// A series of all orders beside another's lines at multiples of a multiple of a nominal frequency.
    pub(super) fn beside_comb(
        &self,
        spectrum: &LineSpectrum,
        witness: &Witness<'_>,
    ) -> Option<Present> {
        self.nominals_hz.iter().find_map(|&hz| {
            let comb = in_step(witness, hz);
            let step = sole_step(&comb, NEEDED_REST);
            if step == 1 {
                return None;
            }
            let members = witness.shown(step as f64 * comb.fundamental_hz);
            let members: Vec<Line> = members.into_iter().map(|(_, line)| line).collect();
            let rest = spectrum.clone().without(&members);
            let witness = Witness::new(&rest);
            let (nominal_hz, evidence) = self
                .series_in(&rest, &witness)
                .or_else(|| self.mainly_one(&rest, &witness))?;
            let of_all_orders = sole_step(&evidence, NEEDED_REST) == 1
                && evidence.orders.iter().any(|own| own.order <= LOW_ORDERS);
            of_all_orders.then(|| {
                let mut found = told(nominal_hz, evidence, spectrum);
                found.doubt(|_, line| members.contains(line));
                found
            })
        })
    }
}

/// The most evidence for a grid of a nominal frequency that is in step with others.
fn in_step(witness: &Witness<'_>, nominal_hz: f64) -> Evidence {
    let range = ((1.0 - IN_STEP) * nominal_hz, (1.0 + IN_STEP) * nominal_hz);
    witness.best(range, |e| e.total)
}
