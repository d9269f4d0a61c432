//! Which way the interference comes in, by ratios of conditions.

use super::let_through::LetThrough;
use crate::analysis::{Evidence, EvidenceKind, Measurement};
use crate::comparison::options::SINGLE_CAPTURE_MARGIN_DB;
use crate::comparison::result::{ComparedQuantity, Comparison, DecibelRatio, Verdict};
use crate::comparison::selection::Selection;
use crate::quantity::Quantity;
use crate::stats::Estimate;
use crate::{Condition, WarningCode};
use std::collections::BTreeMap;

/// More than this, half the power, is gone where the loop carries the hum, and less where it does not, dB.
const HALF_DB: f64 = 3.0;
/// By how much an offset of the loop falls with it at least, dB: nine parts of ten in power (common practice, no source).
const OFFSET_DB: f64 = 10.0;
/// What is let through in proportion to order rises by 20 lg 2 per doubling; half of that divides it from what is flat,
/// dB.
const DIVIDE_DB: f64 = 3.01;

/// What became of the hum above the floor when the loop was opened.
fn reduction(hum: &ComparedQuantity) -> Option<DecibelRatio> {
    hum.excess_reduction_db.or_else(|| {
        let floor = hum.baseline.is_some();
        hum.improvement_db.filter(|_| !floor)
    })
}

/// The hum, where the looped captures hold mains and more of it than the floor does, by more than single captures differ
/// without cause.
pub(super) fn brought<'a>(
    comparison: &'a Comparison,
    looped: &[&Measurement],
) -> Option<&'a ComparedQuantity> {
    let shown = looped.iter().filter(|m| shows_hum(m)).count();
    let hum = comparison.quantity(Quantity::HumRms)?;
    let margin = 10f64.powf(0.05 * SINGLE_CAPTURE_MARGIN_DB);
    let floor = hum.baseline.map_or(0.0, |floor| margin * floor.high);
    let above = hum.looped.is_some_and(|reading| reading.low > floor);
    let excess = hum.baseline.is_none() || hum.loop_excess.is_some_and(|e| e.low > 0.0);
    (above && excess && shown > 0 && 2 * shown >= looped.len()).then_some(hum)
}

/// Whether a capture holds mains: no line beside an order that may be most of it, and no fundamental that is itself the
/// multiple of another line, as of a shaft.
fn shows_hum(m: &Measurement) -> bool {
    let mut warnings = m.quality.warnings.iter();
    let beside = warnings.any(|w| w.code == WarningCode::LineNearHarmonic);
    let known = m.mains.hum_rms.is_some_and(|hum| hum.high < 2.0 * hum.low);
    m.mains.detected && (known || !beside) && !is_multiple(m)
}

/// Whether the mains' fundamental is two to four times the frequency of a line that is not far below the hum.
fn is_multiple(m: &Measurement) -> bool {
    /// A tenth (common practice, no source).
    const NOT_FAR: f64 = 0.1;
    let Some((fundamental, hum)) = m.mains.frequency_hz.zip(m.mains.hum_rms) else {
        return false;
    };
    let half = |e: &Estimate| 0.5 * (e.high - e.low);
    m.tones.iter().any(|tone| {
        let own = tone.frequency_hz;
        let mut parts = [2.0, 3.0, 4.0].into_iter();
        let meets = |part: f64| {
            let reach = 2.0 * half(&own).hypot(half(&fundamental) / part);
            (own.value - fundamental.value / part).abs() <= reach
        };
        tone.rms.value > NOT_FAR * hum.value && parts.any(meets)
    })
}

/// The way of the hum, from what went with the loop.
pub(super) fn way(comparison: &Comparison, hum: &ComparedQuantity) -> Option<Evidence> {
    if let Some(ratio) = reduction(hum).filter(|_| comparison.captures.isolated > 0) {
        let fell = matches!(hum.verdict, Verdict::Improved | Verdict::AtFloor);
        if fell && ratio.low > HALF_DB {
            return Some(conducted(ratio));
        }
        // A rise by as much is another change than the loop's opening.
        let nothing = ratio.low > -HALF_DB && ratio.high.is_some_and(|high| high < HALF_DB);
        if nothing && hum.baseline.is_some() {
            return Some(pick_up(ratio));
        }
    }
    connection(hum)
}

/// Hum above the floor, and no capture that tells by which way.
fn connection(hum: &ComparedQuantity) -> Option<Evidence> {
    let (excess, floor) = hum.loop_excess.zip(hum.baseline)?;
    let words = crate::si::rounded(excess.value, &hum.unit, 3);
    Some(
        Evidence::new(
            EvidenceKind::Connection,
            format!(
                "with the probe on the source's ground {words} RMS of hum come in that the instrument alone does not show"
            ),
            [("loop_excess", excess.value), ("baseline", floor.value)],
            "open the loop with a remedy that leaves every protective earth as it is (an isolator rated for the voltage at \
             hand, a differential measurement) and take the isolated capture: what goes with the loop came around it",
        )
        .or([
            "a current around the loop",
            "a field that reaches the leads without any loop",
        ]),
    )
}

