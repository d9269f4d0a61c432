//! The interference in one channel of a chapter, by the method that was planned.

use super::plan::Plan;
use crate::Error;
use crate::separation::findings::Findings;
use crate::separation::fit::{Course, Lead};
use crate::separation::methods::{
    Sensed, separate_difference, separate_hum, separate_reference, separate_template,
};
use crate::separation::result::Method;
use crate::separation::samples::Centred;

/// Puts the interference in one of the plan's targets into `hum`, of a chapter that begins at `start_s`; returns what is
/// known of it, and what the next chapter may start from.
pub(super) fn interference(
    plan: &Plan,
    target: usize,
    (rows, start_s): (&mut [Vec<f64>], f64),
    lead: Option<&Lead>,
    hum: &mut Vec<f64>,
) -> Result<(Findings, Option<Lead>), Error> {
    let course = |channel: usize| plan.courses[channel].as_ref().map(|c| c.from(start_s));
    let own: Option<Course> = course(plan.targets[target]);
    if plan.method == Method::Harmonic {
        let samples = &mut rows[plan.targets[target]];
        return Ok(separate_hum(
            samples,
            plan.rate_hz,
            &plan.harmonic,
            (own.as_ref(), lead),
            hum,
        ));
    }
    let samples = &rows[plan.targets[target]];
    let found;
    (*hum, found) = match (plan.method, &plan.others[..]) {
        (Method::Reference, others) => {
            let sensed = |other: &usize| Sensed {
                channel: Centred::new(&rows[*other]),
                course: course(*other),
            };
            let sensed: Vec<Sensed> = others.iter().map(sensed).collect();
            let sensed: Vec<&Sensed> = sensed.iter().collect();
            separate_reference(
                &Centred::new(samples),
                &sensed,
                plan.rate_hz,
                &plan.harmonic,
            )
        }
        (Method::Difference, [other]) => separate_difference(
            &Centred::new(samples),
            &Centred::new(&rows[*other]),
            plan.rate_hz,
        ),
        _ => separate_template(
            &Centred::new(samples),
            plan.rate_hz,
            &plan.templates[target],
            &plan.harmonic,
            own.as_ref(),
        )?,
    };
    Ok((found, None))
}
