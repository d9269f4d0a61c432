//! What stands in front of the data: keys and values in the trade's general words.

use super::cell;
use super::dialect::{Delimiter, Dialect, filled};
use super::header::words;
use super::number::parse_decimal;
use super::unit;
use crate::capture::Coupling;
use serde::Serialize;
use std::borrow::Cow;

/// A statement of the preamble as it is written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fact {
    /// The key's text.
    pub key: String,
    /// The cells after it.
    pub values: Vec<String>,
    /// Its 1-based line.
    pub line: u64,
}

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Meaning {
    /// Frames per second.
    SampleRate,
    /// Time from frame to frame.
    SampleInterval,
    /// Number of frames.
    Points,
    /// Units of the channel a converter count stands for.
    CountScale,
    /// Count that stands for zero.
    CountReference,
    /// Added to the scaled counts.
    Offset,
    /// Range of the input.
    FullScale,
    /// Input coupling.
    Coupling,
    /// Attenuation of the probe.
    ProbeFactor,
    /// Unit of the values.
    ValueUnit,
    /// Unit of the time column.
    TimeUnit,
    /// Time of the first frame.
    StartTime,
    /// Frame, or share of the record, at which the trigger lies.
    TriggerPosition,
}

const IGNORED: [&str; 22] = [
    "bandwidth",
    "filter",
    "cutoff",
    "generator",
    "carrier",
    "mains",
    "fundamental",
    "baud",
    "refresh",
    "trigger level",
    "trigger source",
    "trigger type",
    "trigger mode",
    "trigger slope",
    "trigger coupling",
    "holdoff",
    "display",
    "cursor",
    "firmware",
    "averag",
    "serial",
    "math",
];

