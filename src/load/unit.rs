//! Units of columns and preamble values.

/// A unit after conversion: the SI name and the factor to it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Unit {
    /// Name after conversion (`V`, `A`, ...), or the file's own where it is no known unit.
    pub name: String,
    /// Multiplies values in the file's unit.
    pub factor: f64,
}

impl Unit {
    /// One that is taken as it is written.
    pub fn foreign(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            factor: 1.0,
        }
    }
}

const PREFIXES: [(&str, f64); 12] = [
    ("f", 1e-15),
    ("p", 1e-12),
    ("n", 1e-9),
    ("u", 1e-6),
    ("\u{b5}", 1e-6),
    ("\u{3bc}", 1e-6),
    ("m", 1e-3),
    ("c", 1e-2),
    ("k", 1e3),
    ("K", 1e3),
    ("M", 1e6),
    ("G", 1e9),
];

const LONG_PREFIXES: [(&str, f64); 7] = [
    ("pico", 1e-12),
    ("nano", 1e-9),
    ("micro", 1e-6),
    ("milli", 1e-3),
    ("kilo", 1e3),
    ("mega", 1e6),
    ("giga", 1e9),
];

/// Strips brackets and blanks around a unit.
fn bare(text: &str) -> &str {
    text.trim()
        .trim_start_matches(['(', '[', '{', '<'])
        .trim_end_matches([')', ']', '}', '>'])
        .trim()
}

/// The factor of one of these symbols or words, both parted by blanks, with or without a prefix.
fn prefixed(text: &str, symbols: &str, words: &str) -> Option<f64> {
    let factor = |prefix: &str, prefixes: &[(&str, f64)]| match prefix {
        "" => Some(1.0),
        _ => prefixes
            .iter()
            .find(|(name, _)| *name == prefix)
            .map(|(_, factor)| *factor),
    };
    symbols
        .split_whitespace()
        .find_map(|symbol| factor(text.strip_suffix(symbol)?, &PREFIXES))
        .or_else(|| {
            let lower = text.to_lowercase();
            words.split_whitespace().find_map(|word| {
                let prefix = lower.strip_suffix(word)?.trim_end_matches(['-', ' ']);
                factor(prefix, &LONG_PREFIXES)
            })
        })
}

/// A unit of time in seconds: `s`, `ms`, `µs`, `ns`, `min`, `h` and their words.
pub(crate) fn time_unit(text: &str) -> Option<f64> {
    let text = bare(text);
    match text.to_lowercase().as_str() {
        "s" | "sec" | "secs" | "sec." => return Some(1.0),
        "msec" | "msecs" => return Some(1e-3),
        "usec" | "usecs" | "\u{b5}sec" | "\u{3bc}sec" => return Some(1e-6),
        "nsec" | "nsecs" => return Some(1e-9),
        "millis" => return Some(1e-3),
        "micros" => return Some(1e-6),
        "min" | "mins" | "minute" | "minutes" => return Some(60.0),
        "h" | "hr" | "hrs" | "hour" | "hours" => return Some(3600.0),
        "ms" | "us" | "ns" | "ps" | "\u{b5}s" | "\u{3bc}s" => {
            return prefixed(&text.to_lowercase(), "s", "");
        }
        _ => {}
    }
    prefixed(text, "", "seconds second sekunden")
}

/// A unit of rate in hertz: `Hz`, `kHz`, `S/s`, `kSa/s`, `samples/second`, ...
pub(crate) fn rate_unit(text: &str) -> Option<f64> {
    let text = bare(text);
    let squeezed: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let squeezed = squeezed.trim_end_matches('.');
    let squeezed = ["/channel", "/ch", "perchannel"]
        .iter()
        .find_map(|each| squeezed.strip_suffix(each))
        .unwrap_or(squeezed);
    let symbols = "Hz HZ hz S/s Sa/s SPS sps Sps S/S sa/s Samples/s samples/s Sa/sec S/sec /s 1/s";
    let words = "hertz samples/second samples/sec samplespersecond samples/s sps";
    prefixed(squeezed, symbols, words).or_else(|| match squeezed.to_lowercase().as_str() {
        "khz" => Some(1e3),
        "mhz" => Some(1e6),
        "ghz" => Some(1e9),
        "s-1" | "s^-1" | "pts/s" | "points/s" | "scans/s" | "scans/sec" | "readings/s" => Some(1.0),
        _ => None,
    })
}

