//! The stretches of a long record, joined.
//!
//! Of each stretch stay its segments' fits, the densities before and after the lines were taken out, and the
//! residual's means over an eighth of a second. The figures are those of one combination over all segments.

use super::kept::KeptFits;
use crate::analysis::combined::{OrderNoise, combine};
use crate::analysis::figures::Folding;
use crate::analysis::figures::HarmonicGroups;
use crate::analysis::noise::SlowNoise;
use crate::analysis::noise::{NoiseFloor, RemovedLine};
use crate::analysis::options::MeasureOptions;
use crate::analysis::series::{FitSettings, SegmentFit};
use crate::analysis::stream::Followed;
use crate::analysis::stream::KnownTone;
use crate::analysis::stream::{
    Known, OtherContent, Stream, StreamFit, ToneFit, Work, details, lines_hz, mean_fundamental,
};
use crate::analysis::tones::find_peaks;
use crate::hum::Presence;
use crate::spectrum::{Density, Multitaper, Weighting};
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;

/// Means of the residual that are kept, Hz.
const MEANS_HZ: f64 = 8.0;
/// Power over its variance a component from which a segment tells a tone's frequency to a tenth of its cell, and how many
/// of the latest segments say where it is.
const STRONG: f64 = 30.0;
const LATEST: usize = 16;

/// The fits of one stretch.
pub(crate) struct StretchFit {
    weighting: Weighting,
    highest_guide: usize,
    segments: Vec<SegmentFit>,
    tones: Vec<Vec<SegmentFit>>,
    density: Density,
    total: Option<Density>,
    samples: usize,
    mean: f64,
    residual: Vec<f64>,
    present: f64,
    folding: Option<Folding>,
    groups: Option<HarmonicGroups>,
    other: OtherContent,
    slow_to_hz: f64,
}

impl From<StreamFit> for StretchFit {
    fn from(fit: StreamFit) -> Self {
        Self {
            weighting: fit.settings.weighting,
            highest_guide: fit.settings.highest_guide(),
            segments: fit.segments,
            tones: fit.tones.into_iter().map(|t| t.segments).collect(),
            density: fit.density,
            total: Some(fit.total),
            samples: fit.samples,
            mean: fit.mean,
            residual: fit.residual,
            present: fit.present,
            folding: fit.folding,
            groups: fit.groups,
            other: fit.other,
            slow_to_hz: fit.slow_to_hz,
        }
    }
}

impl StretchFit {
    pub(crate) fn of_followed(
        followed: Followed,
        total: Option<Density>,
        settings: &FitSettings,
        stream: &Stream,
        options: &MeasureOptions,
    ) -> Self {
        let samples = stream.samples.len();
        let fundamental_hz =
            mean_fundamental(&followed.segments).unwrap_or_default() * stream.rate_hz;
        let (folding, groups) = details(stream, options, &followed.segments, fundamental_hz);
        Self {
            weighting: settings.weighting,
            highest_guide: settings.highest_guide(),
            segments: followed.segments,
            tones: followed.tones,
            density: followed.density,
            total,
            samples,
            mean: stream.samples.iter().sum::<f64>() / samples.max(1) as f64,
            residual: followed.residual,
            present: 1.0,
            folding,
            groups,
            other: OtherContent::default(),
            slow_to_hz: 0.0,
        }
    }
}

/// A tone from the stretch on in which it was first seen.
#[derive(Debug)]
struct Tone {
    segments: KeptFits,
    from: usize,
}

/// What stays of the stretches fitted so far.
#[derive(Debug)]
pub(crate) struct Joined {
    /// Mean taken off every stretch.
    pub(crate) mean: f64,
    /// Whether the first stretch, or an earlier reading, shows a series.
    pub(crate) found: bool,
    nominal_hz: f64,
    decided: bool,
    orders: usize,
    pub(crate) settings: FitSettings,
    pub(crate) estimator: Multitaper,
    segments: KeptFits,
    /// Variance of each segment's coefficients against even weights.
    spreads: Vec<f64>,
    highest_guide: usize,
    tones: Vec<Tone>,
    density: Density,
    total: Density,
    pub(crate) samples: usize,
    sum: f64,
    squares: f64,
    /// Samples times the share of the noise that filling gaps left in them.
    present: f64,
    means: Means,
    folding: Option<Folding>,
    groups: Option<HarmonicGroups>,
    presence: Presence,
    other: OtherContent,
    slow_to_hz: f64,
    rate_hz: f64,
}

/// The residual's means over equal blocks.
#[derive(Debug)]
struct Means {
    block: usize,
    values: Vec<f64>,
    sum: f64,
    count: usize,
}

impl Means {
    fn push(&mut self, samples: &[f64]) {
        for &x in samples {
            self.sum += x;
            self.count += 1;
            if self.count == self.block {
                self.values.push(self.sum / self.block as f64);
                (self.sum, self.count) = (0.0, 0);
            }
        }
    }
}

