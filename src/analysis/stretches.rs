//! A long record: fitted stretch by stretch in bounded memory, joined at its end.
//!
//! Of each stretch stay its segments' fits, the densities before and after the lines were taken out, and the
//! residual's means over an eighth of a second. The figures are those of one combination over all segments.
//! Stretches that follow start where the one before ended: at its fundamental and with its tones.

use super::assemble::series_detected;
use super::channel::{
    Known, KnownTone, Stream, StreamFit, ToneFit, Work, details, fit_stream, mean_fundamental,
};
use super::combine::{OrderNoise, combine};
use super::folding::Folding;
use super::follow::Followed;
use super::gaps::{Gap, GapKind, bridge};
use super::groups::HarmonicGroups;
use super::kept::KeptFits;
use super::measurement::LinePower;
use super::noise_floor::{NoiseFloor, RemovedLine};
use super::options::MeasureOptions;
use super::segment::{FitSettings, SegmentFit};
use super::slow_noise::SlowNoise;
use super::tones::find_peaks;
use crate::spectrum::{Density, Multitaper, Weighting};
use rustfft::num_complex::Complex64;

/// Length of a stretch, s; longer where a band below an eighth of a hertz is asked for.
const STRETCH_S: f64 = 32.0;
/// Length where the first stretch shows no series, for a weak one to be found.
const LONG_STRETCH_S: f64 = 64.0;
/// Share of a stretch that is not left over for the last one.
const REST: f64 = 0.25;
/// Means of the residual that are kept, Hz.
const MEANS_HZ: f64 = 8.0;
/// Probability that one stretch's own search finds a series where there is none.
const FALSE_ALARM: f64 = 1e-4;

/// Power over its variance a component from which a segment tells a tone's frequency to a tenth of its cell, and how many
/// of the latest segments say where it is.
const STRONG: f64 = 30.0;
const LATEST: usize = 16;

/// What marked samples are known to lie beyond, below and above, from a stretch of them.
pub(super) type Limits<'a> = &'a dyn Fn(&[f64]) -> (f64, f64);

/// The low-rate samples of a long record, fitted as they come.
#[derive(Debug)]
pub(super) struct Stretches {
    rate_hz: f64,
    clean_to_hz: f64,
    length: usize,
    /// Length of a stretch where the first one shows no series.
    long: usize,
    /// Samples that wait for their stretch to be full.
    pub(super) pending: Vec<f64>,
    /// Samples fitted that were not finite.
    gaps: usize,
    joined: Option<Joined>,
    /// What a first reading told.
    known: Option<Known>,
}

impl Stretches {
    /// For samples at `rate_hz`; `known` from a first reading that found the series late.
    pub(super) fn new(
        rate_hz: f64,
        clean_to_hz: f64,
        options: &MeasureOptions,
        known: Option<Known>,
    ) -> Self {
        // A density resolves a quarter of the band's lower edge.
        let lowest = options.band_hz.map_or(f64::INFINITY, |b| b.0);
        let length =
            |s: f64| (s.max(4.2 / lowest).min(1e9).round() * rate_hz.round().max(1.0)) as usize;
        Self {
            rate_hz,
            clean_to_hz,
            length: length(STRETCH_S),
            long: length(LONG_STRETCH_S),
            pending: Vec::new(),
            gaps: 0,
            joined: None,
            known,
        }
    }

    /// Samples that are not finite, and all samples, so far.
    pub(super) fn gaps(&self) -> (usize, usize) {
        let waiting = self.pending.iter().filter(|x| !x.is_finite()).count();
        let fitted = self.joined.as_ref().map_or(0, |j| j.samples);
        (self.gaps + waiting, fitted + self.pending.len())
    }