/// The meaning of a key, where it is one of those used.
pub(super) fn meaning(key: &str) -> Option<Meaning> {
    let words = words(key.split(['(', '[']).next().unwrap_or(key));
    if words.is_empty() || words.len() > 8 {
        return None;
    }
    let spaced = words.join(" ");
    let squeezed = words.concat();
    if IGNORED.iter().any(|word| spaced.contains(word)) {
        return None;
    }
    let is = |names: &[&str]| names.contains(&squeezed.as_str());
    let holds = |names: &[&str]| names.iter().any(|name| squeezed.contains(name));
    let lower = key.to_lowercase();
    let per_count = [
        "/count",
        "/lsb",
        "/bit",
        "/code",
        "/digit",
        "/adc",
        "per count",
        "per lsb",
        "per bit",
        "per code",
        "per digit",
    ]
    .iter()
    .any(|part| lower.contains(part));
    if per_count && !lower.contains("div") {
        return Some(Meaning::CountScale);
    }
    if holds(&["coupling"]) {
        return Some(Meaning::Coupling);
    }
    if holds(&["probe"])
        && (words.len() == 1
            || holds(&[
                "attenuation",
                "factor",
                "ratio",
                "gain",
                "scale",
                "setting",
                "probechannel",
            ]))
        || is(&[
            "attenuation",
            "attenuationfactor",
            "atten",
            "probeatten",
            "inputattenuation",
        ])
    {
        return Some(Meaning::ProbeFactor);
    }
    if is(&[
        "xunit",
        "xunits",
        "horizontalunit",
        "horizontalunits",
        "timeunit",
        "timeunits",
        "xaxisunit",
        "xaxisunits",
        "timebaseunit",
    ]) {
        return Some(Meaning::TimeUnit);
    }
    if is(&[
        "unit",
        "units",
        "yunit",
        "yunits",
        "verticalunit",
        "verticalunits",
        "valueunit",
        "valueunits",
        "dataunit",
        "dataunits",
        "measurementunit",
        "measurementunits",
        "yaxisunit",
        "yaxisunits",
        "channelunit",
        "channelunits",
        "amplitudeunit",
        "amplitudeunits",
        "einheit",
        "engineeringunit",
        "engineeringunits",
        "voltageunit",
        "voltageunits",
        "signalunit",
    ]) {
        return Some(Meaning::ValueUnit);
    }
    if holds(&[
        "triggerposition",
        "triggerpoint",
        "triggersample",
        "triggerindex",
        "triggeraddress",
        "pretriggersamples",
        "pretriggerpoints",
        "presamples",
    ]) || is(&["pretrigger", "ptoff", "pretrig", "trigpos", "triggerat"])
    {
        return Some(Meaning::TriggerPosition);
    }
    if holds(&[
        "samplerate",
        "samplingrate",
        "samplefreq",
        "samplingfreq",
        "samplespersec",
        "sampless",
        "acquisitionrate",
        "acquisitionfreq",
        "scanrate",
        "datarate",
        "recordrate",
        "recordingrate",
        "digitizingrate",
        "digitizerrate",
        "loggingrate",
        "lograte",
        "pointspersec",
        "abtastrate",
        "abtastfrequenz",
        "samplehz",
        "readingspersec",
        "sasec",
        "conversionrate",
        "digitizerfreq",
    ]) || is(&[
        "fs",
        "sr",
        "rate",
        "srate",
        "fsample",
        "samprate",
        "fsamp",
        "framerate",
        "fshz",
        "ratehz",
        "sps",
        "samplefs",
        "sampling",
        "odr",
    ]) {
        return Some(Meaning::SampleRate);
    }
    if !holds(&[
        "trigger", "delay", "scale", "div", "window", "capture", "total", "gate",
    ]) && (holds(&[
        "sampleinterval",
        "samplinginterval",
        "sampleperiod",
        "samplingperiod",
        "sampletime",
        "samplingtime",
        "timestep",
        "timeincr",
        "timeinterval",
        "timedelta",
        "deltatime",
        "xincr",
        "xinc",
        "xdelta",
        "deltax",
        "xstep",
        "timeperpoint",
        "timepersample",
        "secondspersample",
        "secondsperpoint",
        "hinterval",
        "horizontalint",
        "horizontalincr",
        "horizontalstep",
        "intervaltime",
        "timeresolution",
        "horizontalres",
        "hresolution",
        "logginginterval",
        "loginterval",
        "recordinginterval",
        "recordinterval",
        "scaninterval",
        "pointspacing",
        "samplespacing",
        "abtastintervall",
        "sampledistance",
        "samplestep",
        "readinginterval",
        "sampdt",
        "sampleincr",
        "acquisitioninterval",
        "measurementinterval",
        "measureinterval",
        "dtseconds",
        "pointinterval",
    ]) || is(&[
        "dt",
        "increment",
        "interval",
        "tinc",
        "tincr",
        "tincrement",
        "step",
        "delta",
        "dx",
        "xinterval",
        "tdelta",
        "deltat",
        "δt",
        "δtime",
        "tstep",
        "tsample",
        "tsamp",
        "ts",
        "tint",
        "dtsec",
        "dts",
        "incr",
        "xres",
        "xresolution",
        "stepsize",
        "resolutiontime",
    ])) {
        return Some(Meaning::SampleInterval);
    }
    if holds(&[
        "recordlength",
        "numberofpoints",
        "numpoints",
        "npoints",
        "pointcount",
        "numberofsamples",
        "numsamples",
        "nsamples",
        "samplecount",
        "memorylength",
        "memorydepth",
        "waveformlength",
        "datapoints",
        "datalength",
        "nrofpoints",
        "noofpoints",
        "nrofsamples",
        "noofsamples",
        "tracelength",
        "samplesperchannel",
        "pointsperchannel",
        "numberofreadings",
        "numberofframes",
        "framecount",
        "samplesnumber",
        "pointsnumber",
        "recordpoints",
        "totalsamples",
        "totalpoints",
        "waveformpoints",
        "wavelength",
    ]) || is(&[
        "points", "samples", "npts", "nrpt", "length", "frames", "readings", "nopoints", "numpts",
        "nrpts", "nsamp", "pts",
    ]) {
        return Some(Meaning::Points);
    }
    if holds(&[
        "yreference",
        "yref",
        "zerocount",
        "zerocode",
        "countzero",
        "adczero",
        "midscale",
        "offsetcount",
        "countoffset",
        "countsoffset",
        "zeropoint",
        "codezero",
        "offsetlsb",
        "offsetcode",
        "zerolevel",
        "referencecount",
        "midcode",
        "countreference",
        "zeroreference",
    ]) || is(&["yoff", "reference"])
    {
        return Some(Meaning::CountReference);
    }
    if holds(&[
        "fullscale",
        "inputrange",
        "voltagerange",
        "verticalrange",
        "measurementrange",
        "measuringrange",
        "adcrange",
        "channelrange",
        "inputspan",
        "rangesetting",
        "messbereich",
    ]) || is(&[
        "range", "fsr", "span", "maxinput", "yrange", "rangev", "fsv",
    ]) {
        return Some(Meaning::FullScale);
    }
    if holds(&["offset"]) && holds(&["time", "horizontal", "xoff"])
        || is(&[
            "starttime",
            "xorigin",
            "xzero",
            "xstart",
            "firstpoint",
            "firsttime",
            "timeorigin",
            "horizontalstart",
            "begintime",
            "t0",
            "start",
            "starttimes",
            "starttimesec",
            "xorg",
            "xmin",
            "timestart",
            "timeoffirstpoint",
            "timeoffirstsample",
            "tstart",
            "xoffset",
            "origin",
            "t0s",
        ])
    {
        return Some(Meaning::StartTime);
    }
    if holds(&["offset"]) || is(&["yzero", "yorigin", "zero", "intercept", "yzer", "yorg"]) {
        return (!holds(&["position"])).then_some(Meaning::Offset);
    }
    if holds(&[
        "verticalscale",
        "yscale",
        "ymult",
        "yincr",
        "yinc",
        "voltspercount",
        "countstovolts",
        "scalefactor",
        "scalingfactor",
        "calibrationfactor",
        "conversionfactor",
        "verticalgain",
        "channelgain",
        "adcgain",
        "lsbsize",
        "lsbvalue",
        "lsbweight",
        "ystep",
        "verticalincr",
        "verticalstep",
        "codewidth",
        "verticalmult",
        "calfactor",
    ]) || is(&[
        "gain",
        "scale",
        "scaling",
        "lsb",
        "multiplier",
        "factor",
        "slope",
        "vlsb",
        "ygain",
        "mult",
        "voltslsb",
        "lsbv",
        "scalev",
        "gainv",
    ]) {
        return Some(Meaning::CountScale);
    }
    None
}

