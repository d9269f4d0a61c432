//! What the fit of a stream gives.

use crate::analysis::combination::{Combined, OrderNoise};
use crate::analysis::details::Details;
use crate::analysis::interval::IntervalFit;
use crate::analysis::noise::{NoiseFloor, SlowNoise};
use crate::analysis::series::{FitSettings, SegmentFit, mean_fundamental};
use crate::hum::{Foreground, Modulation, Presence, Unseen};
use crate::spectrum::{Density, Multitaper};

/// A tone: a series of one order.
#[derive(Debug, Clone)]
pub(crate) struct ToneFit {
    pub(crate) combined: Combined,
    pub(crate) segments: Vec<SegmentFit>,
}

/// What a record holds: a stream, or the stretches of a longer one joined.
#[derive(Debug, Clone)]
pub(crate) struct RecordFit {
    pub(crate) nominal_hz: f64,
    /// Whether that nominal is stated, or told from the other.
    pub(crate) decided: bool,
    pub(crate) orders: usize,
    pub(crate) settings: FitSettings,
    pub(crate) segments: Vec<SegmentFit>,
    pub(crate) combined: Combined,
    /// Noise beside each order with degrees of freedom (index 0: order 1).
    pub(crate) noise: Vec<OrderNoise>,
    pub(crate) tones: Vec<ToneFit>,
    pub(crate) floor: NoiseFloor,
    /// The noise near 0 Hz.
    pub(crate) slow: SlowNoise,
    /// Share of the noise that filling gaps left in the samples.
    pub(crate) present: f64,
    /// By how much gaps that lie alike in every cycle raise the offset's variance beyond that.
    pub(crate) offset_dearer: f64,
    /// Density of the samples as they are.
    pub(crate) total: Density,
    /// Samples fitted, and the stretches that they were fitted in.
    pub(crate) samples: usize,
    pub(crate) stretches: usize,
    /// RMS about the mean, and mean, of what series and tones leave.
    pub(crate) residual_rms: f64,
    pub(crate) residual_mean: f64,
    /// Parts computed only where asked for.
    pub(crate) details: Details,
    /// The fit of what the samples only bound, where it was needed.
    pub(crate) interval: Option<IntervalFit>,
    /// What a look at the lines of the stream, or of the first stretch, says of the series.
    pub(crate) presence: Presence,
    /// Where none is seen, the strongest that may be there; of a record of several stretches nothing.
    pub(crate) unseen: Option<Unseen>,
    /// What it holds beside interference.
    pub(crate) other: OtherContent,
    /// Frequency up to which slow content was taken off, Hz.
    pub(crate) slow_to_hz: f64,
    pub(crate) course: HumCourse,
    /// What comes and goes of the orders beside what was followed; of a record of several stretches or parts nothing.
    pub(crate) modulation: Modulation,
}

impl RecordFit {
    /// Each tone's fits, segment by segment.
    pub(super) fn tone_segments(&self) -> Vec<Vec<SegmentFit>> {
        let tones = self.tones.iter();
        tones.map(|tone| tone.segments.clone()).collect()
    }
}

/// How hum is there in a record.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) enum HumCourse {
    #[default]
    Throughout,
    /// From when to when, s from the first sample.
    Within(f64, f64),
    /// At another level from each of these times on, s from the first sample.
    Stepped(Vec<f64>),
    /// With another phase or frequency from each of these times on, s from the first sample.
    Turned(Vec<f64>),
}

/// The fit of one stream, and what it leaves.
#[derive(Debug, Clone)]
pub(crate) struct StreamFit {
    pub(crate) record: RecordFit,
    pub(crate) residual: Vec<f64>,
    /// The series where tracks describe it, else empty.
    pub(crate) track_series: Vec<f64>,
    /// Density of the residual, and the tapers it was taken with.
    pub(crate) density: Density,
    pub(crate) estimator: Multitaper,
}

/// What was taken out of a stream, or left out, for not being interference.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct OtherContent {
    /// Steps, s from the stream's start.
    pub(crate) steps_s: Vec<f64>,
    /// Smallest to largest value of slow content.
    pub(crate) slow_span: f64,
    /// Samples of events and when the first begins, s.
    pub(crate) events: usize,
    pub(crate) first_event_s: Option<f64>,
    /// Mean square of what repeats with the mains' cycle where all of that was found: hum that is not as the model has it.
    pub(crate) like_hum: f64,
}

impl OtherContent {
    pub(super) fn new(found: &Foreground, rate_hz: f64) -> Self {
        Self {
            steps_s: found.steps.iter().map(|n| *n as f64 / rate_hz).collect(),
            slow_span: found.slow_span,
            events: found.events,
            first_event_s: found.first_event.map(|n| n as f64 / rate_hz),
            like_hum: 0.0,
        }
    }

    /// Whether anything was found.
    pub(crate) fn is_some(&self) -> bool {
        *self != Self::default()
    }

    /// Adds what a stretch that begins at `from_s` holds.
    pub(crate) fn add(&mut self, stretch: &Self, from_s: f64) {
        self.steps_s
            .extend(stretch.steps_s.iter().map(|s| s + from_s));
        self.slow_span = self.slow_span.max(stretch.slow_span);
        self.events += stretch.events;
        self.like_hum = self.like_hum.max(stretch.like_hum);
        self.first_event_s = self
            .first_event_s
            .or(stretch.first_event_s.map(|s| s + from_s));
    }
}

/// What an earlier stretch of the same record told.
#[derive(Debug, Clone)]
pub(crate) struct Known {
    pub(crate) nominal_hz: f64,
    pub(crate) decided: bool,
    /// Fundamental to start from, cycles per sample.
    pub(crate) fundamental: f64,
    pub(crate) tones: Vec<KnownTone>,
    /// Orders that do not tell the fundamental, and those that are not fitted.
    pub(crate) aside: Vec<usize>,
    pub(crate) muted: Vec<usize>,
}

/// A tone that an earlier stretch told.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KnownTone {
    /// Cycles per sample.
    pub(crate) place: f64,
    /// Whether one segment tells its frequency.
    pub(crate) strong: bool,
}

/// Frequencies, Hz, of a series' fundamental, where it has orders, and of tones.
pub(crate) fn lines_hz(
    segments: &[SegmentFit],
    tones: &[Vec<SegmentFit>],
    rate_hz: f64,
) -> Vec<f64> {
    let has_orders = segments
        .first()
        .is_some_and(|s| !s.fit.harmonics.is_empty());
    mean_fundamental(segments)
        .filter(|_| has_orders)
        .into_iter()
        .chain(tones.iter().filter_map(|t| mean_fundamental(t)))
        .map(|f| f * rate_hz)
        .collect()
}
