//! The fit of a stream by least squares: series, tones and the noise beside them.

use super::density::{density, estimator, take_off_line};
use super::noise::{choose_weighting, floor, noise_variances, order_noise, tone_noise};
use super::segmented::Segmented;
use super::start::Start;
use super::stream_fit::{HumCourse, Known, OtherContent, RecordFit, StreamFit, ToneFit, lines_hz};
use crate::analysis::combination::combine;
use crate::analysis::details::Details;
use crate::analysis::noise::{NoiseFloor, SlowNoise, loudness, note_uneven_noise};
use crate::analysis::series::{FitSettings, SegmentFit, mean_fundamental};
use crate::hum::{self, Modulation, Presence};
use crate::spectrum::{Density, Multitaper, Nudft, Weighting};
use crate::stats::{chi_square_ratio_quantile, rms_about_mean};
use std::f64::consts::PI;

/// Nominal frequency that a first density is laid out for, Hz.
const ANY_MAINS_HZ: f64 = 55.0;
/// Square of the change, in deviations, below which a fit counts as standing: what is left beside a line then changes by
/// far less than its own noise.
const UNMOVED: f64 = 0.04;
/// Most rounds of search for tones.
const MOST_ROUNDS: usize = 9;
/// Probability that noise alone counts as movement of any order.
const MOVED_BY_CHANCE: f64 = 1e-3;

/// Fits a stream; `known`: what an earlier stretch told, `seen`: what an earlier look at the same record said.
pub(super) fn fit(
    segmented: &Segmented<'_>,
    known: Option<&Known>,
    seen: Option<&Presence>,
) -> StreamFit {
    let samples = segmented.samples();
    let rough = estimator(segmented, ANY_MAINS_HZ);
    let total = density(&rough, samples, segmented.rate_hz());
    let whole = segmented.transforms();
    let mut start = match known {
        Some(known) => Start::of(known),
        None => {
            let presence = seen.cloned().unwrap_or_else(|| {
                hum::look(
                    samples,
                    segmented.rate_hz(),
                    segmented.options().mains.nominals_hz(),
                )
            });
            Start::find(segmented, presence, &whole, &total)
        }
    };
    let settings = start.settings(segmented, &total);
    let input = Input {
        segmented,
        whole,
        total,
        estimator: estimator(segmented, start.nominal_hz),
    };
    let tones = std::mem::take(&mut start.tones);
    let (lines, near) = match known {
        Some(known) => input.go_on(settings, known),
        None => input.begin(settings, tones, start.fundamental),
    };
    let mut fitting = Fitting::weighed(&input, lines, start.fundamental);
    fitting.find_tones(near);
    fitting.widen_moved();
    let total = if input.estimator.tapers() == rough.tapers() {
        None
    } else {
        Some(density(&input.estimator, samples, segmented.rate_hz()))
    };
    fitting.figures(&start, total)
}

/// What is fitted.
struct Input<'a> {
    segmented: &'a Segmented<'a>,
    /// The segments' transforms.
    whole: Vec<Nudft>,
    /// Density with all lines in it.
    total: Density,
    /// Tapers for the density of what is left.
    estimator: Multitaper,
}

/// The lines that were fitted, and how.
struct FittedLines {
    settings: FitSettings,
    segments: Vec<SegmentFit>,
    tones: Vec<Vec<SegmentFit>>,
}

impl Input<'_> {
    /// A first fit with the tones of the stretch before; whether any of them stands beside an order.
    fn go_on(&self, settings: FitSettings, known: &Known) -> (FittedLines, bool) {
        let segmented = self.segmented;
        let mut tones: Vec<Vec<SegmentFit>> = Vec::new();
        let steady = segmented.fit_once(&settings, &self.whole, known.fundamental);
        for tone in &known.tones {
            let own = segmented.remainders(&self.whole, &steady, &tones);
            let place_hz = tone.place * segmented.rate_hz();
            tones.push(segmented.fit_tone(&own, &self.total, place_hz));
        }
        let left = segmented.remainders(&self.whole, &[], &tones);
        let segments = segmented.fit_series(&settings, &left, known.fundamental);
        let near = known
            .tones
            .iter()
            .any(|t| segmented.stands_beside(t.place, known.fundamental, settings.orders));
        let lines = FittedLines {
            settings,
            segments,
            tones,
        };
        (lines, near)
    }

    /// A first fit; whether lines close beside orders were added.
    fn begin(
        &self,
        settings: FitSettings,
        mut tones: Vec<Vec<SegmentFit>>,
        start: f64,
    ) -> (FittedLines, bool) {
        let segmented = self.segmented;
        let left = segmented.remainders(&self.whole, &[], &tones);
        let mut segments = segmented.fit_series(&settings, &left, start);
        let beside = segmented.lines_beside(&segments, &settings);
        let near =
            segmented.add_near_lines(&self.whole, &self.total, &settings, &beside, &mut tones);
        if near {
            let left = segmented.remainders(&self.whole, &[], &tones);
            let start = beside
                .fundamental_hz
                .map_or(start, |f| f / segmented.rate_hz());
            segments = segmented.fit_series(&settings, &left, start);
        }
        let lines = FittedLines {
            settings,
            segments,
            tones,
        };
        (lines, near)
    }

    /// What lines leave.
    fn left(&self, lines: &FittedLines) -> Left {
        let residual = self.segmented.residual(&lines.segments, &lines.tones);
        let density = density(&self.estimator, &residual, self.segmented.rate_hz());
        Left {
            floor: self.floor(&density, lines),
            residual,
            density,
        }
    }

    fn floor(&self, density: &Density, lines: &FittedLines) -> NoiseFloor {
        floor(
            &self.segmented.frame(),
            &self.estimator,
            density,
            &lines.settings,
            &lines.segments,
            &lines.tones,
        )
    }

    /// The series fitted once more, the tones taken out.
    fn refit(&self, lines: &FittedLines, start: f64) -> Vec<SegmentFit> {
        let left = self.segmented.remainders(&self.whole, &[], &lines.tones);
        let start = mean_fundamental(&lines.segments).unwrap_or(start);
        self.segmented.fit_series(&lines.settings, &left, start)
    }
}

