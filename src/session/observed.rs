//! What the captures say of the loop, held against what the wiring says.

use super::result::{RemedyResult, SessionResult};
use super::{LoopState, LoopVerdict};
use crate::Condition;
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

/// What points to a cause: what each remedy shows, the sources that are possible, and where no comparison tells, what
/// single captures make possible.
pub(super) fn evidence(result: &SessionResult) -> Vec<Evidence> {
    let mut found: Vec<Evidence> = Vec::new();
    for remedy in result.remedies.iter().filter(|remedy| !remedy.refused) {
        let evidence = remedy.comparison.evidence.iter();
        for item in evidence.filter(|item| speaks(&result.wiring, remedy, item.kind)) {
            let of_remedy = remainder(item.kind);
            if of_remedy || found.iter().all(|known| known.kind != item.kind) {
                found.push(with_remedy(item, &remedy.name));
            }
        }
    }
    let told = !found.is_empty();
    let compared = result.comparison().map(|comparison| &comparison.evidence);
    let looped = result.measurements(Condition::Looped, None);
    let sources: Vec<&Evidence> = match compared {
        Some(evidence) => evidence
            .iter()
            .chain(result.loop_comparison.iter().flat_map(|c| &c.evidence))
            .filter(|item| !of_opening(item.kind))
            .filter(|item| !(told && item.kind == EvidenceKind::Connection))
            .collect(),
        None => looped
            .flat_map(|measurement| &measurement.evidence)
            .collect(),
    };
    for item in sources {
        if found.iter().all(|known| known.kind != item.kind) {
            found.push(item.clone());
        }
    }
    found
}

/// Whether a kind rests on what opening the loop did.
fn of_opening(kind: EvidenceKind) -> bool {
    use EvidenceKind::{Conducted, GroundOffset, PickUp};
    matches!(kind, Conducted | GroundOffset | PickUp) || remainder(kind)
}

/// Whether a kind is of what one remedy leaves.
fn remainder(kind: EvidenceKind) -> bool {
    use EvidenceKind::{CapacitiveBarrier, ResistivePath};
    matches!(kind, CapacitiveBarrier | ResistivePath)
}

/// Whether a remedy's comparison speaks of the loop's opening: pick-up only where the wiring says that it opens, the
/// others unless it says that it does not.
fn speaks(wiring: &LoopVerdict, remedy: &RemedyResult, kind: EvidenceKind) -> bool {
    let effect = wiring.remedies.iter().find(|e| e.name == remedy.name);
    let opens = effect.map_or(LoopState::Unknown, |effect| effect.state);
    match kind {
        EvidenceKind::PickUp => opens == LoopState::Open,
        kind if of_opening(kind) => matches!(opens, LoopState::Open | LoopState::Unknown),
        _ => false,
    }
}

fn with_remedy(item: &Evidence, name: &str) -> Evidence {
    Evidence {
        finding: format!("with \"{name}\" {}", item.finding),
        ..item.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::sample;

    /// The ferrite opens nothing by the wiring; the best remedy speaks of the loop; a looped capture of the source.
    #[test]
    fn each_remedy_that_opens_the_loop_speaks_of_it() {
        let result = sample::result();
        let found = |kind| result.evidence.iter().find(|item| item.kind == kind);
        let conducted = found(EvidenceKind::Conducted).unwrap();
        assert!(
            conducted
                .finding
                .starts_with("with \"differential input\" the hum fell by"),
            "{conducted:?}"
        );
        assert!(found(EvidenceKind::PhaseCut).is_some());
        assert!(found(EvidenceKind::Connection).is_none());
        let mut all = result.evidence.iter();
        assert!(all.all(|item| !item.finding.contains("ferrite")));

        let alone = sample::result_of(
            "[[capture]]\nfile = 'looped_1.csv'\ncondition = 'looped'\n[[capture]]\nfile = 'baseline_1.csv'\ncondition = 'baseline'",
        );
        let kinds: Vec<EvidenceKind> = alone.evidence.iter().map(|item| item.kind).collect();
        assert_eq!(kinds, [EvidenceKind::Connection, EvidenceKind::PhaseCut]);
    }
}
