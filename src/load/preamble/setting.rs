//! Settings of the instrument as statements write them: coupling, probe, range, rate.

use crate::capture::Coupling;
use crate::load::preamble::quantity::{Value, number_and_unit};
use crate::load::unit;
use crate::load::vocabulary::title::words;

/// A coupling's text: `DC`, `AC`, `DC 1M`, `ac coupled`.
pub(crate) fn coupling(text: &str) -> Option<Coupling> {
    let lower = text.trim().to_lowercase();
    let word = lower
        .split(|c: char| !c.is_alphabetic())
        .next()
        .unwrap_or("");
    match word {
        "dc" => Some(Coupling::Dc),
        "ac" => Some(Coupling::Ac),
        _ => None,
    }
}

/// A probe's text: `10X`, `x10`, `10:1`, `1:10`, `10`.
pub(crate) fn probe_factor(text: &str) -> Option<f64> {
    let text = text
        .trim()
        .to_lowercase()
        .replace(' ', "")
        .replace('\u{d7}', "x");
    let number = |text: &str| {
        text.parse::<f64>()
            .ok()
            .filter(|v| v.is_finite() && *v > 0.0)
    };
    if let Some((a, b)) = text.split_once(':') {
        let (a, b) = (number(a)?, number(b)?);
        return Some((a / b).max(b / a));
    }
    number(text.trim_matches('x').trim_end_matches("x"))
}

/// A range's text as plus or minus so much, with its unit: `±5 V`, `-5..5 V`, `10 Vpp`, `5 V`.
pub(crate) fn range(key: &str, values: &[Value], text: &str) -> Option<(f64, Option<String>)> {
    let lower = text.to_lowercase();
    for separator in ["..", " to ", "\u{2026}", " - "] {
        if let Some((low, high)) = lower.split_once(separator)
            && let (Some((low, _)), Some((high, _))) = (
                number_and_unit(low, b'.'),
                number_and_unit(high.trim_matches('.'), b'.'),
            )
        {
            let unit = number_and_unit(
                text.rsplit_once(['.', 'o', '-']).map_or(text, |(_, t)| t),
                b'.',
            )
            .and_then(|(_, unit)| unit);
            return Some((low.abs().max(high.abs()), unit));
        }
    }
    let value = values.first()?;
    if let [low, high] = values
        && low.number < 0.0
        && low.number == -high.number
    {
        return Some((high.number, high.unit.clone()));
    }
    let span = lower.contains("pp") || lower.contains("p-p") || meaning_is_span(key);
    let unit = value.unit.as_ref().map(|unit| {
        unit.trim_end_matches("pp")
            .trim_end_matches("p-p")
            .trim()
            .to_string()
    });
    let magnitude = value.number.abs();
    (magnitude > 0.0).then_some((if span { magnitude / 2.0 } else { magnitude }, unit))
}

fn meaning_is_span(key: &str) -> bool {
    let squeezed = words(key).concat();
    squeezed.contains("span") || squeezed == "fsr" || squeezed.contains("peaktopeak")
}

/// Lines that hold one of these words name a rate that is not the sample rate.
const OTHER_RATES: &str = "\
    bandwidth, filter, mains, cutoff, tone, generator, frequency, hum, sine, carrier, line, signal";

/// A rate named without a key, `44100Hz` among other words.
pub(crate) fn loose_rate(line: &str) -> Option<f64> {
    let lower = line.to_lowercase();
    if lower.len() > 400 || OTHER_RATES.split(", ").any(|word| lower.contains(word)) {
        return None;
    }
    let tokens: Vec<&str> = line
        .split(|c: char| c.is_whitespace() || matches!(c, ',' | '[' | ']' | '(' | ')' | ';' | '"'))
        .filter(|token| !token.is_empty())
        .collect();
    for (index, token) in tokens.iter().enumerate() {
        let Some((number, unit)) = number_and_unit(token.trim_start_matches('@'), b'.') else {
            continue;
        };
        let words = tokens.get(index + 1..).unwrap_or(&[]);
        let factor = match unit {
            Some(unit) => unit::rate_unit(&unit),
            None => (1..=words.len().min(3))
                .find_map(|count| unit::rate_unit(&words[..count].join(" "))),
        };
        if let Some(factor) = factor {
            return Some(number * factor);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_in_every_style() {
        assert_eq!(probe_factor("10X"), Some(10.0));
        assert_eq!(probe_factor("1:10"), Some(10.0));
        assert_eq!(coupling("AC 1M"), Some(Coupling::Ac));
        assert_eq!(loose_rate("[ASCII 44100Hz, Channels: 2]"), Some(44100.0));
        assert_eq!(loose_rate("Line frequency 50 Hz"), None);
    }
}
