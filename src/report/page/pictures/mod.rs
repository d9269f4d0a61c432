//! The plots of the page, and the sentence below each.

mod picture;
mod scatter;
mod shown;

use crate::analysis::{Folded, Measurement, Track};
use crate::capture::Snippet;
use crate::comparison::{ComparedQuantity, DecibelRatio};
use crate::quantity::Quantity;
use crate::report::picture::{BY_CONDITION, lines_hz, readings, resolved_only};
use crate::report::plot::{
    DecibelRow, DensityCurve, MOST_ORDERS, Role, Scale, Trace, against_time, cycle_height,
    folded_cycle, harmonic_orders, improvement, noise_density, residual_cycle, snippet_height,
    taken_away, waveforms,
};
use crate::session::{RemedyResult, SessionResult};
use crate::si::percent;
use crate::stats::Estimate;
pub(super) use picture::Picture;
use scatter::scatter_pictures;
use shown::{Shown, not_in_it, remedies, representatives};

/// Figures whose improvement is drawn.
const IMPROVED: [Quantity; 4] = [
    Quantity::DcOffset,
    Quantity::HumRms,
    Quantity::Harmonic(1),
    Quantity::NoiseRms,
];
/// A record is long enough to be shown against time from this many segments on.
const LONG_RECORD_POINTS: usize = 8;
/// What spans less than this part of the loop's reading is enlarged.
const SMALL: f64 = 1.0 / 3.0;

const NO_SAMPLES: &str = "its first samples are not at hand";

pub(super) fn pictures(result: &SessionResult) -> Vec<Picture> {
    let seen = Seen::new(result);
    let mut pictures = seen.waveforms();
    pictures.extend(seen.density());
    pictures.extend(seen.orders());
    pictures.extend(seen.changes());
    pictures.extend(seen.improvement());
    pictures.extend(seen.cycles());
    pictures.extend(seen.time());
    pictures.extend(scatter_pictures(result));
    pictures
}

/// What the plots are drawn of.
struct Seen<'a> {
    result: &'a SessionResult,
    shown: Vec<Trace<Shown<'a>>>,
    unit: &'a str,
    mains_hz: f64,
    level: String,
}

impl<'a> Seen<'a> {
    fn new(result: &'a SessionResult) -> Self {
        let shown = representatives(result);
        Self {
            unit: super::tables::unit_of(result),
            mains_hz: shown
                .first()
                .map_or(50.0, |trace| trace.data.measurement.mains.nominal_hz),
            level: percent(result.session.confidence),
            result,
            shown,
        }
    }

