//! Which captures the plots show, and the sentence below each.

use crate::analysis::Measurement;
use crate::capture::Condition;
use crate::quantity::Quantity;
use crate::report::picture::{BY_CONDITION, lines_hz, readings, resolved_only};
use crate::report::plot::{
    DecibelRow, DensityCurve, Plot, Role, Trace, against_time, folded_cycle, harmonic_orders,
    improvement, noise_density,
};
use crate::session::SessionResult;
use crate::si::percent;
use crate::stats::Estimate;

/// Figures whose improvement is drawn.
const IMPROVED: [Quantity; 4] = [
    Quantity::DcOffset,
    Quantity::HumRms,
    Quantity::Harmonic(1),
    Quantity::NoiseRms,
];
/// Remedies that are drawn as curves; more would hide each other.
const CURVES: usize = 2;
/// A record is long enough to be shown against time from this many segments on.
const LONG_RECORD_POINTS: usize = 8;

/// A plot with the sentence below it and, for Markdown, the file it stands in.
#[derive(Debug, Clone)]
pub(super) struct Picture {
    pub plot: Plot,
    pub caption: String,
    pub link: String,
}

pub(super) fn pictures(result: &SessionResult) -> Vec<Picture> {
    let shown = representatives(result);
    let confidence = result.session.confidence;
    let level = percent(confidence);
    let unit = shown
        .first()
        .map_or_else(|| "V".to_owned(), |trace| trace.data.unit.clone());
    let mains_hz = shown
        .first()
        .map_or(50.0, |trace| trace.data.mains.nominal_hz);
    let lines: Vec<Vec<f64>> = shown.iter().map(|trace| lines_hz(trace.data)).collect();
    let spectra: Vec<_> = shown
        .iter()
        .zip(&lines)
        .filter_map(|(trace, lines_hz)| {
            let spectrum = trace.data.spectrum.as_ref()?;
            let curve = DensityCurve { spectrum, lines_hz };
            Some(Trace::new(trace.role, trace.label.clone(), curve))
        })
        .collect();
    let folded: Vec<_> = shown
        .iter()
        .filter(|trace| trace.role != Role::Baseline)
        .filter_map(|trace| {
            let folded = trace.data.folded.as_ref()?;
            Some(Trace::new(trace.role, trace.label.clone(), folded))
        })
        .collect();
    let tracks: Vec<_> = shown
        .iter()
        .filter_map(|trace| {
            let track = trace.data.track.as_ref()?;
            (track.points.len() >= LONG_RECORD_POINTS)
                .then(|| Trace::new(trace.role, trace.label.clone(), track))
        })
        .collect();
    let band = result.comparison().map(|found| found.band_hz);
    let files: Vec<String> = shown
        .iter()
        .map(|trace| format!("{}: {}", trace.label, trace.data.file))
        .collect();
    let files = files.join("; ");

    let mut pictures = Vec::new();
    let mut add = |plot: Option<Plot>, caption: String| {
        if let Some(plot) = plot {
            pictures.push(Picture {
                plot,
                caption,
                link: String::new(),
            });
        }
    };
    add(
        noise_density(&spectra, &unit, mains_hz, band),
        format!(
            "Curves are the noise between the lines, stems the lines themselves. What stands above the baseline came in with the loop; where a remedy lies on the baseline, nothing is left to gain. Ticks along the top mark orders of the mains. One capture of each condition: {files}."
        ),
    );
    add(
        folded_cycle(&folded, &unit, mains_hz),
        "All mains cycles of a record laid over each other: smooth waves come along wires, sharp pulses from loads that switch within the cycle. The band is one standard deviation of the samples either way.".into(),
    );
    add(
        harmonic_orders(&orders(result), BY_CONDITION, &unit, confidence),
        format!(
            "Readings of each mains order with {level} intervals. A hollow marker is not resolved above the noise: its interval reaches 0."
        ),
    );
    add(
        improvement(&improvements(result), confidence),
        format!(
            "Ratio of the reading with the loop closed to that with the remedy, with {level} intervals; the lower end is the claim. An arrow marks a remedy that reaches the floor: more cannot be shown."
        ),
    );
    add(
        against_time(&tracks, &unit),
        "How steady hum and mains frequency were within the record.".into(),
    );
    pictures
}

/// One capture of each condition and remedy: unclipped before clipped, then the longest.
fn representatives(result: &SessionResult) -> Vec<Trace<&Measurement>> {
    let best = |condition, remedy: Option<&str>| {
        result.measurements(condition, remedy).max_by(|a, b| {
            let unclipped = |m: &Measurement| m.quality.clipped_samples == 0;
            unclipped(a)
                .cmp(&unclipped(b))
                .then(a.duration_s.total_cmp(&b.duration_s))
                .then(std::cmp::Ordering::Greater)
        })
    };
    let mut shown = Vec::new();
    if let Some(measurement) = best(Condition::Baseline, None) {
        shown.push(Trace::new(Role::Baseline, "baseline", measurement));
    }
    if let Some(measurement) = best(Condition::Looped, None) {
        shown.push(Trace::new(Role::Looped, "looped", measurement));
    }
    for (rank, remedy) in result.remedies.iter().enumerate().take(CURVES) {
        if let Some(measurement) = best(Condition::Isolated, Some(&remedy.name)) {
            shown.push(Trace::new(
                Role::Remedy(rank),
                remedy.name.clone(),
                measurement,
            ));
        }
    }
    shown
}

fn orders(result: &SessionResult) -> Vec<Trace<Vec<(usize, Estimate)>>> {
    let Some(common) = result.comparison() else {
        return Vec::new();
    };
    let mut traces = vec![
        Trace::new(Role::Baseline, "baseline", readings(common, |q| q.baseline)),
        Trace::new(Role::Looped, "looped", readings(common, |q| q.looped)),
    ];
    for (rank, remedy) in result.remedies.iter().enumerate() {
        traces.push(Trace::new(
            Role::Remedy(rank),
            remedy.name.clone(),
            readings(&remedy.comparison, |q| q.isolated),
        ));
    }
    resolved_only(traces)
}

fn improvements(result: &SessionResult) -> Vec<DecibelRow> {
    IMPROVED
        .into_iter()
        .map(|name| DecibelRow {
            figure: name.label().into_owned(),
            ratios: result
                .remedies
                .iter()
                .enumerate()
                .filter_map(|(rank, remedy)| {
                    let quantity = remedy.quantity(name)?;
                    let ratio = quantity.claimed(quantity.improvement_db)?;
                    Some(Trace::new(Role::Remedy(rank), remedy.name.clone(), ratio))
                })
                .collect(),
        })
        .filter(|row| !row.ratios.is_empty())
        .collect()
}
