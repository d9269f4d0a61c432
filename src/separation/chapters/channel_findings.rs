//! What is found of a channel, chapter by chapter.

use super::offsets::Offsets;
use super::untouched::{Power, untouched};
use crate::analysis::{Mains, Measurement};
use crate::capture::CaptureHeader;
use crate::separation::findings::Findings;
use crate::separation::left_power::LeftPower;
use crate::separation::methods::TRACK_POINTS as POINTS_A_CHAPTER;
use crate::separation::options::SeparateOptions;
use crate::separation::result::{HumTrack, Match, Method, ReferenceMatch, Removed, Separation};
use crate::stats::{Estimate, chi_square_quantile};
use crate::{Warning, WarningCode};

/// Which channel of which capture, and how it was separated.
pub(crate) struct Place<'a> {
    pub(crate) header: &'a CaptureHeader,
    pub(crate) target: usize,
    /// References, or the second tip.
    pub(crate) others: &'a [usize],
    pub(crate) method: Method,
    /// The measurement of the channel whose series was followed.
    pub(crate) measured: Option<&'a Measurement>,
}

impl Place<'_> {
    /// The measured mains, where it was detected.
    fn mains(&self) -> Option<&Mains> {
        let mains = self.measured.map(|m| &m.mains);
        mains.filter(|mains| mains.detected)
    }

    /// Tells of samples that the measurement left out, where nothing else did.
    fn tell_lost_samples(&self, warnings: &mut Vec<Warning>) {
        if warnings
            .iter()
            .any(|w| w.code == WarningCode::MissingSamples)
        {
            return;
        }
        let found = self.measured.iter().flat_map(|m| &m.quality.warnings);
        let lost = found.filter(|w| w.code == WarningCode::MissingSamples);
        warnings.extend(lost.map(|w| {
            let message = format!("{}; the output is no clean signal there", w.message);
            WarningCode::MissingSamples.warning(message)
        }));
    }

    /// Puts a match's gains into the channels' own units, and the references' names beside theirs.
    fn name_references(&self, matched: &mut Match, unit: f64, offsets: &Offsets) {
        let own_unit = |other: &usize| offsets.channels[*other].unit;
        let of_gain = |one: &ReferenceMatch| one.gain == matched.gain;
        let main = matched.references.iter().position(of_gain).unwrap_or(0);
        matched.gain *= unit / self.others.get(main).map_or(1.0, own_unit);
        for (one, other) in matched.references.iter_mut().zip(self.others) {
            one.gain *= unit / own_unit(other);
            one.channel.clone_from(&self.header.channels[*other].name);
        }
    }
}

/// What has been found of one channel so far.
#[derive(Default)]
pub(crate) struct ChannelFindings {
    /// The offset that is taken out, in the unit that the channel is worked in.
    pub(crate) offset: f64,
    frames: f64,
    mains: f64,
    coherent: f64,
    left: LeftPower,
    unsure: f64,
    unseen: f64,
    /// Whether a series was found in any chapter.
    detected: bool,
    /// Findings of the longest chapter: touched bands, match, notes.
    longest: Option<(usize, Findings)>,
    track: HumTrack,
    warnings: Vec<Warning>,
    /// Of how many points of a chapter's track one is kept.
    stride: usize,
}

impl ChannelFindings {
    /// Nothing yet, of a record of so many chapters.
    pub(crate) fn new(chapters: usize) -> Self {
        Self {
            stride: (chapters * POINTS_A_CHAPTER / TRACK_POINTS).max(1),
            ..Self::default()
        }
    }