/// Takes the marks of a comment off the front of a line.
pub(super) fn uncommented(line: &str) -> &str {
    let mut text = line.trim();
    if text.starts_with(['#', '%', ';', '!', '*', '/', '>', '\'']) || text.starts_with("--") {
        text = text
            .trim_start_matches(['#', '%', ';', '!', '*', '/', '>', '\'', '-'])
            .trim();
    }
    text
}

/// The statements of one line.
pub(super) fn facts_of(line: &str, number: u64, dialect: Dialect, facts: &mut Vec<Fact>) {
    let text = uncommented(line);
    if text.is_empty() || text.len() > 1 << 14 {
        return;
    }
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    dialect.split(text, &mut cells);
    if dialect.delimiter == Delimiter::Blanks || filled(&cells) < 2 {
        // Blanks part words as well as cells here: the other marks decide.
        let delimiter = if text.contains('\t') {
            Some(b'\t')
        } else if text.contains(';') {
            Some(b';')
        } else if text.contains('"')
            || text.matches(',').count() == text.matches(", ").count()
            || !text.contains([':', '='])
        {
            Some(b',')
        } else {
            None
        };
        let mut parts: Vec<Cow<'_, str>> = Vec::new();
        match delimiter {
            Some(delimiter) => Dialect {
                delimiter: Delimiter::Byte(delimiter),
                ..dialect
            }
            .split(text, &mut parts),
            None => parts.push(Cow::Borrowed(text)),
        }
        facts_of_cells(&parts, number, facts);
        return;
    }
    facts_of_cells(&cells, number, facts);
}

