//! The difference method: a second tip, matched in gain and delay, subtracted (pseudo-differential).

use super::harmonic::{Centred, Parts};
use super::input::{check_pair, check_samples};
use super::matching::{Correlations, CrossSpectra, Filter, match_channels};
use super::reference::bound;
use super::result::{Findings, Match, Rejection};
use crate::Error;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest delay between two tips, s: under half a mains cycle, so that hum cannot be taken a cycle off.
const LONGEST_DELAY_S: f64 = 0.004;
const LONGEST_LAG: f64 = 2048.0;

/// Subtracts `other`, matched in gain and delay (also a fraction of a sample) by least squares.
///
/// # Errors
/// `NoSamples` for no samples, `BadValue` for channels of unequal length, `BadOption` for a rate or a setting out of
/// range.
pub fn difference(samples: &[f64], other: &[f64], sample_rate_hz: f64) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    check_pair(samples, other)?;
    let centred = Centred::new(samples);
    let second = Centred::new(other);
    let (interference, _) = separate_difference(&centred, &second, sample_rate_hz);
    Ok(Parts::new(samples, &centred, interference))
}

pub(super) fn separate_difference(
    centred: &Centred,
    other: &Centred,
    rate_hz: f64,
) -> (Vec<f64>, Findings) {
    let n = centred.values.len();
    let longest = (LONGEST_DELAY_S * rate_hz)
        .clamp(4.0, LONGEST_LAG)
        .min(n as f64 / 8.0) as usize;
    let mut found = Findings::default();
    let Some(filter) = match_channels(
        &centred.values,
        &other.values,
        longest,
        rate_hz,
        Correlations::gain_and_delay,
    ) else {
        found
            .notes
            .push("difference method: one of the tips is constant; nothing was subtracted".into());
        return (vec![0.0; n], found);
    };
    let removed = filter.apply(&other.values);
    let power = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>() / n.max(1) as f64;
    let left: Vec<f64> = centred
        .values
        .iter()
        .zip(&removed)
        .map(|(x, r)| x - r)
        .collect();
    let spectra = CrossSpectra::new(&centred.values, &other.values, rate_hz);
    let coherence = spectra.coherence();
    let noise_factor = (1.0 + filter.gain * filter.gain).sqrt();
    found.coherent_power = power(&removed);
    found.own_offset = Some(filter.gain * other.mean);
    found.notes.push(format!(
        "difference method: second tip subtracted with gain {:.5} and delay {:.4} samples; \
         independent noise and the converter's step grow by a factor {noise_factor:.2}",
        filter.gain, filter.delay
    ));
    found.matched = Some(Match {
        gain: filter.gain,
        delay_s: filter.delay / rate_hz,
        coherence,
        bound_db: bound(coherence),
        reached_db: Some(10.0 * (power(&centred.values) / power(&left).max(1e-300)).log10()),
        rejection: rejection(&spectra, &filter, rate_hz),
        noise_factor,
    });
    (removed, found)
}

/// Rejection in octaves: what the second tip predicts of the first, before and after matching.
fn rejection(spectra: &CrossSpectra, filter: &Filter, rate_hz: f64) -> Vec<Rejection> {
    let mut list = Vec::new();
    let mut low = 1usize;
    while low < spectra.target.len() {
        let high = (2 * low).min(spectra.target.len());
        let (mut plain, mut matched, mut whole) = (0.0, 0.0, 1e-300);
        for i in low..high {
            let power = spectra.other[i];
            if power <= 0.0 {
                continue;
            }
            let transfer = spectra.cross[i] / power;
            let omega = 2.0 * PI * i as f64 * spectra.bin_hz / rate_hz;
            let model = Complex64::from_polar(filter.gain, -omega * filter.delay);
            plain += (transfer - 1.0).norm_sqr() * power;
            matched += (transfer - model).norm_sqr() * power;
            whole += power;
        }
        let db = |left: f64| -10.0 * (left / whole).max(1e-20).log10();
        list.push(Rejection {
            frequency_hz: (low as f64 * high as f64).sqrt() * spectra.bin_hz,
            before_db: db(plain),
            after_db: db(matched),
        });
        low = high;
    }
    list
}
