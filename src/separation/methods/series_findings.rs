//! What a fitted series says of a stretch.

use crate::WarningCode;
use crate::separation::findings::Findings;
use crate::separation::fit::{Fit, HumModel};
use crate::separation::result::{HumTrack, TouchedBand};
use std::ops::Range;

/// Points of a track at most.
pub(crate) const TRACK_POINTS: usize = 400;

/// What a fit says of a stretch of so many samples, but for the power of its hum.
pub(crate) fn series_findings(fitted: &Fit, samples: usize, rate_hz: f64) -> Findings {
    let model = &fitted.model;
    let mut findings = Findings {
        detected: !model.orders.is_empty(),
        ..Findings::default()
    };
    if !findings.detected {
        findings.warn(
            WarningCode::MainsNotDetected,
            "no mains series stands above the noise; no hum was taken out",
        );
        findings.notes.push(
            "harmonic method: no mains series stands above the noise, so no hum was taken out"
                .into(),
        );
        return findings;
    }
    let samples = samples as f64;
    let duration = samples / rate_hz;
    let mean_hz = model.cycles() / duration;
    for (o, &order) in model.orders.iter().enumerate() {
        let power = fitted.mean_power(o);
        let parameters = fitted.spent.orders.get(o).copied().unwrap_or(1.0);
        let half = 0.5 * (parameters + 1.0) / duration;
        let centre = order as f64 * mean_hz;
        findings.touched.push(TouchedBand {
            low_hz: (centre - half).max(0.0),
            high_hz: centre + half,
            removed_rms: (0.5 * power).sqrt(),
        });
    }
    (findings.left, findings.unsure_power) = fitted.amplitude_error(samples);
    findings.unsure_power += fitted.excess.lasting;
    findings.unseen_power += fitted.excess.passing;
    findings
        .left
        .add_weighted(1.0, &fitted.track_error(samples));
    findings.track = track(fitted, rate_hz);
    findings.notes.push(told(model, mean_hz));
    findings
}

impl Findings {
    /// What was said of a part is of the whole of so many samples.
    pub(crate) fn tell_of_part(&mut self, part: Range<usize>, whole: usize, rate_hz: f64) {
        let share = part.len() as f64 / whole as f64;
        self.left = self.left.times(share);
        self.unsure_power *= share;
        self.unseen_power *= share;
        let start_s = part.start as f64 / rate_hz;
        self.track.time_s.iter_mut().for_each(|t| *t += start_s);
        self.warn(
            WarningCode::ModulatedHum,
            format!(
                "the hum is there from {start_s:.4} to {:.4} s alone; nothing was taken out of the rest",
                part.end as f64 / rate_hz
            ),
        );
    }
}

/// What was fitted, in a sentence.
fn told(model: &HumModel, mean_hz: f64) -> String {
    let highest = model.orders.iter().max().copied().unwrap_or(0);
    let moving = model.deviations.iter().filter(|d| !d.is_empty()).count();
    let mut note = format!(
        "harmonic method: {} orders of {mean_hz:.4} Hz, the highest the {}, tracked together",
        model.orders.len(),
        ordinal(highest)
    );
    if model.constants.len() > 1 {
        note.push_str(&format!(
            "; {} sudden changes of the load",
            model.constants.len() - 1
        ));
    }
    if model.gain.iter().any(|g| *g != 1.0) {
        note.push_str("; a common modulation was followed");
    }
    if moving > 0 {
        note.push_str(&format!("; {moving} orders vary on their own"));
    }
    note
}

/// A number as a rank: 1st, 2nd, 23rd.
pub(crate) fn ordinal(n: usize) -> String {
    let ending = match (n % 10, n % 100) {
        (1, tens) if tens != 11 => "st",
        (2, tens) if tens != 12 => "nd",
        (3, tens) if tens != 13 => "rd",
        _ => "th",
    };
    format!("{n}{ending}")
}

fn track(fitted: &Fit, rate_hz: f64) -> HumTrack {
    let model = &fitted.model;
    let stride = model.intervals().div_ceil(TRACK_POINTS).max(1);
    let mut track = HumTrack {
        orders: model.orders.clone(),
        rms: vec![Vec::new(); model.orders.len()],
        phase_rad: vec![Vec::new(); model.orders.len()],
        ..HumTrack::default()
    };
    for first in (0..model.intervals()).step_by(stride) {
        let last = (first + stride).min(model.intervals());
        let (from, to) = (model.edges[first] as f64, model.edges[last] as f64);
        track.time_s.push(0.5 * (from + to) / rate_hz);
        let turned = model.phase[last] - model.phase[first];
        track.frequency_hz.push(turned * rate_hz / (to - from));
        let middle = (first + last) / 2;
        for o in 0..model.orders.len() {
            let a = model.amplitude(o, middle.min(model.intervals() - 1), middle);
            track.rms[o].push(a.norm() / std::f64::consts::SQRT_2);
            track.phase_rad[o].push(a.arg());
        }
    }
    track
}

#[cfg(test)]
mod tests {
    use super::ordinal;

    #[test]
    fn ranks_are_spoken() {
        let spoken: Vec<String> = [1, 2, 3, 11, 12, 23, 112, 121].map(ordinal).into();
        let expected = [
            "1st", "2nd", "3rd", "11th", "12th", "23rd", "112th", "121st",
        ];
        assert_eq!(spoken, expected);
    }
}