/// The statements of a row of cells.
pub(super) fn facts_of_cells(cells: &[Cow<'_, str>], number: u64, facts: &mut Vec<Fact>) {
    let cells: Vec<&str> = cells
        .iter()
        .map(|cell| cell::bare(cell).trim_matches(['[', ']', '{', '}']).trim())
        .collect();
    let mut at = 0;
    while at < cells.len() {
        let text = uncommented(cells[at]);
        if text.is_empty() {
            at += 1;
            continue;
        }
        if let Some((key, value)) = key_and_value(text) {
            let mut values = vec![value.to_string()];
            let next = cells.get(at + 1).copied().unwrap_or("");
            if unit::is_unit(next) {
                values.push(next.to_string());
                at += 1;
            }
            facts.push(Fact {
                key: key.to_string(),
                values,
                line: number,
            });
            at += 1;
            continue;
        }
        let key = text.trim_end_matches([':', '=', ' ']);
        let until = (at + 1..cells.len())
            .find(|next| {
                let text = uncommented(cells[*next]);
                key_and_value(text).is_some()
                    || (meaning(text).is_some()
                        && !unit::is_unit(text)
                        && cells.get(next + 1).is_some_and(|cell| !cell.is_empty()))
            })
            .unwrap_or(cells.len());
        let values: Vec<String> = cells[at + 1..until]
            .iter()
            .map(ToString::to_string)
            .collect();
        if values.iter().any(|value| !value.is_empty()) && key.chars().any(char::is_alphabetic) {
            facts.push(Fact {
                key: key.to_string(),
                values,
                line: number,
            });
        } else if let Some((key, value)) = words_and_number(text) {
            facts.push(Fact {
                key,
                values: vec![value],
                line: number,
            });
        }
        at = until;
    }
}

/// `key: value` or `key = value` in one cell.
fn key_and_value(text: &str) -> Option<(&str, &str)> {
    let at = text.find([':', '='])?;
    let (key, value) = (
        text[..at].trim(),
        text[at + 1..].trim_start_matches([':', '=']).trim(),
    );
    let sound = !value.is_empty()
        && key.chars().count() <= 64
        && key.chars().next().is_some_and(char::is_alphabetic);
    sound.then_some((key, value))
}

/// `Sample Rate 8000`: words, then a number with its unit.
fn words_and_number(text: &str) -> Option<(String, String)> {
    let tokens: Vec<&str> = text.split_whitespace().collect();
    let first = tokens.iter().position(|token| {
        token
            .trim_start_matches(['+', '-', '\u{b1}'])
            .starts_with(|c: char| c.is_ascii_digit())
    })?;
    (first > 0).then(|| (tokens[..first].join(" "), tokens[first..].join(" ")))
}

/// A number of the preamble with its unit: `1.25 MSa/s`, `100us`, `0,5 ms`, `1,000 Hz`, `10k`.
pub(super) fn number_and_unit(text: &str, decimal_mark: u8) -> Option<(f64, Option<String>)> {
    let text = text.trim().trim_start_matches(['\u{b1}', '~', '=']).trim();
    let text = text.strip_prefix("+/-").unwrap_or(text).trim();
    let end = text
        .char_indices()
        .find(|(at, c)| {
            !(c.is_ascii_digit()
                || matches!(c, '.' | ',')
                || (matches!(c, '+' | '-') && (*at == 0 || text[..*at].ends_with(['e', 'E'])))
                || (matches!(c, 'e' | 'E')
                    && text[at + 1..]
                        .trim_start_matches(['+', '-'])
                        .starts_with(|c: char| c.is_ascii_digit())))
        })
        .map_or(text.len(), |(at, _)| at);
    let (digits, rest) = text.split_at(end);
    let digits = digits.trim_end_matches(',');
    let number = if digits.contains(',') {
        let grouped = decimal_mark == b'.'
            && !digits.trim_start_matches(['-', '+']).starts_with('0')
            && digits
                .split('.')
                .next()
                .is_some_and(|whole| whole.split(',').skip(1).all(|group| group.len() == 3));
        if grouped {
            parse_decimal(&digits.replace(',', ""), b'.')
        } else {
            parse_decimal(digits, b',')
        }
    } else {
        parse_decimal(digits, b'.')
    }?;
    let rest = rest.trim().trim_matches(['(', ')', '[', ']', '"']).trim();
    let suffix = match rest {
        "k" | "K" => Some(1e3),
        "M" => Some(1e6),
        "G" => Some(1e9),
        _ => None,
    };
    match suffix {
        Some(factor) => Some((number.value * factor, None)),
        None => Some((number.value, (!rest.is_empty()).then(|| rest.to_string()))),
    }
}

/// One value of a statement: the number and the unit that counts for it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Value {
    /// Position among the cells after the key.
    pub position: usize,
    /// The number.
    pub number: f64,
    /// Its unit: in the cell, in the next cell, or in the key.
    pub unit: Option<String>,
}

