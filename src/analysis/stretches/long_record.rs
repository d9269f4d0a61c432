//! A long record: fitted stretch by stretch in bounded memory, joined at its end.
//!
//! Stretches that follow start where the one before ended: at its fundamental and with its tones.

use super::fitted::FittedRecord;
use super::follow::follow;
use super::joined::{Joined, known_tone};
use super::kept::KeptFits;
use super::stretch_fit::StretchFit;
use crate::analysis::combination::series_detected;
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::{Limits, Stream};
use crate::analysis::series::mean_fundamental;
use crate::analysis::stream::{Known, RecordFit, Segmented, density, fit_stream};
use crate::hum::Presence;
use crate::stats::LinePower;

/// Length of a stretch, s; longer where a band below an eighth of a hertz is asked for.
const STRETCH_S: f64 = 32.0;
/// Length where the first stretch shows no series, for a weak one to be found.
const LONG_STRETCH_S: f64 = 64.0;
/// Fewest samples of a stretch, for records of low rate, and most, so that memory stays bounded.
const LEAST_STRETCH: usize = 1 << 12;
const MOST_STRETCH: usize = 1 << 24;
/// Share of a stretch that is not left over for the last one.
const REST: f64 = 0.25;
/// Probability that one stretch's own search finds a series where there is none.
const FALSE_ALARM: f64 = 1e-4;

/// The low-rate samples of a long record, fitted as they come.
#[derive(Debug)]
pub(crate) struct Stretches {
    rate_hz: f64,
    clean_to_hz: f64,
    length: usize,
    /// Length of a stretch where the first one shows no series.
    long: usize,
    /// Samples that wait for their stretch to be full.
    pub(crate) pending: Vec<f64>,
    /// Samples fitted that were not finite.
    gaps: usize,
    joined: Option<Joined>,
    /// The converter's step, of a record that is one stretch.
    pub(crate) step: Option<f64>,
    /// What a first reading told.
    known: Option<Known>,
}

impl Stretches {
    /// For samples at `rate_hz`; `known` from a first reading that found the series late.
    pub(crate) fn new(
        rate_hz: f64,
        clean_to_hz: f64,
        options: &MeasureOptions,
        known: Option<Known>,
    ) -> Self {
        // A density resolves a quarter of the band's lower edge.
        let lowest = options.band_hz.map_or(f64::INFINITY, |b| b.0);
        let length = |s: f64| {
            let samples = s.max(4.2 / lowest).min(1e9).round() * rate_hz.round().max(1.0);
            (samples as usize).clamp(LEAST_STRETCH, MOST_STRETCH)
        };
        Self {
            rate_hz,
            clean_to_hz,
            length: length(STRETCH_S),
            long: length(LONG_STRETCH_S),
            pending: Vec::new(),
            gaps: 0,
            joined: None,
            step: None,
            known,
        }
    }

    /// Samples that are not finite, and all samples, so far.
    pub(crate) fn gaps(&self) -> (usize, usize) {
        let waiting = self.pending.iter().filter(|x| !x.is_finite()).count();
        let fitted = self.joined.as_ref().map_or(0, |j| j.samples);
        (self.gaps + waiting, fitted + self.pending.len())
    }

    /// Fits the stretches that are full. `Some`: a series shows that the stretches before did not start from;
    /// the record is to be read again.
    pub(crate) fn work(&mut self, limits: Limits<'_>, options: &MeasureOptions) -> Option<Known> {
        while self.pending.len() as f64 >= (1.0 + REST) * self.length as f64 {
            let rest = self.pending.split_off(self.length);
            let stretch = std::mem::replace(&mut self.pending, rest);
            if let Some(found) = self.fit(stretch, limits, options, false) {
                return Some(found);
            }
        }
        None
    }

