//! The rule of figures: finite, within their intervals, frequencies in the band, noise no more than the record moves.
#![allow(dead_code)]

use humsieve::comparison::{CompareOptions, DecibelRatio, compare};
use humsieve::separation::Separation;
use humsieve::stats::chi_square_scale_interval;
use humsieve::{Condition, Estimate, Measurement};
use std::collections::BTreeMap;

/// What of the figures breaks the rule.
pub fn broken(m: &Measurement) -> Vec<String> {
    let mut found = Vec::new();
    let mut estimate = |name: &str, e: &Estimate| {
        let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
        if !finite || e.low > e.value || e.value > e.high {
            found.push(format!("{name}: {} [{}, {}]", e.value, e.low, e.high));
        }
    };
    estimate("dc_offset", &m.dc_offset);
    estimate("noise", &m.noise.rms);
    estimate("density", &m.noise.density_v_per_rthz);
    for band in &m.noise.third_octaves {
        estimate("third octave", &band.rms);
    }
    if let Some(hum) = &m.mains.hum_rms {
        estimate("hum", hum);
    }
    for h in &m.mains.harmonics {
        estimate(&format!("order {}", h.order), &h.rms);
        if let Some(phase) = &h.phase_deg {
            estimate(&format!("phase {}", h.order), phase);
        }
    }
    let half_rate = 0.5 * m.sample_rate_hz;
    let mut frequencies: Vec<Estimate> = m.tones.iter().map(|t| t.frequency_hz).collect();
    frequencies.extend(m.mains.frequency_hz);
    for f in &frequencies {
        estimate("frequency", f);
    }
    for tone in &m.tones {
        estimate("tone", &tone.rms);
    }
    for f in frequencies {
        if !(0.0..=half_rate).contains(&f.value) {
            found.push(format!("frequency {} of {half_rate}", f.value));
        }
    }
    // The noise over a record is part of what moves in it; its density rests on no less than one bin of two tapers, 3.2
    // degrees of freedom. A step that hides the noise adds its own rounding.
    let factor = chi_square_scale_interval(1.0, 3.0, m.confidence).high;
    let most = factor * m.waveform.ac_rms + m.quality.lsb.unwrap_or(0.0);
    for (name, high) in std::iter::once(("noise", m.noise.rms.high))
        .chain(m.noise.third_octaves.iter().map(|b| ("octave", b.rms.high)))
    {
        if high > most * (1.0 + 1e-9) {
            found.push(format!("{name} up to {high}, AC RMS {}", m.waveform.ac_rms));
        }
    }
    let w = &m.waveform;
    let plain = [
        w.rms,
        w.ac_rms,
        w.peak_to_peak,
        w.crest_factor,
        w.min,
        w.max,
    ];
    let thd = m.mains.thd_percent.unwrap_or(0.0);
    let band = [m.noise.band_hz.0, m.noise.band_hz.1, thd];
    if !plain.iter().chain(&band).all(|x| x.is_finite()) {
        found.push(format!("{w:?} {band:?}"));
    }
    let curves = m.spectrum.iter().flat_map(|s| {
        [&s.frequency_hz, &s.total_v_per_rthz, &s.noise_v_per_rthz]
            .into_iter()
            .flatten()
    });
    if curves.into_iter().any(|x| !x.is_finite()) {
        found.push("spectrum".into());
    }
    found
}

fn broken_ratio(name: &str, ratio: Option<&DecibelRatio>) -> Option<String> {
    let r = ratio?;
    // An end that is open is negative infinity below, nothing above.
    let right = r.value.is_finite()
        && r.low <= r.value
        && r.high.is_none_or(|h| h.is_finite() && h >= r.value);
    (!right).then(|| format!("{name}: {r:?}"))
}

pub fn broken_comparison(
    captures: &BTreeMap<Condition, Vec<Measurement>>,
    confidence: f64,
) -> Vec<String> {
    let options = CompareOptions::default().confidence(confidence);
    let Ok(comparison) = compare(captures, &options) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for q in &comparison.quantities {
        for e in [
            q.baseline,
            q.looped,
            q.isolated,
            q.loop_excess,
            q.residual_excess,
        ]
        .iter()
        .flatten()
        {
            let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
            if !finite || e.low > e.value || e.value > e.high {
                found.push(format!(
                    "compare {}: {} [{}, {}]",
                    q.name, e.value, e.low, e.high
                ));
            }
        }
        let name = q.name.name();
        found.extend(broken_ratio(&name, q.improvement_db.as_ref()));
        found.extend(broken_ratio(&name, q.excess_reduction_db.as_ref()));
    }
    found
}

/// What of a separation breaks the rule.
pub fn broken_separation(s: &Separation) -> Vec<String> {
    let mut found = Vec::new();
    let method = s.method;
    let mut figures = vec![s.residual_hum_rms];
    figures.extend(s.mains_frequency_hz);
    for e in figures {
        let finite = [e.value, e.low, e.high].iter().all(|x| x.is_finite());
        if !finite || e.low > e.value || e.value > e.high {
            found.push(format!("{method:?}: {} [{}, {}]", e.value, e.low, e.high));
        }
    }
    let removed = [
        s.removed.dc_offset,
        s.removed.mains_rms,
        s.removed.coherent_rms,
    ];
    if !removed.iter().all(|x| x.is_finite()) {
        found.push(format!("{method:?} removed {removed:?}"));
    }
    found
}
