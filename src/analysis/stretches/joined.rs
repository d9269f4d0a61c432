//! The stretches of a long record, joined.
//!
//! Of each stretch stay its segments' fits, the densities before and after the lines were taken out, and the
//! residual's means over an eighth of a second. The figures are those of one combination over all segments.

use super::fitted::Faint;
use super::kept::KeptFits;
use super::stretch_fit::StretchFit;
use crate::analysis::combination::{OrderNoise, combine};
use crate::analysis::details::Details;
use crate::analysis::noise::{NoiseFloor, RemovedLine, SlowNoise, bulk_in_frequency, loudness};
use crate::analysis::record::Stream;
use crate::analysis::series::{FitSettings, SegmentFit, mean_fundamental, spread};
use crate::analysis::stream::{
    Frame, HumCourse, Known, KnownTone, OtherContent, RecordFit, StreamFit, ToneFit, lines_hz,
    noise_variances, removed_lines, tone_noise,
};
use crate::analysis::tones::find_peaks;
use crate::hum::{Modulation, Presence};
use crate::spectrum::{Density, Multitaper};
use crate::stats::LinePower;
use rustfft::num_complex::Complex64;

/// Means of the residual that are kept, Hz.
const MEANS_HZ: f64 = 8.0;
/// Power over its variance a component from which a segment tells a tone's frequency to a tenth of its cell, and how many
/// of the latest segments say where it is.
const STRONG: f64 = 30.0;
const LATEST: usize = 16;

/// A tone from the stretch on in which it was first seen.
#[derive(Debug)]
struct Tone {
    segments: KeptFits,
    from: usize,
}

/// What stays of the stretches fitted so far.
#[derive(Debug)]
pub(super) struct Joined {
    /// Mean taken off every stretch.
    pub(super) mean: f64,
    /// Whether the first stretch, or an earlier reading, shows a series.
    pub(super) found: bool,
    nominal_hz: f64,
    decided: bool,
    orders: usize,
    pub(super) settings: FitSettings,
    pub(super) estimator: Multitaper,
    segments: KeptFits,
    /// Variance of each segment's coefficients against even weights.
    spreads: Vec<f64>,
    highest_guide: usize,
    tones: Vec<Tone>,
    density: Density,
    total: Density,
    pub(super) samples: usize,
    stretches: usize,
    sum: f64,
    squares: f64,
    /// Samples times the share of the noise that filling gaps left in them.
    present: f64,
    offset_dearer: f64,
    means: Means,
    details: Details,
    presence: Presence,
    other: OtherContent,
    slow_to_hz: f64,
    rate_hz: f64,
}

/// Blocks that are summed side by side.
const BESIDE: usize = 4;

/// The residual's means over equal blocks.
#[derive(Debug)]
struct Means {
    block: usize,
    values: Vec<f64>,
    sum: f64,
    count: usize,
}

impl Means {
    fn push(&mut self, mut samples: &[f64]) {
        if self.count > 0 {
            let (head, rest) = samples.split_at(samples.len().min(self.block - self.count));
            self.sum = head.iter().fold(self.sum, |sum, x| sum + x);
            self.count += head.len();
            samples = rest;
            if self.count < self.block {
                return;
            }
            self.values.push(self.sum / self.block as f64);
            (self.sum, self.count) = (0.0, 0);
        }
        // Several blocks side by side: each is summed in its order.
        let mut groups = samples.chunks_exact(BESIDE * self.block);
        for group in &mut groups {
            let mut sums = [0.0; BESIDE];
            for i in 0..self.block {
                for (lane, sum) in sums.iter_mut().enumerate() {
                    *sum += group[lane * self.block + i];
                }
            }
            self.values.extend(sums.map(|sum| sum / self.block as f64));
        }
        for block in groups.remainder().chunks(self.block) {
            let sum = block.iter().fold(0.0, |sum, x| sum + x);
            if block.len() == self.block {
                self.values.push(sum / self.block as f64);
            } else {
                (self.sum, self.count) = (sum, block.len());
            }
        }
    }
}

impl Joined {
    pub(super) fn new(fit: StreamFit, mean: f64, rate_hz: f64, found: bool) -> Self {
        let start = |of: &Density| Density {
            values: vec![0.0; of.values.len()],
            records: 0,
            ..of.clone()
        };
        let record = &fit.record;
        let mut joined = Self {
            mean,
            found,
            nominal_hz: record.nominal_hz,
            decided: record.decided,
            orders: record.orders,
            settings: record.settings.clone(),
            estimator: fit.estimator.clone(),
            segments: KeptFits::new(record.orders),
            spreads: Vec::new(),
            highest_guide: record.settings.highest_guide(),
            tones: Vec::new(),
            density: start(&fit.density),
            total: start(&record.total),
            samples: 0,
            stretches: 0,
            sum: 0.0,
            squares: 0.0,
            present: 0.0,
            offset_dearer: 0.0,
            means: Means {
                block: ((rate_hz / MEANS_HZ).round() as usize).max(1),
                values: Vec::new(),
                sum: 0.0,
                count: 0,
            },
            details: Details::default(),
            presence: record.presence.clone(),
            other: OtherContent::default(),
            slow_to_hz: 0.0,
            rate_hz,
        };
        joined.add(fit.into());
        joined
    }

