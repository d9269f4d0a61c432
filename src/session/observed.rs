//! What the captures say of the loop, held against what the wiring says.

use super::result::RemedyResult;
use super::{LoopState, LoopVerdict};
use crate::analysis::{Evidence, EvidenceKind};
use crate::comparison::{ComparedQuantity, Comparison, Verdict};
use crate::quantity::Quantity;
use crate::si::PrintedEstimate;

/// An improvement that a remedy which opens nothing would not bring, dB.
const MORE_THAN_COUPLING_DB: f64 = 20.0;

/// Whether the captures show a loop: hum or offset above the floor. `None` without a comparison.
pub(super) fn loop_seen(comparison: Option<&Comparison>) -> Option<bool> {
    let comparison = comparison?;
    let resolved = |quantity: Quantity| {
        comparison
            .quantity(quantity)
            .and_then(|found| found.loop_excess)
            .map(|excess| excess.low > 0.0 || excess.high < 0.0)
    };
    match (resolved(Quantity::HumRms), resolved(Quantity::DcOffset)) {
        (None, None) => None,
        (hum, offset) => Some(hum == Some(true) || offset == Some(true)),
    }
}

/// Where the captures contradict the wiring.
pub(super) fn contradictions(
    wiring: &LoopVerdict,
    comparison: Option<&Comparison>,
    remedies: &[RemedyResult],
) -> Vec<String> {
    let mut found = Vec::new();
    match (wiring.state, loop_seen(comparison)) {
        (LoopState::Closed | LoopState::ClosedThroughResistor, Some(false)) => found.push(
            "By the wiring a loop exists, but the looped captures show neither hum nor offset above the floor. Check that the ground lead really was on the source's ground, and that the range was fine enough to show the hum.".to_owned(),
        ),
        (LoopState::Open, Some(true)) => {
            let hum = comparison
                .and_then(|comparison| comparison.quantity(Quantity::HumRms))
                .and_then(|hum| Some(PrintedEstimate::new(&hum.loop_excess?, &hum.unit)))
                .map_or_else(String::new, |excess| format!(" (hum {excess} above it)"));
            found.push(format!(
                "By the wiring no loop exists, but the looped captures stand above the floor{hum}. Either a second path closes one (another cable's shield, a shelf, an antenna or network lead), or a field reaches the leads. Take the continuity readings again with everything connected."
            ));
        }
        _ => {}
    }
    for remedy in remedies {
        let effect = wiring.remedies.iter().find(|e| e.name == remedy.name);
        let hum = remedy.quantity(Quantity::HumRms);
        let Some((effect, hum)) = effect.zip(hum) else {
            continue;
        };
        let hum_seen = hum.loop_excess.is_some_and(|excess| excess.low > 0.0);
        match effect.state {
            LoopState::Open if wiring.state != LoopState::Open && hum_seen && !fell(hum) => {
                found.push(format!(
                    "\"{}\" opens the loop by the wiring, but the hum did not fall: a second path may close it, or the hum is picked up from a field and needs no loop.",
                    remedy.name
                ));
            }
            LoopState::Closed | LoopState::ClosedThroughResistor
                if hum
                    .improvement_db
                    .is_some_and(|ratio| ratio.low > MORE_THAN_COUPLING_DB) =>
            {
                found.push(format!(
                    "\"{}\" opens nothing by the wiring, but the hum fell as if it did: check what it really does, or what else was changed with it.",
                    remedy.name
                ));
            }
            _ => {}
        }
    }
    found
}

fn fell(hum: &ComparedQuantity) -> bool {
    matches!(hum.verdict, Verdict::Improved | Verdict::AtFloor)
}

/// Pick-up as evidence: hum above the floor that did not fall with the loop open.
pub(super) fn pick_up(wiring: &LoopVerdict, remedies: &[RemedyResult]) -> Option<Evidence> {
    let opened = |remedy: &&RemedyResult| {
        wiring
            .remedies
            .iter()
            .any(|effect| effect.name == remedy.name && effect.state == LoopState::Open)
    };
    let remedy = remedies.iter().filter(opened).find(|remedy| {
        remedy
            .quantity(Quantity::HumRms)
            .is_some_and(|hum| !fell(hum) && hum.loop_excess.is_some_and(|excess| excess.low > 0.0))
    })?;
    let ratio = remedy.quantity(Quantity::HumRms)?.improvement_db?;
    Some(Evidence::new(
        EvidenceKind::PickUp,
        format!(
            "With \"{}\" the loop is open by the wiring, but the hum did not fall ({}): it points to pick-up from a field rather than to a loop.",
            remedy.name,
            ratio.words().unwrap_or_else(|| "not resolved".into())
        ),
        [
            ("improvement_db", ratio.value),
            ("improvement_low_db", ratio.low),
        ],
        "Twist the ground lead around the tip's lead or shorten both, move them away from transformers and mains leads, and take the looped capture again: hum that follows the leads' position is picked up.",
    ))
}
