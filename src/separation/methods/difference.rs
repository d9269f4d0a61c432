//! The difference method: a second tip, matched in gain and delay, subtracted (pseudo-differential).

use super::channels::{CrossSpectra, GainDelay, Record, broadband, less, matched, possible, power};
use super::drift::follow;
use super::parts::Parts;
use crate::Error;
use crate::separation::findings::Findings;
use crate::separation::result::{Match, Rejection};
use crate::separation::samples::{Centred, check_pair, check_samples, in_units};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Longest delay between two tips, s: under half a mains cycle, so that hum cannot be taken a cycle off.
const LONGEST_DELAY_S: f64 = 0.004;
const LONGEST_LAG: f64 = 2048.0;

/// Subtracts `other`, matched in gain and delay (also a part of a sample), and by a short filter on top where the
/// coherence of what is left proves that it pays.
///
/// Gain and delay are fitted where the wanted signal is not (Knapp & Carter, IEEE Trans. ASSP 24, 1976, from memory), up to
/// half the rate; where blocks of a record of 1.5 s or more prove that they drift, the second tip is brought to the first one's gain and
/// clock before; a delay of up to 4 ms and 2048 samples, either way, is found. Where the tips have nothing in common
/// nothing is subtracted but the offset.
///
/// # Errors
/// `NoSamples` for no samples, `BadValue` for channels of unequal length, `BadOption` for a rate out of range.
pub fn difference(samples: &[f64], other: &[f64], sample_rate_hz: f64) -> Result<Parts, Error> {
    check_samples(samples, sample_rate_hz)?;
    check_pair(samples, other)?;
    let (scaled, unit) = in_units(samples);
    let centred = Centred::new(&scaled);
    let second = Centred::new(&in_units(other).0);
    let (interference, _) = separate_difference(&centred, &second, sample_rate_hz);
    Ok(Parts::new(samples, &centred, interference, unit))
}

pub(crate) fn separate_difference(
    centred: &Centred,
    other: &Centred,
    rate_hz: f64,
) -> (Vec<f64>, Findings) {
    let n = centred.values.len();
    let longest = (LONGEST_DELAY_S * rate_hz)
        .clamp(4.0, LONGEST_LAG)
        .min(n as f64 / 8.0) as usize;
    let mut found = Findings::default();
    let second = other.bridged();
    let there = |i: usize| centred.has(i) && other.has(i);
    let others = [&second[..]];
    let record = Record {
        target: &centred.values,
        there: &there,
        others: &others,
        longest,
    };
    let whole = matched(&record);
    let followed = whole
        .as_ref()
        .and_then(|whole| Some(follow(&record, &whole.parts.first()?.fit, rate_hz)));
    let others = [match &followed {
        Some(Ok(followed)) => &followed.other[..],
        _ => &second[..],
    }];
    let record = Record {
        others: &others,
        ..record
    };
    let whole = match followed {
        Some(Ok(_)) => matched(&record),
        _ => whole,
    };
    let Some(matched) = whole.and_then(|found| broadband(&record, found, rate_hz)) else {
        found.unsure_power = power(&centred.values);
        found.notes.push(
            "difference method: the tips have nothing in common; nothing was subtracted".into(),
        );
        return (vec![0.0; n], found);
    };
    let left = power(&less(&centred.values, &matched.removed));
    let spectra = CrossSpectra::new(&centred.values, &others, rate_hz);
    let coherence = spectra.coherence();
    let fit = matched.matched.parts[0].fit;
    let noise_factor = (1.0 + fit.gain * fit.gain).sqrt();
    let reached = (left > 0.0).then(|| 10.0 * (power(&centred.values) / left).log10());
    found.coherent_power = power(&matched.removed);
    found.own_offset = Some(fit.gain * other.mean);
    found.left = matched.doubt;
    found.unsure_power = fit.floor;
    found.notes.push(format!(
        "difference method: second tip subtracted {}; independent noise and the converter's step grow by \
         a factor {noise_factor:.2}",
        matched.told()
    ));
    match &followed {
        Some(Ok(followed)) => {
            followed.add_doubt(fit.gain, &mut found);
            found.notes.push(followed.told(rate_hz));
        }
        Some(Err(hidden)) => hidden.add_doubt(&second, fit.gain, &mut found),
        None => {}
    }
    found.matched = Some(Match {
        gain: fit.gain,
        delay_s: fit.delay / rate_hz,
        coherence,
        bound_db: possible(coherence, reached),
        reached_db: reached,
        rejection: rejection(&spectra, &fit, rate_hz),
        noise_factor,
        ..Match::default()
    });
    (matched.removed, found)
}

/// Rejection in octaves: what the second tip predicts of the first, before and after matching.
fn rejection(spectra: &CrossSpectra, filter: &GainDelay, rate_hz: f64) -> Vec<Rejection> {
    let mut list = Vec::new();
    for (low, high) in spectra.octaves() {
        let (mut plain, mut matched, mut whole) = (0.0, 0.0, 1e-300);
        for i in low..high {
            let power = spectra.others[0][i];
            if power <= 0.0 {
                continue;
            }
            let transfer = spectra.cross[0][i] / power;
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
    }
    list
}
