//! Column names and their units.

use crate::load::unit::{self, is_among};
use crate::load::value::cell;

/// Words that say time where they are the whole name.
const TIME_WORDS: &str = "\
    t, x, zeit, temps, tiempo, tempo, clock, seconds, second, sec, elapsed, datetime, timestamp, \
    timestamps, xaxis, abscissa";

/// Words of names of columns that number the rows.
const INDEX_WORDS: &str = "\
    index, idx, n, no, nr, num, number, sample, samples, point, points, pt, record, rec, row, count, \
    counter, reading, scan, seq, sequence, id, i, k, item, line, x, ix, of";

/// A column's name as written, parted from its unit.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Title {
    /// The name, without its unit.
    pub name: String,
    /// The unit's text, where one is written.
    pub unit: Option<String>,
    /// The unit is no more than the name's last word: `Z_nm_s` may be no seconds.
    pub loose_unit: bool,
}

impl Title {
    /// Parts a header cell into name and unit: `Name (V)`, `Name [V]`, `Name/V`, `Name, V`, `Name in V`,
    /// `Name V`, `name_mV` (the name stays whole there), or a unit alone.
    pub fn of(text: &str) -> Self {
        let text = cell::bare(text);
        let text = text.trim_matches('"');
        let text = if text == "#" {
            text
        } else {
            text.trim_start_matches(['#', '%', ';']).trim()
        };
        let with = |name: &str, unit: &str| Self {
            name: name
                .trim()
                .trim_end_matches([',', ':', '-'])
                .trim()
                .to_string(),
            unit: Some(unit.trim().to_string()),
            loose_unit: false,
        };
        for (open, close) in [('(', ')'), ('[', ']'), ('{', '}'), ('<', '>')] {
            let Some((before, rest)) = text.rsplit_once(open) else {
                continue;
            };
            let Some((inner, after)) = rest.split_once(close) else {
                continue;
            };
            let inner = inner.trim_start().strip_prefix("in ").unwrap_or(inner);
            let known = unit::is_unit(inner);
            let foreign = after.trim().is_empty()
                && !before.trim().is_empty()
                && (open == '[' || before.ends_with(char::is_whitespace))
                && !inner.contains(char::is_whitespace)
                && (1..=10).contains(&inner.chars().count())
                && inner.chars().any(char::is_alphabetic);
            if known || foreign {
                let name = format!("{} {}", before.trim(), after.trim());
                return with(&name, inner);
            }
        }
        for mark in ["/", ",", " in ", ":"] {
            if let Some((name, unit)) = text.rsplit_once(mark)
                && !name.trim().is_empty()
                && known(unit)
            {
                return with(name, unit);
            }
        }
        // `CH1 min` is the smallest of something, `Elapsed min` counts minutes.
        let least = |name: &str, unit: &str| {
            unit.eq_ignore_ascii_case("min") && !words(name).iter().any(|word| names_time(word))
        };
        let loose = |(name, unit): &(&str, &str), letters: &[&str]| {
            known(unit)
                && !least(name, unit)
                && (unit.chars().count() > 1 || letters.contains(unit))
        };
        let apart = text.rsplit_once(char::is_whitespace);
        if let Some((name, unit)) = apart.filter(|parts| loose(parts, &["V", "s"])) {
            return Self {
                loose_unit: true,
                ..with(name, unit)
            };
        }
        let joined = text.rsplit_once('_');
        if let Some((_, unit)) = joined.filter(|parts| loose(parts, &["V", "s", "v"])) {
            return Self {
                name: text.to_string(),
                unit: Some(unit.to_string()),
                loose_unit: true,
            };
        }
        // A column named `ADC` holds converter values rather than direct current.
        let alone = (known(text) && text.chars().count() > 1 && !text.eq_ignore_ascii_case("ADC"))
            || text == "V"
            || text == "s";
        Self {
            name: text.trim_end_matches([':', ' ']).to_string(),
            unit: alone.then(|| text.to_string()),
            loose_unit: false,
        }
    }

    /// Whether a name says that its column holds times.
    pub fn says_time(&self) -> bool {
        let unit = self.unit.as_deref();
        if unit.and_then(unit::time_unit).is_some() {
            return true;
        }
        if unit.and_then(unit::value_unit).is_some() {
            return false;
        }
        let words = words(&self.name);
        if matches!(words.as_slice(), [word] if is_among(word, TIME_WORDS)) {
            return true;
        }
        words.iter().any(|word| names_time(word))
            || (words.len() == 2
                && words[0] == "x"
                && matches!(words[1].as_str(), "axis" | "value" | "values"))
    }