/// What fitted lines leave of a stream.
struct Left {
    residual: Vec<f64>,
    density: Density,
    floor: NoiseFloor,
}

/// The lines fitted so far, what they leave, and the noise beside each.
struct Fitting<'a> {
    input: &'a Input<'a>,
    lines: FittedLines,
    left: Left,
    /// Degrees of freedom of the settings' noise.
    dofs: Vec<f64>,
    /// Where a fit starts that finds no segment.
    start: f64,
}

impl<'a> Fitting<'a> {
    /// With the weights that suit what the lines stand in.
    fn weighed(input: &'a Input<'a>, mut lines: FittedLines, start: f64) -> Self {
        let mut left = input.left(&lines);
        let frame = input.segmented.frame();
        lines.settings.weighting =
            choose_weighting(&frame, &lines.settings, &lines.segments, &left.floor);
        if lines.settings.weighting == Weighting::Hann {
            // What leaked into the unweighted fit would stand in its residual as tones.
            lines.segments = input.refit(&lines, start);
            left = input.left(&lines);
        }
        let mut fitting = Self {
            input,
            lines,
            left,
            dofs: Vec::new(),
            start,
        };
        fitting.read_noise();
        fitting
    }

    fn read_noise(&mut self) {
        let frame = self.input.segmented.frame();
        let lines = &mut self.lines;
        (lines.settings.noise, self.dofs) =
            noise_variances(&frame, &lines.settings, &self.left.floor, &lines.segments);
    }

    /// Tones in what is left, each fitted and taken out, then the series once more without them. `near`: lines stand
    /// beside orders.
    fn find_tones(&mut self, near: bool) {
        let (segmented, whole) = (self.input.segmented, &self.input.whole);
        let mut searched = false;
        for _ in 0..MOST_ROUNDS {
            let lines = &mut self.lines;
            let before = lines.tones.len();
            if !searched {
                let (density, floor) = (&self.left.density, &self.left.floor);
                segmented.add_tones(whole, &mut lines.tones, density, floor, &lines.segments);
            }
            searched = lines.tones.len() == before;
            let segments = self.input.refit(lines, self.start);
            let earlier = (
                std::mem::replace(&mut lines.segments, segments),
                lines.tones.clone(),
            );
            segmented.refit_tones(whole, &lines.segments, &mut lines.tones, &self.left.floor);
            if searched && self.stands(&earlier) {
                break;
            }
            self.left = self.input.left(&self.lines);
            self.read_noise();
            // Lines that stand close together settle slowly.
            if searched && !near {
                break;
            }
        }
    }

    /// Whether a fit of everything moved no coefficient by a fifth of its deviation: what is left then stays.
    fn stands(&self, (segments, tones): &(Vec<SegmentFit>, Vec<Vec<SegmentFit>>)) -> bool {
        let frame = self.input.segmented.frame();
        let settings = &self.lines.settings;
        let series = |k: usize, length: usize| settings.coefficient_variance(k, length);
        let own = segments.len() == self.lines.segments.len()
            && segments
                .iter()
                .zip(&self.lines.segments)
                .all(|(a, b)| moved_by(a, b, &series) < UNMOVED);
        own && tones.iter().zip(&self.lines.tones).all(|(before, after)| {
            let noise = tone_noise(&frame, &self.left.floor, after);
            before.len() == after.len()
                && before
                    .iter()
                    .zip(after)
                    .zip(&noise.variances)
                    .all(|((a, b), v)| moved_by(a, b, &|_, _| *v) < UNMOVED)
        })
    }

