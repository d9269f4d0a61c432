//! The parts of a measurement that are computed only where asked for.

use super::folding::Folding;
use super::groups::harmonic_groups;
use crate::analysis::harmonic_groups::HarmonicGroups;
use crate::analysis::measurement::Folded;
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::Stream;
use crate::analysis::series::SegmentFit;
use ndarray::ArrayView1;

/// What was asked for of one stream, or of stretches joined.
#[derive(Debug, Clone, Default)]
pub(crate) struct Details {
    folding: Option<Folding>,
    groups: Option<HarmonicGroups>,
}

impl Details {
    pub(crate) fn new(
        stream: &Stream,
        options: &MeasureOptions,
        segments: &[SegmentFit],
        fundamental_hz: f64,
    ) -> Self {
        let folding = options.detail.folded.then(|| {
            let mut folding = Folding::new();
            folding.add(&stream.samples, segments);
            folding
        });
        let groups = options.detail.harmonic_groups.then(|| {
            let carried = (stream.clean_to_hz / fundamental_hz).floor() as usize;
            let orders = options.harmonics.min(carried.saturating_sub(1));
            let samples = ArrayView1::from(&stream.samples);
            harmonic_groups(&samples, stream.rate_hz, fundamental_hz, orders).ok()
        });
        Self {
            folding,
            groups: groups.flatten(),
        }
    }

    /// These with the groups of others.
    pub(crate) fn with_groups_of(self, other: Self) -> Self {
        Self {
            groups: other.groups,
            ..self
        }
    }

    /// Takes in those of the stretch that follows.
    pub(crate) fn join(&mut self, other: Self) {
        joined(&mut self.folding, other.folding, Folding::join);
        joined(&mut self.groups, other.groups, HarmonicGroups::join);
    }

    pub(crate) fn folded(&self) -> Option<Folded> {
        self.folding.as_ref().map(Folding::figures)
    }

    /// The groups with each order's amplitudes divided by its gain.
    pub(crate) fn groups(&self, gain: impl Fn(usize) -> f64) -> Option<HarmonicGroups> {
        let mut groups = self.groups.clone()?;
        for group in &mut groups.orders {
            group.divide(gain(group.order));
        }
        Some(groups)
    }
}

fn joined<T>(mine: &mut Option<T>, theirs: Option<T>, join: fn(&mut T, T)) {
    match (mine.as_mut(), theirs) {
        (Some(mine), Some(theirs)) => join(mine, theirs),
        (_, theirs) => *mine = mine.take().or(theirs),
    }
}