impl Joined {
    pub(crate) fn new(fit: StreamFit, mean: f64, rate_hz: f64, found: bool) -> Self {
        let start = |of: &Density| Density {
            values: vec![0.0; of.values.len()],
            records: 0,
            ..of.clone()
        };
        let mut joined = Self {
            mean,
            found,
            nominal_hz: fit.nominal_hz,
            decided: fit.decided,
            orders: fit.orders,
            settings: fit.settings.clone(),
            estimator: fit.estimator.clone(),
            segments: KeptFits::new(fit.orders),
            spreads: Vec::new(),
            highest_guide: fit.settings.highest_guide(),
            tones: Vec::new(),
            density: start(&fit.density),
            total: start(&fit.total),
            samples: 0,
            sum: 0.0,
            squares: 0.0,
            present: 0.0,
            means: Means {
                block: ((rate_hz / MEANS_HZ).round() as usize).max(1),
                values: Vec::new(),
                sum: 0.0,
                count: 0,
            },
            folding: None,
            groups: None,
            presence: fit.presence.clone(),
            other: OtherContent::default(),
            slow_to_hz: 0.0,
            rate_hz,
        };
        joined.add(fit.into());
        joined
    }

    /// Where the next stretch starts from.
    pub(crate) fn known(&self) -> Known {
        Known {
            nominal_hz: self.nominal_hz,
            decided: self.decided,
            aside: self.settings.aside.clone(),
            muted: self.settings.muted.clone(),
            fundamental: self.segments.latest_fundamental(1).unwrap_or_default(),
            tones: self
                .tones
                .iter()
                .filter_map(|t| known_tone(&t.segments, &self.settings))
                .collect(),
        }
    }

    pub(crate) fn add(&mut self, fit: StretchFit) {
        let from = self.samples;
        self.other.add(&fit.other, from as f64 / self.rate_hz);
        self.slow_to_hz = self.slow_to_hz.max(fit.slow_to_hz);
        let spread = match fit.weighting {
            Weighting::Rectangular => 1.0,
            Weighting::Hann => 1.5,
        };
        self.segments.add(&fit.segments, from);
        self.spreads.resize(self.segments.len(), spread);
        self.highest_guide = self.highest_guide.min(fit.highest_guide);
        for (i, tone) in fit.tones.iter().enumerate() {
            if i == self.tones.len() {
                self.tones.push(Tone {
                    segments: KeptFits::new(1),
                    from,
                });
            }
            self.tones[i].segments.add(tone, from);
        }
        self.density.add(&fit.density);
        if let Some(total) = &fit.total {
            self.total.add(total);
        }
        self.samples += fit.samples;
        self.sum += fit.mean * fit.samples as f64;
        self.squares += fit.residual.iter().map(|r| r * r).sum::<f64>();
        self.present += fit.present * fit.samples as f64;
        self.means.push(&fit.residual);
        match (&mut self.folding, fit.folding) {
            (Some(mine), Some(theirs)) => mine.join(&theirs),
            (mine, theirs) => *mine = mine.take().or(theirs),
        }
        match (&mut self.groups, fit.groups) {
            (Some(mine), Some(theirs)) => mine.join(&theirs),
            (mine, theirs) => *mine = mine.take().or(theirs),
        }
    }