    pub(crate) fn add(&mut self, mut found: Findings, frames: usize, start_s: f64) {
        let weight = frames as f64;
        self.frames += weight;
        self.mains += weight * found.mains_power;
        self.coherent += weight * found.coherent_power;
        self.left.add_weighted(weight, &found.left);
        self.unsure += weight * found.unsure_power;
        self.unseen += weight * found.unseen_power;
        self.detected |= found.detected;
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
    pub(crate) fn explain(&mut self, note: String) {
        if let Some((_, found)) = &mut self.longest {
            found.notes.push(note);
        }
    }

    /// Mean square of what is left of the interference, in the unit that the channel is worked in.
    fn left_over(&self, place: &Place<'_>, unit: f64, confidence: f64) -> Power {
        let frames = self.frames.max(1.0);
        let degrees = self.left.degrees();
        let residual = self.left.power / frames;
        let at = |p: f64| residual * chi_square_quantile(p, degrees) / degrees;
        let unsure = self.unsure / frames;
        let fitted = Power {
            value: residual + 0.5 * unsure,
            low: at(0.5 - 0.5 * confidence),
            high: at(0.5 + 0.5 * confidence) + unsure + self.unseen / frames,
        };
        // A template tells every order.
        let alone = place.method == Method::Harmonic || !self.detected;
        let own = matches!(place.method, Method::Harmonic | Method::Template);
        match place.measured.filter(|_| own && alone) {
            Some(measured) => {
                let taken_out = &self.track.orders;
                fitted.plus(untouched(&measured.mains, taken_out, unit, confidence))
            }
            None => fitted,
        }
    }

    /// The whole channel's result; what was added up so far is in the unit that the channel is worked in.
    pub(crate) fn into_separation(
        mut self,
        place: &Place<'_>,
        options: &SeparateOptions,
        offsets: &Offsets,
        input_warnings: &[Warning],
    ) -> Separation {
        let channel = &offsets.channels[place.target];
        let unit = channel.unit;
        for rms in self.track.rms.iter_mut().flatten() {
            *rms *= unit;
        }
        let confidence = options.confidence;
        let frames = self.frames.max(1.0);
        let mains = place.mains();
        let own = matches!(place.method, Method::Harmonic | Method::Template);
        let residual = self.left.power / frames;
        let left = self.left_over(place, unit, confidence);
        let (value, low, high) = (left.value.sqrt(), left.low.sqrt(), left.high.sqrt());
        let interval = (low.min(value), high.max(value));
        let (_, mut found) = self.longest.unwrap_or_default();
        for band in &mut found.touched {
            band.removed_rms *= unit;
        }
        if let Some(matched) = &mut found.matched {
            place.name_references(matched, unit, offsets);
        }
        // What the fit took along of the noise is no mains.
        let removed = (self.mains / frames - residual).max(0.0).sqrt();
        let mut warnings = input_warnings.to_vec();
        // Warnings that hold for part of the record only are not repeated for the whole.
        warnings.extend(self.warnings.into_iter().filter(|w| {
            w.code != WarningCode::MainsNotDetected || !(self.detected || mains.is_some())
        }));
        if own && mains.is_some() && !self.detected {
            warnings.push(WarningCode::ShortRecord.warning(
                "there is mains, but no order of it stands out enough to be taken out without adding more than is there; \
                 none was taken out: capture a longer record",
            ));
        }
        let there = mains
            .filter(|_| own && self.detected)
            .and_then(|mains| mains.hum_rms);
        if let Some(hum) = there.filter(|hum| hum.low > (removed + interval.1) * unit) {
            warnings.push(WarningCode::NotInterferenceAlone.warning(
                format!(
                    "of the hum no more than about {:.0} % could be told from what else is in the record and taken out; \
                     the rest stays: a reference channel or a template takes out more",
                    100.0 * removed * unit / hum.value
                ),
            ));
        }
        warnings.extend(found.matched.iter().flat_map(unused_references));
        warnings.extend(channel.clipping_warning(offsets.frames));
        place.tell_lost_samples(&mut warnings);
        Separation {
            file: place.header.name.clone(),
            channel: place.header.channels[place.target].name.clone(),
            unit: place.header.channels[place.target].unit.clone(),
            output: String::new(),
            method: place.method,
            removed: Removed {
                dc_offset: self.offset * unit,
                mains_rms: removed * unit,
                coherent_rms: (self.coherent / frames).sqrt() * unit,
            },
            mains_frequency_hz: mains.and_then(|mains| mains.frequency_hz),
            hum_rms: mains.filter(|_| own).and_then(|mains| mains.hum_rms),
            residual_hum_rms: Estimate::new(
                value * unit,
                (interval.0 * unit, interval.1 * unit),
                0.5 * value * unit,
                self.left.degrees(),
                confidence,
            ),
            clipped: channel
                .clipped
                .stretches(place.header.time_base.sample_rate_hz),
            warnings,
            note: found.notes.join("; "),
            touched: found.touched,
            matched: found.matched,
            track: self.track,
        }
    }
}

/// Tells of references that were left out.
fn unused_references(matched: &Match) -> impl Iterator<Item = Warning> {
    let unused = matched.references.iter().filter(|one| one.gain == 0.0);
    unused.map(|one| {
        WarningCode::ReferenceNotUsed.warning(format!(
            "the reference '{}' shows nothing of the interference that the others do not, so it was left out; to take out more, \
             sense another source of it there",
            one.channel
        ))
    })
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
