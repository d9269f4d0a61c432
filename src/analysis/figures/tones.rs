//! Tones: lines that are no harmonic.

use super::cause::relate;
use super::facts::ChannelFacts;
use super::floors::Floors;
use crate::analysis::measurement::{Mains, Tone};
use crate::analysis::noise::NoiseFloor;
use crate::analysis::stretches::FittedRecord;
use crate::stats::{Estimate, LinePower};

pub(super) fn tones(
    facts: &ChannelFacts<'_>,
    record: &FittedRecord,
    floors: &Floors,
    mains: &Mains,
) -> Vec<Tone> {
    let fit = &record.fit;
    let mut tones: Vec<Tone> = fit
        .tones
        .iter()
        .filter_map(|tone| {
            let line = tone.combined.harmonics.first()?;
            let power = line.power.divided(facts.gain(tone.combined.frequency_hz));
            Some(Tone {
                frequency_hz: Estimate::student(
                    tone.combined.frequency_hz,
                    tone.combined.frequency_variance.sqrt(),
                    line.power.noise_dof,
                    facts.options.confidence,
                ),
                rms: power.rms(facts.options.confidence),
                relation: None,
                power,
            })
        })
        .collect();
    let seen = |hz, floor, raw: &[f64]| high_tone(hz, floor, raw, facts.options.confidence);
    if let Some(faint) = &record.faint {
        let all = faint.hz.iter();
        tones.extend(all.map(|&hz| seen(hz, &fit.floor, &faint.density)));
    }
    if let Some(high) = &floors.high {
        let all = high.peaks.iter();
        tones.extend(all.map(|peak| seen(peak.frequency_hz, &high.floor, &high.total)));
    }
    let half_rate = 0.5 * facts.rate_hz();
    tones.retain(|t| {
        t.rms.value > facts.resolvable() && (0.0..half_rate).contains(&t.frequency_hz.value)
    });
    for tone in &mut tones {
        let frequency = &mut tone.frequency_hz;
        (frequency.low, frequency.high) = (frequency.low.max(0.0), frequency.high.min(half_rate));
    }
    tones.sort_by(|a, b| b.rms.value.total_cmp(&a.rms.value));
    relate(&mut tones, mains, fit.combined.frequency_hz);
    for aliased in facts.aliased() {
        aliased.relate(&mut tones);
    }
    tones
}

/// A tone seen in a density alone: its excess power over the tapers' bandwidth.
fn high_tone(frequency_hz: f64, floor: &NoiseFloor, raw: &[f64], confidence: f64) -> Tone {
    let tapers = floor.tapers();
    let (level, dof) = floor.level_at(frequency_hz, 0.0);
    let reach = tapers.ceil() + 1.0;
    let centre = frequency_hz / floor.bin_hz;
    let from = (centre - reach).ceil().max(0.0) as usize;
    let to = ((centre + reach).floor() as usize).min(raw.len().saturating_sub(1));
    let observed: f64 = raw[from..=to].iter().sum::<f64>() * floor.bin_hz;
    let noise = level * (to - from + 1) as f64 * floor.bin_hz;
    let records = 0.5 * floor.bin_dof;
    let signal = (observed - noise).max(0.0);
    // Over each record the line meets one cell's noise S/T_record.
    let cell = level * floor.bin_hz;
    let variance = (2.0 * signal * cell + noise * cell) / records;
    let power = LinePower::of_sum(observed, noise, variance, dof);
    // Centroid of the tapers' flat top: the single-tone bound of each record, doubled.
    let deviation = 2.0
        * (1.5 * cell / (std::f64::consts::PI.powi(2) * signal.max(cell) * records)).sqrt()
        * floor.bin_hz;
    Tone {
        frequency_hz: Estimate::normal(frequency_hz, deviation, confidence),
        rms: power.rms(confidence),
        relation: None,
        power,
    }
}