impl Fact {
    /// The numbers of the statement with their units.
    pub fn numbers(&self, decimal_mark: u8) -> Vec<Value> {
        let key_unit = super::header::title(&self.key).unit.or_else(|| {
            let open = self.key.find(['(', '['])?;
            Some(
                self.key[open..]
                    .trim_matches(['(', ')', '[', ']', ' '])
                    .to_string(),
            )
        });
        let mut values: Vec<Value> = Vec::new();
        for (position, cell) in self.values.iter().enumerate() {
            if let Some((number, unit)) = number_and_unit(cell, decimal_mark) {
                values.push(Value {
                    position,
                    number,
                    unit,
                });
            } else if let Some(last) = values.last_mut()
                && last.unit.is_none()
                && last.position + 1 == position
                && !cell.trim().is_empty()
            {
                last.unit = Some(cell.trim().to_string());
            }
        }
        for value in &mut values {
            if value.unit.is_none() {
                value.unit.clone_from(&key_unit);
            }
        }
        values
    }

    /// What the statement means: by its key, or by a unit per converter count.
    pub fn meaning(&self, decimal_mark: u8) -> Option<Meaning> {
        meaning(&self.key).or_else(|| {
            let unit = number_and_unit(self.text(), decimal_mark)?.1?;
            let (above, below) = unit.split_once('/')?;
            (unit::value_unit(above).is_some() && unit::is_count_unit(below))
                .then_some(Meaning::CountScale)
        })
    }

    /// The first text of the statement.
    pub fn text(&self) -> &str {
        self.values
            .iter()
            .map(String::as_str)
            .find(|value| !value.is_empty())
            .unwrap_or("")
    }
}

