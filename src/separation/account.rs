//! What is found of a channel, chapter by chapter.

use super::harmonic;
use super::options::SeparateOptions;
use super::result::{Findings, HumTrack, Method, Removed, Separation};
use crate::Warning;
use crate::capture::CaptureHeader;
use crate::stats::{Estimate, chi_square_quantile};

/// What has been found of one channel so far.
#[derive(Default)]
pub(super) struct Account {
    /// The offset that is taken out.
    pub(super) offset: f64,
    frames: f64,
    mains: f64,
    coherent: f64,
    residual: f64,
    degrees: f64,
    frequency: f64,
    frequency_variance: f64,
    frequency_frames: f64,
    /// Findings of the longest chapter: touched bands, match, notes.
    longest: Option<(usize, Findings)>,
    track: HumTrack,
    warnings: Vec<Warning>,
    /// Of how many points of a chapter's track one is kept.
    stride: usize,
}

impl Account {
    /// An account of a record of so many chapters.
    pub(super) fn new(chapters: usize) -> Self {
        Self {
            stride: (chapters * harmonic::TRACK_POINTS / TRACK_POINTS).max(1),
            ..Self::default()
        }
    }

    pub(super) fn add(&mut self, mut found: Findings, frames: usize, start_s: f64) {
        let weight = frames as f64;
        self.frames += weight;
        self.mains += weight * found.mains_power;
        self.coherent += weight * found.coherent_power;
        self.residual += weight * found.residual_power;
        self.degrees += found.residual_degrees;
        if let Some((hz, deviation)) = found.frequency {
            self.frequency += weight * hz;
            self.frequency_variance += (weight * deviation).powi(2);
            self.frequency_frames += weight;
        }
        for warning in found.warnings.drain(..) {
            if !self.warnings.iter().any(|w| w.code == warning.code) {
                self.warnings.push(warning);
            }
        }
        let mut track = std::mem::take(&mut found.track);
        thin(&mut track, self.stride);
        join_tracks(&mut self.track, &track, start_s);
        let longer = self.longest.as_ref().is_none_or(|(n, f)| {
            (found.detected && !f.detected) || (frames > *n && found.detected == f.detected)
        });
        if longer {
            self.longest = Some((frames, found));
        }
    }

    /// Adds a sentence to what is said of the separation.
    pub(super) fn explain(&mut self, note: String) {
        if let Some((_, found)) = &mut self.longest {
            found.notes.push(note);
        }
    }

    pub(super) fn into_separation(
        self,
        header: &CaptureHeader,
        target: usize,
        method: Method,
        options: &SeparateOptions,
        input_warnings: &[Warning],
    ) -> Separation {
        let confidence = options.confidence;
        let frames = self.frames.max(1.0);
        let residual = self.residual / frames;
        let degrees = self.degrees.max(1.0);
        let at = |p: f64| (residual * chi_square_quantile(p, degrees) / degrees).sqrt();
        let value = residual.sqrt();
        let interval = if self.degrees > 0.0 {
            (at(0.5 - 0.5 * confidence), at(0.5 + 0.5 * confidence))
        } else {
            (0.0, 2.0 * value)
        };
        let (_, found) = self.longest.unwrap_or_default();
        let mut warnings = input_warnings.to_vec();
        // Warnings that hold for part of the record only are not repeated for the whole.
        warnings.extend(self.warnings.into_iter().filter(|w| {
            w.code != crate::WarningCode::MainsNotDetected || self.frequency_frames == 0.0
        }));
        Separation {
            file: header.name.clone(),
            channel: header.channels[target].name.clone(),
            output: String::new(),
            method,
            removed: Removed {
                dc_offset: self.offset,
                mains_rms: (self.mains / frames).sqrt(),
                coherent_rms: (self.coherent / frames).sqrt(),
            },
            mains_frequency_hz: (self.frequency_frames > 0.0).then(|| {
                Estimate::normal(
                    self.frequency / self.frequency_frames,
                    self.frequency_variance.sqrt() / self.frequency_frames,
                    confidence,
                )
            }),
            residual_hum_rms: Estimate::new(
                if self.degrees > 0.0 { value } else { 0.0 },
                interval,
                0.5 * value,
                degrees,
                confidence,
            ),
            warnings,
            note: found.notes.join("; "),
            touched: found.touched,
            matched: found.matched,
            track: self.track,
        }
    }
}

/// Points of a whole record's track, about.
const TRACK_POINTS: usize = 4096;

/// Keeps every `stride`-th point of a track.
fn thin(track: &mut HumTrack, stride: usize) {
    let keep = |values: &mut Vec<f64>| *values = values.iter().copied().step_by(stride).collect();
    keep(&mut track.time_s);
    keep(&mut track.frequency_hz);
    track.rms.iter_mut().for_each(keep);
    track.phase_rad.iter_mut().for_each(keep);
}

/// Appends a chapter's track; an order that one of them lacks has no amplitude there.
fn join_tracks(all: &mut HumTrack, part: &HumTrack, start_s: f64) {
    if part.time_s.is_empty() {
        return;
    }
    let before = all.time_s.len();
    for order in &part.orders {
        if !all.orders.contains(order) {
            all.orders.push(*order);
            all.rms.push(vec![0.0; before]);
            all.phase_rad.push(vec![f64::NAN; before]);
        }
    }
    all.time_s.extend(part.time_s.iter().map(|t| t + start_s));
    all.frequency_hz.extend(&part.frequency_hz);
    for (i, order) in all.orders.iter().enumerate() {
        match part.orders.iter().position(|o| o == order) {
            Some(j) => {
                all.rms[i].extend(&part.rms[j]);
                all.phase_rad[i].extend(&part.phase_rad[j]);
            }
            None => {
                all.rms[i].resize(all.time_s.len(), 0.0);
                all.phase_rad[i].resize(all.time_s.len(), f64::NAN);
            }
        }
    }
}