    /// What the shown captures hold of something.
    fn of<T>(&self, pick: impl Fn(&Shown<'a>) -> Option<T>) -> Vec<Trace<T>> {
        let shown = self.shown.iter();
        shown
            .filter_map(|trace| {
                Some(Trace::new(
                    trace.role,
                    trace.label.clone(),
                    pick(&trace.data)?,
                ))
            })
            .collect()
    }

    fn not_in_it<T>(&self, drawn: &[Trace<T>], why: &'static str) -> String {
        not_in_it(self.result, roles(drawn), |_| why)
    }

    /// The same where those of `all` are left out because they are seen already.
    fn not_enlarged<T>(&self, all: &[Trace<T>], small: &[Trace<T>], why: &'static str) -> String {
        not_in_it(self.result, roles(small), |role| {
            if roles(all).any(|seen| seen == role) {
                "large enough to be seen in the plot above"
            } else {
                why
            }
        })
    }

    /// Those that span much less than the loop's, where there are any.
    fn small<T: Copy>(&self, traces: &[Trace<T>], span: impl Fn(T) -> f64) -> Vec<Trace<T>> {
        let looped = traces.iter().find(|trace| trace.role == Role::Looped);
        let most = looped.map_or(f64::INFINITY, |trace| SMALL * span(trace.data));
        let small = traces.iter().filter(|trace| trace.role != Role::Looped);
        small
            .filter(|trace| span(trace.data) < most)
            .map(|trace| Trace::new(trace.role, trace.label.clone(), trace.data))
            .collect()
    }

    fn waveforms(&self) -> Vec<Picture> {
        let all: Vec<Trace<&Snippet>> = self.of(|shown| shown.snippet);
        let span = |snippet: &Snippet| snippet_height(snippet, self.mains_hz);
        let small = self.small(&all, span);
        let draw =
            |traces: &[Trace<&Snippet>], scale| waveforms(traces, self.mains_hz, self.unit, scale);
        let common = draw(&all, Scale::Common).map(|plot| {
            Picture::new(
                plot,
                format!(
                    "The first two mains cycles of one capture of each condition, side by side on one scale; their lanes are numbered as in the legend and not in step with each other. Captures: {}.{}",
                    self.files(),
                    self.not_in_it(&all, NO_SAMPLES)
                ),
            )
        });
        let remedies = small.iter().any(|trace| trace.role != Role::Baseline);
        let zoom = remedies.then(|| draw(&small, Scale::Zoom)).flatten().map(|plot| {
            Picture::new(
                plot,
                format!(
                    "The same, enlarged, for what is less than a third of the waveform with the loop closed.{}",
                    self.not_enlarged(&all, &small, NO_SAMPLES)
                ),
            )
        });
        common.into_iter().chain(zoom).collect()
    }

    fn files(&self) -> String {
        let files: Vec<String> = self
            .shown
            .iter()
            .map(|trace| format!("{}: {}", trace.label, trace.data.measurement.file))
            .collect();
        files.join("; ")
    }

    fn density(&self) -> Option<Picture> {
        let lines = self.of(|shown| Some(lines_hz(shown.measurement)));
        let spectra: Vec<_> = self
            .shown
            .iter()
            .zip(&lines)
            .filter_map(|(trace, lines)| {
                let spectrum = trace.data.measurement.spectrum.as_ref()?;
                let lines_hz = &lines.data;
                let curve = DensityCurve { spectrum, lines_hz };
                Some(Trace::new(trace.role, trace.label.clone(), curve))
            })
            .collect();
        let band = self.result.comparison().map(|found| found.band_hz);
        let plot = noise_density(&spectra, self.unit, self.mains_hz, band)?;
        let caption = format!(
            "Curves are the noise between the lines, stems the lines themselves. What stands above the baseline came in with the loop; where a remedy lies on the baseline, nothing is left to gain. Ticks along the top mark orders of the mains. One capture of each condition{}.{}",
            if self.shown.iter().any(|trace| trace.data.snippet.is_some()) {
                ", the same as above".to_owned()
            } else {
                format!(": {}", self.files())
            },
            self.not_in_it(&spectra, "measured earlier, without a spectrum")
        );
        Some(Picture::new(plot, caption))
    }

    fn orders(&self) -> Option<Picture> {
        let orders = orders(self.result);
        let confidence = self.result.session.confidence;
        let plot = harmonic_orders(&orders, BY_CONDITION, self.unit, confidence)?;
        let mut resolved: Vec<usize> = orders
            .iter()
            .flat_map(|trace| trace.data.iter().map(|(order, _)| *order))
            .collect();
        resolved.sort_unstable();
        resolved.dedup();
        let further = if resolved.len() > MOST_ORDERS {
            format!(
                " The lowest {MOST_ORDERS} orders that stand above the noise anywhere are drawn; the next plot has all."
            )
        } else {
            String::new()
        };
        let caption = format!(
            "Readings of each mains order with {} intervals. A hollow marker is not resolved above the noise: its interval reaches 0.{further}{}",
            self.level,
            self.not_in_it(&orders, "no order of it was measured")
        );
        Some(Picture::new(plot, caption))
    }

    fn changes(&self) -> Option<Picture> {
        let changes: Vec<_> = remedies(self.result)
            .zip(&self.result.remedies)
            .map(|((role, name), remedy)| Trace::new(role, name, changes(remedy)))
            .filter(|trace| !trace.data.is_empty())
            .collect();
        let confidence = self.result.session.confidence;
        let title = "What each remedy takes away";
        let plot = taken_away(&changes, title, self.mains_hz, confidence)?;
        let caption = format!(
            "Every order of the mains, and every line that is no order, that stands above the noise: the reading with the loop closed over that with the remedy, with {} intervals; above 0 it fell. An arrow: this end is not known; of what lies at the floor the lower end alone can be claimed. A hollow marker: the interval holds 0.{}",
            self.level,
            self.not_in_it(
                &changes,
                "no order or line of it can be held against the loop"
            )
        );
        Some(Picture::new(plot, caption))
    }

    fn improvement(&self) -> Option<Picture> {
        let rows = improvements(self.result);
        let plot = improvement(&rows, self.result.session.confidence)?;
        let drawn: Vec<Trace<DecibelRatio>> = rows.into_iter().flat_map(|row| row.ratios).collect();
        let caption = format!(
            "Ratio of the reading with the loop closed to that with the remedy, with {} intervals; the lower end is the claim. An arrow marks a remedy that reaches the floor: more cannot be shown.{}",
            self.level,
            self.not_in_it(
                &drawn,
                "none of its readings can be held against the loop's"
            )
        );
        Some(Picture::new(plot, caption))
    }

    fn cycles(&self) -> Vec<Picture> {
        let all: Vec<Trace<&Folded>> = self
            .of(|shown| shown.measurement.folded.as_ref())
            .into_iter()
            .filter(|trace| trace.role != Role::Baseline)
            .collect();
        let why = "no mains was found in its record to fold it by";
        let common = folded_cycle(&all, self.unit, self.mains_hz).map(|plot| {
            Picture::new(
                plot,
                format!(
                    "All mains cycles of a record laid over each other: smooth waves come along wires, sharp pulses from loads that switch within the cycle. The band is one standard deviation of the samples either way.{}",
                    self.not_in_it(&all, why)
                ),
            )
        });
        let small = self.small(&all, cycle_height);
        let residual = residual_cycle(&small, self.unit).map(|plot| {
            Picture::new(
                plot,
                format!(
                    "The mean cycle with each remedy, side by side on a scale of their own, numbered as in the legend.{}",
                    self.not_enlarged(&all, &small, why)
                ),
            )
        });
        common.into_iter().chain(residual).collect()
    }

    fn time(&self) -> Option<Picture> {
        let tracks = self.of(|shown| {
            let track = shown.measurement.track.as_ref()?;
            (track.points.len() >= LONG_RECORD_POINTS).then(|| told(track, shown.measurement))
        });
        let shown: Vec<Trace<&Track>> = tracks
            .iter()
            .map(|trace| Trace::new(trace.role, trace.label.clone(), &trace.data))
            .collect();
        let plot = against_time(&shown, self.unit)?;
        let caption = format!(
            "How steady hum, offset and mains frequency were within the record; no frequency is told where no mains was found, and the noise has one figure a record.{}",
            self.not_in_it(&tracks, "its record is too short to be cut into segments")
        );
        Some(Picture::new(plot, caption))
    }
}

/// The track without a frequency that nothing was found to have.
fn told(track: &Track, measurement: &Measurement) -> Track {
    let mut track = track.clone();
    if !measurement.mains.detected {
        for point in &mut track.points {
            point.frequency_hz = f64::NAN;
        }
    }
    track
}

fn roles<T>(traces: &[Trace<T>]) -> impl Iterator<Item = Role> {
    traces.iter().map(|trace| trace.role)
}

fn orders(result: &SessionResult) -> Vec<Trace<Vec<(usize, Estimate)>>> {
    let Some(common) = result.comparison() else {
        return Vec::new();
    };
    let mut traces = vec![
        Trace::new(Role::Baseline, "baseline", readings(common, |q| q.baseline)),
        Trace::new(Role::Looped, "looped", readings(common, |q| q.looped)),
    ];
    traces.extend(
        remedies(result)
            .zip(&result.remedies)
            .map(|((role, name), remedy)| {
                Trace::new(role, name, readings(&remedy.comparison, |q| q.isolated))
            }),
    );
    resolved_only(traces)
}

/// Orders and lines that stand above the noise with the loop closed or the remedy in place, and what became of each.
fn changes(remedy: &RemedyResult) -> Vec<(f64, DecibelRatio)> {
    let comparison = &remedy.comparison;
    let change = |quantity: &ComparedQuantity| {
        let stands = |e: Option<Estimate>| e.is_some_and(|e| e.low > 0.0);
        let told = quantity.claimed(quantity.improvement_db)?;
        (stands(quantity.looped) || stands(quantity.isolated)).then_some(told)
    };
    let orders = comparison.quantities.iter().filter_map(|quantity| {
        let Quantity::Harmonic(order) = quantity.name else {
            return None;
        };
        let hz = order as f64 * comparison.mains_nominal_hz;
        Some((hz, change(quantity)?))
    });
    let lines = comparison.lines.iter();
    let lines = lines.filter_map(|l| Some((l.frequency_hz.value, change(&l.quantity)?)));
    orders.chain(lines).collect()
}

fn improvements(result: &SessionResult) -> Vec<DecibelRow> {
    IMPROVED
        .into_iter()
        .map(|name| DecibelRow {
            figure: name.label().into_owned(),
            ratios: remedies(result)
                .zip(&result.remedies)
                .filter_map(|((role, label), remedy)| {
                    let quantity = remedy.quantity(name)?;
                    let ratio = quantity.claimed(quantity.improvement_db)?;
                    Some(Trace::new(role, label, ratio))
                })
                .collect(),
        })
        .filter(|row| !row.ratios.is_empty())
        .collect()
}