    /// Whether a name that says time may as well be that of a signal, so that the numbers must bear it out: `x`,
    /// `t`, or a name of other words that ends in a unit of time.
    pub fn may_be_signal(&self) -> bool {
        let words = words(&self.name);
        if self.names_a_time() {
            return false;
        }
        self.loose_unit
            || self.unit.is_none()
                && matches!(words.as_slice(), [word] if word == "x" || word == "t")
    }

    /// Whether a name has a word for time in it.
    pub fn names_a_time(&self) -> bool {
        words(&self.name).iter().any(|word| names_time(word))
    }

    /// Whether a name says that its column holds frequencies: a spectrum's, not a time base.
    pub fn says_frequency(&self) -> bool {
        self.unit.as_deref().and_then(unit::rate_unit).is_some()
            || words(&self.name)
                .iter()
                .any(|word| matches!(word.as_str(), "frequency" | "freq" | "frequenz"))
    }

    /// Whether a name says that its column numbers the records of a table.
    pub fn says_record(&self) -> bool {
        words(&self.name).iter().any(|word| {
            matches!(
                word.as_str(),
                "segment" | "record" | "sweep" | "block" | "burst" | "shot" | "acquisition"
            )
        })
    }

    /// Whether a name says that its column numbers the rows.
    pub fn says_index(&self) -> bool {
        let name = self.name.trim();
        if name == "#" || self.name.is_empty() && self.unit.is_none() {
            return name == "#";
        }
        let words = words(name);
        !words.is_empty() && words.iter().all(|word| is_among(word, INDEX_WORDS))
    }
}

fn known(unit: &str) -> bool {
    let unit = unit.trim();
    unit::value_unit(unit).is_some() || unit::time_unit(unit).is_some() || unit::is_count_unit(unit)
}

/// Words of a name, lower case: letters and digits kept together, camel case parted.
pub(crate) fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut lower = false;
    for c in text.chars() {
        if (!c.is_alphanumeric() || (c.is_uppercase() && lower)) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if c.is_alphanumeric() {
            lower = c.is_lowercase();
            word.extend(c.to_lowercase());
        } else {
            lower = false;
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    words
}

/// Whether a word is one for time.
fn names_time(word: &str) -> bool {
    matches!(
        word,
        "time" | "times" | "timestamp" | "timebase" | "elapsed" | "zeit" | "uhrzeit" | "tijd"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parted(text: &str) -> (String, Option<String>) {
        let title = Title::of(text);
        (title.name, title.unit)
    }

    #[test]
    fn names_and_units() {
        for (text, name, unit) in [
            ("Voltage (V)", "Voltage", Some("V")),
            ("CH1[mV]", "CH1", Some("mV")),
            ("U/V", "U", Some("V")),
            ("Channel A, mV", "Channel A", Some("mV")),
            ("\"Level (\u{b5}V)\"", "Level", Some("\u{b5}V")),
            ("CH1 mV", "CH1", Some("mV")),
            ("Channel A", "Channel A", None),
            ("mlii_mV", "mlii_mV", Some("mV")),
            ("time_s", "time_s", Some("s")),
            ("volts", "volts", Some("volts")),
            ("V(in)", "V(in)", None),
            ("Force [kN]", "Force", Some("kN")),
            ("Pressure (hPa)", "Pressure", Some("hPa")),
            ("CH1 (filtered signal)", "CH1 (filtered signal)", None),
            ("Signal in mV", "Signal", Some("mV")),
            ("A", "A", None),
            ("ch_A", "ch_A", None),
            ("", "", None),
            ("# time", "time", None),
        ] {
            assert_eq!(
                parted(text),
                (name.into(), unit.map(String::from)),
                "{text}"
            );
        }
    }

    #[test]
    fn time_and_index_words() {
        for text in [
            "Time",
            "TIME (s)",
            "t",
            "time_s",
            "X",
            "Elapsed Time",
            "sampleTime",
            "Second",
            "t/ms",
        ] {
            assert!(Title::of(text).says_time(), "{text}");
        }
        for text in ["CH1", "Voltage (V)", "Volts", "runtime_flag (V)", "T1"] {
            assert!(!Title::of(text).says_time(), "{text}");
        }
        for text in ["#", "No.", "Sample", "Sample #", "index", "Reading No"] {
            assert!(Title::of(text).says_index(), "{text}");
        }
    }
}
