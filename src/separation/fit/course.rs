//! How a record's mains runs, as its measurement tells it: where every fit of the series starts.

use crate::analysis::{MeasureOptions, Measurement, measure};
use crate::capture::{Capture, MemorySource};
use crate::separation::options::HarmonicOptions;

/// The fundamental against time.
#[derive(Debug, Clone)]
pub(crate) struct Course {
    pub(crate) nominal_hz: f64,
    pub(crate) mean_hz: f64,
    /// Times, s, and the frequency there; none where the record has one frequency alone.
    points: Vec<(f64, f64)>,
}

impl Course {
    /// A fundamental that stays where it is.
    pub(crate) fn steady(nominal_hz: f64, mean_hz: f64) -> Self {
        Self {
            nominal_hz,
            mean_hz,
            points: Vec::new(),
        }
    }

    /// What a measurement tells; `None` where it shows no mains.
    pub(crate) fn of(measured: &Measurement) -> Option<Self> {
        let mains = &measured.mains;
        if !mains.detected {
            return None;
        }
        let mean_hz = mains.frequency_hz.map_or(mains.nominal_hz, |f| f.value);
        let track = measured.track.iter().flat_map(|track| &track.points);
        Some(Self {
            points: track
                .filter(|p| p.frequency_hz.is_finite() && p.frequency_hz > 0.0)
                .map(|p| (p.time_s, p.frequency_hz))
                .collect(),
            ..Self::steady(mains.nominal_hz, mean_hz)
        })
    }

    /// What samples in memory show; `None` also where their measurement is refused (too short, too much missing).
    pub(crate) fn measured(
        samples: &[f64],
        rate_hz: f64,
        options: &HarmonicOptions,
    ) -> Option<Self> {
        let capture = Capture::from_samples("", rate_hz, samples).ok()?;
        let options = MeasureOptions {
            mains: options.mains,
            ..MeasureOptions::default()
        };
        let measured = measure(&mut MemorySource::new(&capture), &options).ok()?;
        measured.last().and_then(Self::of)
    }

    /// The part of a record that begins at `start_s`, in its own time.
    pub(crate) fn from(&self, start_s: f64) -> Self {
        let points = self.points.iter().map(|(t, f)| (t - start_s, *f));
        Self {
            points: points.collect(),
            ..*self
        }
    }

    /// The mean alone.
    pub(crate) fn without_points(&self) -> Self {
        Self::steady(self.nominal_hz, self.mean_hz)
    }

    pub(crate) fn is_steady(&self) -> bool {
        self.points.is_empty()
    }

    /// Least and largest frequency on its way.
    pub(crate) fn range(&self) -> (f64, f64) {
        let frequencies = self.points.iter().map(|(_, f)| *f);
        frequencies.fold((self.mean_hz, self.mean_hz), |(low, high), f| {
            (low.min(f), high.max(f))
        })
    }

    /// Frequency at a time, linear between points and held at the ends.
    pub(crate) fn frequency_at(&self, time_s: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 < time_s);
        match (
            after.checked_sub(1).map(|i| self.points[i]),
            self.points.get(after),
        ) {
            (Some((t0, f0)), Some(&(t1, f1))) => f0 + (f1 - f0) * (time_s - t0) / (t1 - t0),
            (Some((_, f)), None) | (None, Some(&(_, f))) => f,
            (None, None) => self.mean_hz,
        }
    }
}