fn ratio_numbers(ratio: DecibelRatio) -> [(&'static str, f64); 2] {
    [
        ("reduction_db", ratio.value),
        ("reduction_low_db", ratio.low),
    ]
}

fn words(ratio: DecibelRatio) -> String {
    ratio.words().unwrap_or_else(|| "not resolved".into())
}

fn conducted(ratio: DecibelRatio) -> Evidence {
    Evidence::new(
        EvidenceKind::Conducted,
        format!(
            "the hum fell by {} when the loop was opened: a current around the loop carries it, driven by a difference of \
             earth potentials",
            words(ratio)
        ),
        ratio_numbers(ratio),
        "keep the loop open, or bring both mains leads to one outlet and lay the leads together: what falls with the \
         loop's area is induced; never lift a protective earth",
    )
    .or([
        "driven by a field through the loop's area",
        "something else was changed with the remedy",
    ])
}

fn pick_up(ratio: DecibelRatio) -> Evidence {
    Evidence::new(
        EvidenceKind::PickUp,
        format!(
            "the hum above the floor did not fall when the loop was opened ({}): pick-up from a field rather than a loop",
            words(ratio)
        ),
        ratio_numbers(ratio),
        "twist the ground lead around the tip's lead or shorten both, move them away from transformers and mains leads, and \
         take the looped capture again: hum that follows the leads' position is picked up",
    )
    .or([
        "the remedy does not open the loop",
        "a second connection closes it",
    ])
}

/// By what the rest comes through, from its share of each order.
pub(super) fn remainder(comparison: &Comparison) -> Option<Evidence> {
    let through = LetThrough::of(comparison)?;
    let (slope, low, high) = through.slope_db;
    let (count, first, last) = through.orders;
    let share = 100.0 * through.share;
    let numbers = [
        ("share_of_order_1", through.share),
        ("slope_db_per_doubling", slope),
        ("slope_low_db_per_doubling", low),
        ("slope_high_db_per_doubling", high),
        ("orders", count as f64),
        ("scatter", through.scatter),
    ];
    let span = format!(
        "({low:.1} to {high:.1} dB; {count} orders from {first} to {last}, {share:.2} % of order 1)"
    );
    if low > DIVIDE_DB && high < 3.0 * DIVIDE_DB {
        return Some(
            Evidence::new(
                EvidenceKind::CapacitiveBarrier,
                format!(
                    "what comes through the remedy rises by {slope:.1} dB per doubling of order {span}: capacitance across \
                     the barrier"
                ),
                numbers,
                "an isolator with less capacitance between its sides, its rating and category checked against the voltage at \
                 hand, or less cable and metal on its far side; then compare again",
            )
            .or([
                "a field on the leads, which rises alike",
                "a differential input whose rejection falls with frequency",
            ]),
        );
    }
    (low > -DIVIDE_DB && high < DIVIDE_DB).then(|| {
        Evidence::new(
            EvidenceKind::ResistivePath,
            format!(
                "what comes through the remedy is nearly one share of every order, {slope:.1} dB per doubling {span}: a \
                 resistive path is left"
            ),
            numbers,
            "look for a second connection beside the remedy (shields, mounting, antenna and network leads, a leaky \
             insulation), with both sides unplugged from the mains before anything is touched or measured with an ohmmeter; \
             never lift a protective earth",
        )
        .or([
            "the remedy's own limit, as of a differential input's rejection",
            "a part of the lead that signal and loop share",
        ])
    })
}

/// An offset that came with the loop and went with it, where nothing but interference is in the records.
pub(super) fn ground_offset(
    comparison: &Comparison,
    selections: &BTreeMap<Condition, Selection<'_>>,
) -> Option<Evidence> {
    let offset = comparison.quantity(Quantity::DcOffset)?;
    let excess = offset.loop_excess.filter(|excess| !excess.contains(0.0))?;
    let ratio = offset.excess_reduction_db?;
    let gone = offset.verdict == Verdict::Improved || offset.verdict == Verdict::AtFloor;
    let mut records = selections
        .iter()
        .flat_map(|(c, s)| s.offset.iter().map(move |m| (*c, *m)));
    if !(gone && ratio.low > OFFSET_DB) || records.any(|(c, m)| holds_signal(c, m)) {
        return None;
    }
    Some(
        Evidence::new(
            EvidenceKind::GroundOffset,
            format!(
                "an offset of {} came with the loop and fell by {} when it was opened: a difference of the two grounds' \
                 potentials",
                crate::si::rounded(excess.value, &offset.unit, 3),
                words(ratio)
            ),
            [
                ("loop_excess", excess.value),
                ("reduction_db", ratio.value),
                ("reduction_low_db", ratio.low),
            ],
            "keep the loop open, and find what direct current flows in the shared ground: a supply's return, a heater, \
             dissimilar metals; never lift a protective earth",
        )
        .or([
            "an input current through the remedy's connection",
            "the instrument's zero, if it was set between the captures",
        ]),
    )
}

/// Whether more than interference is in the record: told so, or, with the loop closed, lines that are no order beyond the
/// hum.
fn holds_signal(condition: Condition, m: &Measurement) -> bool {
    let mut warnings = m.quality.warnings.iter();
    let told = warnings.any(|w| w.code == WarningCode::NotInterferenceAlone);
    let lines: f64 = m.tones.iter().map(|t| t.rms.value.powi(2)).sum();
    let hum = m.mains.hum_rms.map_or(0.0, |hum| hum.high);
    told || condition == Condition::Looped && lines > hum * hum
}