    /// Fits the stretches that are full. `Some`: a series shows that the stretches before did not start from;
    /// the record is to be read again.
    pub(super) fn work(&mut self, limits: Limits<'_>, options: &MeasureOptions) -> Option<Known> {
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
    pub(super) fn finish(
        mut self,
        rate_hz: f64,
        limits: Limits<'_>,
        options: &MeasureOptions,
    ) -> Finished {
        let rest = std::mem::take(&mut self.pending);
        let Some(joined) = &self.joined else {
            let (stream, mean) = stream_of(rest, rate_hz, self.clean_to_hz, limits, None);
            let fit = fit_stream(&stream, options, None);
            return Finished { stream, fit, mean };
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
            clean_to_hz: self.clean_to_hz * rate_hz / self.rate_hz,
        };
        let fit = self
            .joined
            .map(|joined| joined.finish(&stream, options))
            .unwrap_or_else(|| fit_stream(&stream, options, None));
        Finished { stream, fit, mean }
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
        let (stream, mean) = stream_of(samples, self.rate_hz, self.clean_to_hz, limits, mean);
        self.gaps += stream.gaps.len();
        let told = self.known.as_ref();
        let Some(joined) = &mut self.joined else {
            let fit = fit_stream(&stream, options, told);
            let found = told.is_some() || stands(&fit, self.rate_hz);
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
            if stands(&fit, self.rate_hz) {
                return Some(known_of(&fit));
            }
        }
        let known = joined.known();
        let work = Work::new(&stream, options);
        let followed = stream
            .gaps
            .is_empty()
            .then(|| work.follow(&known, &joined.settings, &joined.estimator))
            .flatten();
        joined.add(match followed {
            Some(followed) => StretchFit {
                total: (options.detail.spectrum)
                    .then(|| work.density(&joined.estimator, &stream.samples)),
                ..StretchFit::of_followed(followed, &joined.settings, &stream, options)
            },
            None => fit_stream(&stream, options, Some(&known)).into(),
        });
        None
    }
}

/// A fitted record.
pub(super) struct Finished {
    pub(super) stream: Stream,
    pub(super) fit: StreamFit,
    /// Mean that was taken off.
    pub(super) mean: f64,
}

/// Whether a stretch shows a series by itself.
fn stands(fit: &StreamFit, rate_hz: f64) -> bool {
    let powers: Vec<LinePower> = fit.combined.harmonics.iter().map(|h| h.power).collect();
    let duration_s = fit.samples as f64 / rate_hz;
    fit.decided && series_detected(&powers, duration_s, fit.nominal_hz, FALSE_ALARM)
}

fn known_of(fit: &StreamFit) -> Known {
    let tones = fit.tones.iter().map(|t| {
        let mut kept = KeptFits::new(1);
        kept.add(&t.segments, 0);
        kept
    });
    Known {
        nominal_hz: fit.nominal_hz,
        decided: fit.decided,
        fundamental: mean_fundamental(&fit.segments).unwrap_or_default(),
        tones: tones
            .filter_map(|t| known_tone(&t, &fit.settings))
            .collect(),
    }
}

/// A tone as its segments show it, in the noise of the order next to it.
fn known_tone(segments: &KeptFits, series: &FitSettings) -> Option<KnownTone> {
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

/// The samples with their gaps bridged and `mean`, else their own, taken off.
pub(super) fn stream_of(
    mut samples: Vec<f64>,
    rate_hz: f64,
    clean_to_hz: f64,
    limits: Limits<'_>,
    mean: Option<f64>,
) -> (Stream, f64) {
    let (below, above) = limits(&samples);
    let mean = mean.unwrap_or_else(|| {
        let finite = samples.iter().filter(|x| x.is_finite());
        finite.clone().sum::<f64>() / finite.count().max(1) as f64
    });
    // Where the rate was lowered, what was clipped is spread over several samples: these count as missing.
    let gaps: Vec<Gap> = (0..samples.len())
        .filter(|&i| !samples[i].is_finite())
        .map(|at| Gap {
            at,
            kind: if samples[at] == f64::INFINITY && above.is_finite() {
                GapKind::Above(above - mean)
            } else if samples[at] == f64::NEG_INFINITY && below.is_finite() {
                GapKind::Below(below - mean)
            } else {
                GapKind::Missing
            },
        })
        .collect();
    if !gaps.is_empty() {
        bridge(&mut samples);
    }
    for x in &mut samples {
        *x -= mean;
    }
    let stream = Stream {
        samples,
        rate_hz,
        gaps,
        clean_to_hz,
    };
    (stream, mean)
}

/// The fits of one stretch.
struct StretchFit {
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
        }
    }
}

impl StretchFit {
    fn of_followed(
        followed: Followed,
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
            total: None,
            samples,
            mean: stream.samples.iter().sum::<f64>() / samples.max(1) as f64,
            residual: followed.residual,
            present: 1.0,
            folding,
            groups,
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
struct Joined {
    /// Mean taken off every stretch.
    mean: f64,
    /// Whether the first stretch, or an earlier reading, shows a series.
    found: bool,
    nominal_hz: f64,
    decided: bool,
    orders: usize,
    settings: FitSettings,
    estimator: Multitaper,
    segments: KeptFits,
    /// Variance of each segment's coefficients against even weights.
    spreads: Vec<f64>,
    highest_guide: usize,
    tones: Vec<Tone>,
    density: Density,
    total: Density,
    samples: usize,
    sum: f64,
    squares: f64,
    /// Samples times the share of the noise that filling gaps left in them.
    present: f64,
    means: Means,
    folding: Option<Folding>,
    groups: Option<HarmonicGroups>,
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
    fn new(fit: StreamFit, mean: f64, rate_hz: f64, found: bool) -> Self {
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
        };
        joined.add(fit.into());
        joined
    }

    /// Where the next stretch starts from.
    fn known(&self) -> Known {
        Known {
            nominal_hz: self.nominal_hz,
            decided: self.decided,
            fundamental: self.segments.latest_fundamental(1).unwrap_or_default(),
            tones: self
                .tones
                .iter()
                .filter_map(|t| known_tone(&t.segments, &self.settings))
                .collect(),
        }
    }

    fn add(&mut self, fit: StretchFit) {
        let from = self.samples;
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
    fn finish(mut self, stream: &Stream, options: &MeasureOptions) -> StreamFit {
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
            })
            .collect();
        settings.noise = variances;
        let combined = combine(&segments, &noise, self.highest_guide, rate, self.samples);
        let fundamental_hz = mean_fundamental(&segments).map(|f| f * rate);
        let lines_hz: Vec<f64> = fundamental_hz
            .filter(|_| self.orders > 0)
            .into_iter()
            .chain(
                tones
                    .iter()
                    .filter_map(|t| mean_fundamental(t))
                    .map(|f| f * rate),
            )
            .chain(faint_hz.iter().copied())
            .collect();
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