    /// The figures' basis over all stretches, at the rate of `stream` as it is known in the end.
    pub(crate) fn finish(mut self, stream: &Stream, options: &MeasureOptions) -> StreamFit {
        let segments = self.segments.segments();
        let rate = stream.rate_hz;
        let count = self.samples as f64;
        let present = self.present / count;
        self.density.rescale(rate);
        self.total.rescale(rate);
        let pieces = segments
            .iter()
            .map(|s| {
                let from = (s.centre - 0.5 * (s.fit.length as f64 - 1.0)).round() as usize;
                (from, from + s.fit.length)
            })
            .collect();
        let stream = &Stream {
            slow_to_hz: self.slow_to_hz,
            ..stream.clone()
        };
        let work = Work::of_pieces(stream, options, pieces, present);
        let starts: Vec<usize> = self.tones.iter().map(|t| t.from).collect();
        let tones: Vec<Vec<SegmentFit>> = self
            .tones
            .into_iter()
            .map(|t| t.segments.segments())
            .collect();
        let mut lines = work.removed_lines(
            &self.estimator,
            &self.density,
            &self.settings,
            &segments,
            &tones,
        );
        let floor = NoiseFloor::new(&self.estimator, &self.density, &lines);
        let faint_hz = faint(&self.density, &floor, stream.clean_to_hz, &segments, rate);
        let scar = (0.5 * self.estimator.tapers() as f64 + 2.0) * self.density.bin_hz;
        lines.extend(faint_hz.iter().map(|&frequency_hz| RemovedLine {
            frequency_hz,
            fitted_over_s: 1.0 / self.density.bin_hz,
            covers_hz: scar,
        }));
        let floor = NoiseFloor::new(&self.estimator, &self.density, &lines).raised(1.0 / present);
        let (variances, dofs) = work.noise_variances(&self.settings, &floor, &segments);
        let mut settings = self.settings;
        let noise: Vec<OrderNoise> = (1..=self.orders)
            .map(|k| OrderNoise {
                variances: segments
                    .iter()
                    .zip(&self.spreads)
                    .map(|(s, spread)| spread * 2.0 * variances[k] / s.fit.length as f64)
                    .collect(),
                dof: dofs[k],
                guides: !settings.aside.contains(&k),
            })
            .collect();
        settings.noise = variances;
        let combined = combine(&segments, &noise, self.highest_guide, rate, self.samples);
        let mut lines_hz = lines_hz(&segments, &tones, rate);
        lines_hz.extend(&faint_hz);
        let means_hz = rate / self.means.block as f64;
        let slow = SlowNoise::new(&self.means.values, means_hz, &lines_hz, present, &floor);
        let tones = tones
            .into_iter()
            .zip(starts)
            .map(|(segments, from)| {
                let noise = work.tone_noise(&floor, &segments);
                joined_tone(segments, noise, from, rate, self.samples)
            })
            .collect();
        StreamFit {
            interval: None,
            nominal_hz: self.nominal_hz,
            decided: self.decided,
            orders: self.orders,
            settings,
            segments,
            combined,
            noise,
            tones,
            floor,
            slow,
            present,
            total: self.total,
            samples: self.samples,
            residual: Vec::new(),
            left: self.density.mean(),
            density: self.density,
            residual_rms: (self.squares / count).sqrt(),
            estimator: self.estimator,
            presence: self.presence,
            other: self.other,
            residual_mean: self.sum / count,
            slow_to_hz: self.slow_to_hz,
            track_series: Vec::new(),
            part_s: None,
            faint_hz,
            folding: self.folding,
            groups: self.groups,
            mean: self.sum / count,
        }
    }
}

/// A tone over the part of the record from its first stretch on, its power averaged over the whole.
fn joined_tone(
    mut segments: Vec<SegmentFit>,
    noise: OrderNoise,
    from: usize,
    rate_hz: f64,
    samples: usize,
) -> ToneFit {
    for segment in &mut segments {
        segment.centre -= from as f64;
    }
    let mut combined = combine(&segments, &[noise], 1, rate_hz, samples - from);
    let share = (samples - from) as f64 / samples as f64;
    for line in &mut combined.harmonics {
        let p = line.power;
        line.power = LinePower::new(
            p.observed_v2 * share,
            p.noise_v2 * share,
            p.components,
            p.noise_dof,
        );
    }
    ToneFit { combined, segments }
}

/// Lines that stand in the whole record's residual and in no stretch's, Hz: not those that a strong harmonic leaves
/// beside itself.
fn faint(
    residual: &Density,
    floor: &NoiseFloor,
    up_to_hz: f64,
    segments: &[SegmentFit],
    rate_hz: f64,
) -> Vec<f64> {
    let fundamental_hz = mean_fundamental(segments).unwrap_or_default() * rate_hz;
    let power = |order: usize| {
        let of = |s: &SegmentFit| s.fit.harmonics.get(order - 1).map(Complex64::norm_sqr);
        0.5 * segments.iter().filter_map(of).sum::<f64>() / segments.len().max(1) as f64
    };
    let near = 4.0 * residual.bin_hz;
    find_peaks(residual, floor, 2.0 * residual.bin_hz)
        .into_iter()
        .filter(|peak| {
            let order = (peak.frequency_hz / fundamental_hz).round();
            let beside = fundamental_hz > 0.0
                && order >= 1.0
                && (peak.frequency_hz - order * fundamental_hz).abs() < near;
            let level = floor.level_at(peak.frequency_hz, 0.0).0;
            let own = peak.ratio * level * residual.bin_hz * residual.tapers as f64;
            peak.frequency_hz <= up_to_hz && !(beside && own < 1e-4 * power(order as usize))
        })
        .map(|peak| peak.frequency_hz)
        .collect()
}

/// A tone as its segments show it, in the noise of the order next to it.
pub(crate) fn known_tone(segments: &KeptFits, series: &FitSettings) -> Option<KnownTone> {
    let middle = 0.5 * (series.range.0 + series.range.1);
    let whole = segments.latest_fundamental(segments.len())?;
    let order = ((whole / middle).round() as usize).clamp(1, series.orders.max(1));
    let noise = series.noise.get(order).copied().unwrap_or_default();
    let strong = segments.power() > STRONG * 3.0 * noise / segments.length() as f64;
    // A strong one may move from stretch to stretch.
    let place = if strong {
        segments.latest_fundamental(LATEST)?
    } else {
        whole
    };
    Some(KnownTone { place, strong })
}