    /// Gives orders that move the noise that their movement leaves beside them.
    fn widen_moved(&mut self) {
        let moved = self.moved();
        if !moved.iter().any(|m| *m > 1.0) {
            return;
        }
        let lines = &mut self.lines;
        for (own, m) in lines.settings.noise.iter_mut().skip(1).zip(&moved) {
            *own *= m;
        }
        lines.segments = self.input.refit(lines, self.start);
        lines.settings.moved = moved;
        self.left.floor = self.input.floor(&self.left.density, &self.lines);
    }

    /// Power left beside each order over the noise's, where that is more than noise gives in one of a thousand records;
    /// its degrees of freedom then are those of what is left.
    fn moved(&mut self) -> Vec<f64> {
        let pieces = self.input.segmented.pieces();
        let mut left = self.left.residual.clone();
        for &(from, to) in pieces {
            take_off_line(&mut left[from..to]);
        }
        let pieces: Vec<(&[f64], f64)> = pieces
            .iter()
            .zip(&self.lines.segments)
            .map(|(&(from, to), s)| (&left[from..to], s.fit.fundamental))
            .collect();
        let settings = &self.lines.settings;
        let (ratios, dof) = hum::excess(&pieces, settings.weighting, &settings.noise);
        let by_chance = MOVED_BY_CHANCE / settings.orders.max(1) as f64;
        let level = chi_square_ratio_quantile(1.0 - by_chance, dof);
        ratios
            .into_iter()
            .zip(self.dofs.iter_mut().skip(1))
            .map(|(ratio, own)| {
                if ratio > level {
                    *own = own.min(dof);
                    ratio
                } else {
                    1.0
                }
            })
            .collect()
    }

    /// The figures' basis; `total`: density of the samples by the estimator of what is left, where another was used.
    fn figures(self, start: &Start, total: Option<Density>) -> StreamFit {
        let segmented = self.input.segmented;
        let (samples, rate) = (segmented.samples(), segmented.rate_hz());
        let frame = segmented.frame();
        let FittedLines {
            settings,
            mut segments,
            tones,
        } = self.lines;
        let Left {
            residual,
            density,
            floor,
        } = self.left;
        note_uneven_noise(&residual, segmented.pieces(), &settings, &mut segments);
        let noise = order_noise(&settings, &self.dofs, &segments);
        let loudness = loudness(&segments, &settings.noise);
        let guide = settings.highest_guide();
        let combined = combine(&segments, &noise, &loudness, guide, rate, samples.len());
        let lines_hz = lines_hz(&segments, &tones, rate);
        let slow = SlowNoise::new(&residual, rate, &lines_hz, frame.present, &floor);
        let tones = tones
            .into_iter()
            .map(|segments| {
                let noise = tone_noise(&frame, &floor, &segments);
                let combined = combine(&segments, &[noise], &[], 1, rate, samples.len());
                ToneFit { combined, segments }
            })
            .collect();
        let count = residual.len().max(1) as f64;
        StreamFit {
            record: RecordFit {
                nominal_hz: start.nominal_hz,
                decided: start.decided,
                orders: settings.orders,
                settings,
                segments,
                combined,
                noise,
                tones,
                floor,
                slow,
                present: frame.present,
                offset_dearer: 1.0,
                total: total.unwrap_or_else(|| self.input.total.clone()),
                samples: samples.len(),
                stretches: 1,
                residual_rms: rms_about_mean(&residual),
                residual_mean: residual.iter().sum::<f64>() / count,
                details: Details::default(),
                interval: None,
                presence: start.presence.clone(),
                unseen: None,
                modulation: Modulation::default(),
                other: OtherContent::default(),
                slow_to_hz: frame.slow_to_hz,
                course: HumCourse::Throughout,
            },
            residual,
            track_series: Vec::new(),
            density,
            estimator: self.input.estimator.clone(),
        }
    }
}

/// Largest change from one fit to another: of a harmonic's amplitude over the segment, by its noise (a function of
/// order and length), squared. The frequency counts by what its change does at a segment's ends.
fn moved_by(a: &SegmentFit, b: &SegmentFit, variance: &dyn Fn(usize, usize) -> f64) -> f64 {
    let turn = PI * (b.fit.fundamental - a.fit.fundamental) * a.fit.length as f64;
    a.fit
        .harmonics
        .iter()
        .zip(&b.fit.harmonics)
        .enumerate()
        .map(|(i, (x, y))| {
            let turned = ((i + 1) as f64 * turn).powi(2) * y.norm_sqr();
            ((x - y).norm_sqr() + turned) / variance(i + 1, a.fit.length).max(f64::MIN_POSITIVE)
        })
        .fold(0.0, f64::max)
}