/// A coupling's text: `DC`, `AC`, `DC 1M`, `ac coupled`.
pub(super) fn coupling(text: &str) -> Option<Coupling> {
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
pub(super) fn probe_factor(text: &str) -> Option<f64> {
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
pub(super) fn range(key: &str, values: &[Value], text: &str) -> Option<(f64, Option<String>)> {
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

/// A rate named without a key, `44100Hz` among other words.
pub(super) fn loose_rate(line: &str) -> Option<f64> {
    let lower = line.to_lowercase();
    if lower.len() > 400
        || [
            "bandwidth",
            "filter",
            "mains",
            "cutoff",
            "tone",
            "generator",
            "frequency",
            "hum",
            "sine",
            "carrier",
            "line",
            "signal",
        ]
        .iter()
        .any(|word| lower.contains(word))
    {
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
        let unit = unit.or_else(|| tokens.get(index + 1).map(ToString::to_string))?;
        if let Some(factor) = unit::rate_unit(&unit) {
            return Some(number * factor);
        }
    }
    None
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn facts(line: &str, delimiter: u8) -> Vec<(String, Vec<String>)> {
        let mut facts = Vec::new();
        let dialect = Dialect {
            delimiter: Delimiter::Byte(delimiter),
            decimal_mark: b'.',
        };
        facts_of(line, 1, dialect, &mut facts);
        facts.into_iter().map(|f| (f.key, f.values)).collect()
    }

    #[test]
    fn statements_in_every_style() {
        let one = |key: &str, values: &[&str]| {
            vec![(
                key.to_string(),
                values.iter().map(ToString::to_string).collect::<Vec<_>>(),
            )]
        };
        assert_eq!(
            facts("Sample Rate,1000", b','),
            one("Sample Rate", &["1000"])
        );
        assert_eq!(
            facts("# Sample Rate: 10 kHz", b','),
            one("Sample Rate", &["10 kHz"])
        );
        assert_eq!(facts("dt=0.001", b','), one("dt", &["0.001"]));
        assert_eq!(
            facts("\"Sample Interval\",\"1E-6\",\"s\"", b','),
            one("Sample Interval", &["1E-6", "s"])
        );
        assert_eq!(
            facts("; Sample Rate 8000", b','),
            one("Sample Rate", &["8000"])
        );
        assert_eq!(
            facts("Rate: 10 kHz, Range: 5 V", b','),
            [
                ("Rate".to_string(), vec!["10 kHz".to_string()]),
                ("Range".to_string(), vec!["5 V".to_string()])
            ]
        );
        assert_eq!(
            facts("Coupling,DC,AC", b','),
            one("Coupling", &["DC", "AC"])
        );
        assert_eq!(
            facts("Sample Rate,1000,Points,500", b','),
            [
                ("Sample Rate".to_string(), vec!["1000".to_string()]),
                ("Points".to_string(), vec!["500".to_string()])
            ]
        );
    }

    #[test]
    fn keys_have_meanings() {
        for (key, expected) in [
            ("Sample Rate", Some(Meaning::SampleRate)),
            ("sampling_rate_hz", Some(Meaning::SampleRate)),
            ("Fs", Some(Meaning::SampleRate)),
            ("Sampling Frequency [kHz]", Some(Meaning::SampleRate)),
            ("Sample Interval", Some(Meaning::SampleInterval)),
            ("XINCREMENT", Some(Meaning::SampleInterval)),
            ("dt", Some(Meaning::SampleInterval)),
            ("\u{394}t", Some(Meaning::SampleInterval)),
            ("Record Length", Some(Meaning::Points)),
            ("Vertical Scale", Some(Meaning::CountScale)),
            ("mV per count", Some(Meaning::CountScale)),
            ("Vertical Offset", Some(Meaning::Offset)),
            ("Y Reference", Some(Meaning::CountReference)),
            ("Input Range", Some(Meaning::FullScale)),
            ("Coupling", Some(Meaning::Coupling)),
            ("Probe Attenuation", Some(Meaning::ProbeFactor)),
            ("Vertical Units", Some(Meaning::ValueUnit)),
            ("Horizontal Units", Some(Meaning::TimeUnit)),
            ("Start Time", Some(Meaning::StartTime)),
            ("Trigger Position", Some(Meaning::TriggerPosition)),
            ("Trigger Level", None),
            ("Bandwidth", None),
            ("Frequency", None),
            ("Model", None),
            ("Horizontal Scale", None),
        ] {
            assert_eq!(meaning(key), expected, "{key}");
        }
    }

    #[test]
    fn values_with_units() {
        assert_eq!(
            number_and_unit("1.25 MSa/s", b'.'),
            Some((1.25, Some("MSa/s".into())))
        );
        assert_eq!(
            number_and_unit("100us", b'.'),
            Some((100.0, Some("us".into())))
        );
        assert_eq!(
            number_and_unit("1,000 Hz", b'.'),
            Some((1000.0, Some("Hz".into())))
        );
        assert_eq!(number_and_unit("0,001", b'.').unwrap().0, 0.001);
        assert_eq!(number_and_unit("1,5 ms", b',').unwrap().0, 1.5);
        assert_eq!(number_and_unit("10k", b'.'), Some((10_000.0, None)));
        assert_eq!(number_and_unit("1.0E-06", b'.'), Some((1e-6, None)));
        assert_eq!(probe_factor("10X"), Some(10.0));
        assert_eq!(probe_factor("1:10"), Some(10.0));
        assert_eq!(coupling("AC 1M"), Some(Coupling::Ac));
        assert_eq!(loose_rate("[ASCII 44100Hz, Channels: 2]"), Some(44100.0));
        assert_eq!(loose_rate("Line frequency 50 Hz"), None);
    }
}