    /// Fits what is left; the whole record with its mean.
    pub(crate) fn finish(
        mut self,
        rate_hz: f64,
        limits: Limits<'_>,
        options: &MeasureOptions,
    ) -> FittedRecord {
        let rest = std::mem::take(&mut self.pending);
        let Some(joined) = &self.joined else {
            let (mut stream, mean) = Stream::new(rest, rate_hz, self.clean_to_hz, limits, None);
            stream.step = self.step;
            return FittedRecord {
                fit: fit_stream(&stream, options, None).record,
                stream,
                mean,
                faint: None,
            };
        };
        let mean = joined.mean;
        if !rest.is_empty() {
            // What the record's greater part did not show is not looked for in its last stretch.
            self.fit(rest, limits, options, true);
        }
        let stream = Stream {
            samples: Vec::new(),
            rate_hz,
            gaps: Vec::new(),
            slow_to_hz: 0.0,
            present: 1.0,
            clean_to_hz: self.clean_to_hz * rate_hz / self.rate_hz,
            step: None,
        };
        let (fit, faint) = match self.joined {
            Some(joined) => {
                let (fit, faint) = joined.finish(&stream);
                (fit, Some(faint))
            }
            None => (fit_stream(&stream, options, None).record, None),
        };
        FittedRecord {
            stream,
            fit,
            mean,
            faint,
        }
    }

    fn fit(
        &mut self,
        samples: Vec<f64>,
        limits: Limits<'_>,
        options: &MeasureOptions,
        last: bool,
    ) -> Option<Known> {
        let mean = self.joined.as_ref().map(|j| j.mean);
        let kept = (mean.is_none() && self.length < self.long).then(|| samples.clone());
        let (stream, mean) = Stream::new(samples, self.rate_hz, self.clean_to_hz, limits, mean);
        self.gaps += stream.gaps.len();
        let told = self.known.as_ref();
        let Some(joined) = &mut self.joined else {
            let fit = fit_stream(&stream, options, told);
            let found = told.is_some() || stands(&fit.record, self.rate_hz);
            if let Some(mut kept) = kept.filter(|_| !found) {
                self.gaps -= stream.gaps.len();
                self.length = self.long;
                kept.append(&mut self.pending);
                self.pending = kept;
                return None;
            }
            self.joined = Some(Joined::new(fit, mean, self.rate_hz, found));
            return None;
        };
        if !joined.found && told.is_none() && !last {
            let fit = fit_stream(&stream, options, None);
            if stands(&fit.record, self.rate_hz) {
                return Some(known_of(&fit.record));
            }
        }
        let known = joined.known();
        let segmented = Segmented::new(&stream, options);
        let followed = stream
            .gaps
            .is_empty()
            .then(|| follow(&segmented, &known, &joined.settings, &joined.estimator))
            .flatten();
        joined.add(match followed {
            Some(followed) => {
                let total = (options.detail.spectrum)
                    .then(|| density(&joined.estimator, &stream.samples, stream.rate_hz));
                StretchFit::of_followed(followed, total, &joined.settings, &stream, options)
            }
            None => fit_stream(&stream, options, Some(&known)).into(),
        });
        None
    }
}

/// Whether a stretch shows a series by itself.
fn stands(fit: &RecordFit, rate_hz: f64) -> bool {
    match fit.presence {
        Presence::Present(_) => return true,
        Presence::Absent { plain: false } => return false,
        _ => {}
    }
    let powers: Vec<LinePower> = fit.combined.harmonics.iter().map(|h| h.power).collect();
    let duration_s = fit.samples as f64 / rate_hz;
    fit.decided && series_detected(&powers, duration_s, fit.nominal_hz, FALSE_ALARM)
}

fn known_of(fit: &RecordFit) -> Known {
    let tones = fit.tones.iter().map(|t| {
        let mut kept = KeptFits::new(1);
        kept.add(&t.segments, 0);
        kept
    });
    Known {
        nominal_hz: fit.nominal_hz,
        decided: fit.decided,
        aside: fit.settings.aside.clone(),
        muted: fit.settings.muted.clone(),
        fundamental: mean_fundamental(&fit.segments).unwrap_or_default(),
        tones: tones
            .filter_map(|t| known_tone(&t, &fit.settings))
            .collect(),
    }
}