    /// Where the next stretch starts from.
    pub(super) fn known(&self) -> Known {
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

    pub(super) fn add(&mut self, fit: StretchFit) {
        let from = self.samples;
        self.other.add(&fit.other, from as f64 / self.rate_hz);
        self.slow_to_hz = self.slow_to_hz.max(fit.slow_to_hz);
        self.segments.add(&fit.segments, from);
        self.spreads
            .resize(self.segments.len(), spread(fit.weighting));
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
        self.sum += fit.residual_mean * fit.samples as f64;
        self.squares += fit.residual_squares;
        self.present += fit.present * fit.samples as f64;
        self.offset_dearer += fit.offset_dearer * fit.samples as f64;
        self.means.push(&fit.residual);
        self.details.join(fit.details);
        self.stretches += 1;
    }

    /// The figures' basis over all stretches, at the rate of `stream` as it is known in the end.
    pub(super) fn finish(mut self, stream: &Stream) -> (RecordFit, Faint) {
        let segments = std::mem::replace(&mut self.segments, KeptFits::new(0)).segments();
        let (starts, tones): (Vec<usize>, Vec<Vec<SegmentFit>>) = std::mem::take(&mut self.tones)
            .into_iter()
            .map(|t| (t.from, t.segments.segments()))
            .unzip();
        let rate = stream.rate_hz;
        self.density.rescale(rate);
        self.total.rescale(rate);
        let frame = Frame {
            rate_hz: rate,
            length: segments.first().map_or(1, |s| s.fit.length),
            present: self.present / self.samples as f64,
            slow_to_hz: self.slow_to_hz,
        };
        let (floor, quiet, faint_hz) = self.floor(&frame, stream.clean_to_hz, &segments, &tones);
        let (variances, dofs) = noise_variances(&frame, &self.settings, &floor, &segments);
        let noise = self.order_noise(&variances, &dofs, &segments);
        let loudness = loudness(&segments, &variances);
        let guide = self.highest_guide;
        let combined = combine(&segments, &noise, &loudness, guide, rate, self.samples);
        let mut lines_hz = lines_hz(&segments, &tones, rate);
        lines_hz.extend(&faint_hz);
        let means_hz = rate / self.means.block as f64;
        let means = &self.means.values;
        let slow = SlowNoise::new(means, means_hz, &lines_hz, frame.present, &floor);
        let tones = tones
            .into_iter()
            .zip(starts)
            .map(|(segments, from)| {
                let noise = tone_noise(&frame, &floor, &segments);
                joined_tone(segments, noise, from, rate, self.samples)
            })
            .collect();
        let faint = Faint {
            hz: faint_hz,
            density: self.density.mean(),
        };
        let residual_mean = self.sum / self.samples as f64;
        let record = RecordFit {
            nominal_hz: self.nominal_hz,
            decided: self.decided,
            orders: self.orders,
            settings: FitSettings {
                noise: variances,
                ..self.settings
            },
            segments,
            combined,
            noise,
            tones,
            floor: quiet,
            slow,
            present: frame.present,
            offset_dearer: self.offset_dearer / self.samples as f64,
            total: self.total,
            samples: self.samples,
            stretches: self.stretches,
            residual_rms: (self.squares / self.samples as f64).sqrt(),
            residual_mean,
            details: self.details,
            interval: None,
            presence: self.presence,
            unseen: None,
            modulation: Modulation::default(),
            other: self.other,
            slow_to_hz: self.slow_to_hz,
            course: HumCourse::Throughout,
        };
        (record, faint)
    }

    /// The floor beside all lines, that beside their skirts too, and the lines that stand in the whole record's residual alone, Hz.
    fn floor(
        &self,
        frame: &Frame,
        clean_to_hz: f64,
        segments: &[SegmentFit],
        tones: &[Vec<SegmentFit>],
    ) -> (NoiseFloor, NoiseFloor, Vec<f64>) {
        let (estimator, density) = (&self.estimator, &self.density);
        let mut lines = removed_lines(frame, estimator, density, &self.settings, segments, tones);
        let floor = NoiseFloor::new(estimator, density, &lines);
        let faint_hz = faint(density, &floor, clean_to_hz, segments, frame.rate_hz);
        let scar = (0.5 * estimator.tapers() as f64 + 2.0) * density.bin_hz;
        lines.extend(faint_hz.iter().map(|&frequency_hz| RemovedLine {
            frequency_hz,
            fitted_over_s: 1.0 / density.bin_hz,
            covers_hz: scar,
        }));
        let of = |floor: NoiseFloor| floor.raised(1.0 / frame.present);
        let mut quiet = of(NoiseFloor::beside_skirts(estimator, density, &lines));
        quiet.bulk = bulk_in_frequency(&quiet, frame.slow_to_hz);
        let floor = of(NoiseFloor::new(estimator, density, &lines));
        (floor, quiet, faint_hz)
    }

    /// Noise beside each order from variances a sample, by the weights of each segment's fit.
    fn order_noise(
        &self,
        variances: &[f64],
        dofs: &[f64],
        segments: &[SegmentFit],
    ) -> Vec<OrderNoise> {
        (1..=self.orders)
            .map(|k| OrderNoise {
                variances: segments
                    .iter()
                    .zip(&self.spreads)
                    .map(|(s, spread)| spread * 2.0 * variances[k] / s.fit.length as f64)
                    .collect(),
                dof: dofs[k],
                guides: !self.settings.aside.contains(&k),
            })
            .collect()
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
    let mut combined = combine(&segments, &[noise], &[], 1, rate_hz, samples - from);
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
pub(super) fn known_tone(segments: &KeptFits, series: &FitSettings) -> Option<KnownTone> {
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