/// A unit of the values that is known and converted to SI.
pub(crate) fn value_unit(text: &str) -> Option<Unit> {
    let text = bare(text);
    if text.is_empty() || text.len() > 24 {
        return None;
    }
    // Meters append the coupling to the unit: VDC, mVAC, "V DC".
    let lower = text.to_lowercase();
    let stem = ["dc+ac", "ac+dc", "dc", "ac"]
        .iter()
        .find(|suffix| lower.ends_with(*suffix) && lower.len() > suffix.len())
        .and_then(|suffix| text.get(..text.len() - suffix.len()))
        .map_or(text, |stem| stem.trim_end_matches(['_', ' ', '-']));
    let small = stem.to_lowercase();
    let volts = || match small.as_str() {
        "mv" | "uv" | "kv" | "\u{b5}v" | "\u{3bc}v" => prefixed(&small, "v", ""),
        _ => (stem == "v").then_some(1.0),
    };
    let named = |name: &str| {
        let name = name.to_owned();
        move |factor| Unit { name, factor }
    };
    prefixed(stem, "V", "volts volt")
        .or_else(volts)
        .map(named("V"))
        .or_else(|| prefixed(stem, "A", "amperes ampere amps amp").map(named("A")))
        .or_else(|| prefixed(text, "W", "watts watt").map(named("W")))
        .or_else(|| prefixed(text, "\u{3a9} \u{2126}", "ohms ohm").map(named("\u{3a9}")))
}

/// Units of raw converter values.
const COUNT_UNITS: &str = "\
    count, counts, cnt, cnts, lsb, lsbs, code, codes, raw, adc, adu, adc counts, adc count, digits, \
    digit, bits, bit, raw counts, adc code, adc codes";

/// Units that pass through: nothing is converted.
const OTHER_UNITS: &str = "\
    %, db, dbv, dbm, dbfs, \u{b0}c, \u{b0}f, degc, degf, deg, k, hz, khz, pa, kpa, bar, mbar, psi, n, \
    kn, kg, g, mg, m, mm, um, nm, \u{b5}m, m/s, m/s2, m/s\u{b2}, m/s^2, rpm, t, mt, f, nf, pf, c, pc, \
    rad, strain, ppm, v/v, mv/v, \u{b5}m/m, lux, lx, w/m2, fs, rh, %rh, u, arb, a.u., au, arb. units, \
    units";

/// Whether a list, parted by commas, holds a word.
pub(crate) fn is_among(word: &str, list: &str) -> bool {
    list.split(", ").any(|listed| listed == word)
}

/// Whether a text is a unit of raw converter values.
pub(crate) fn is_count_unit(text: &str) -> bool {
    is_among(&bare(text).to_lowercase(), COUNT_UNITS)
}

/// Anything that can stand in a row of units.
pub(crate) fn is_unit(text: &str) -> bool {
    value_unit(text).is_some()
        || time_unit(text).is_some()
        || rate_unit(text).is_some()
        || is_count_unit(text)
        || is_among(&bare(text).to_lowercase(), OTHER_UNITS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volts_and_their_multiples() {
        for (text, factor) in [
            ("V", 1.0),
            ("mV", 1e-3),
            ("(uV)", 1e-6),
            ("[\u{b5}V]", 1e-6),
            ("\u{3bc}V", 1e-6),
            ("kV", 1e3),
            ("Volt", 1.0),
            ("volts", 1.0),
            ("millivolts", 1e-3),
            ("mVDC", 1e-3),
            ("V AC", 1.0),
        ] {
            assert_eq!(
                value_unit(text),
                Some(Unit {
                    name: "V".into(),
                    factor
                }),
                "{text}"
            );
        }
        assert_eq!(value_unit("mA").unwrap().name, "A");
        assert_eq!(value_unit("counts"), None);
        assert_eq!(value_unit("Vdiv"), None);
    }

    #[test]
    fn times_and_rates() {
        assert_eq!(time_unit("\u{b5}s"), Some(1e-6));
        assert_eq!(time_unit("(ms)"), Some(1e-3));
        assert_eq!(time_unit("Second"), Some(1.0));
        assert_eq!(time_unit("V"), None);
        assert_eq!(rate_unit("kS/s"), Some(1e3));
        assert_eq!(rate_unit("MSa/s"), Some(1e6));
        assert_eq!(rate_unit("samples per second"), Some(1.0));
        assert_eq!(rate_unit("Hz"), Some(1.0));
        assert_eq!(rate_unit("V"), None);
    }
}
