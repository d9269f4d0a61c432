//! A capture written in any supported dialect reads back within the written precision, and the same
//! with and without the fast path.

use humsieve::load::{LoadOptions, load};
use proptest::prelude::*;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Mark {
    Comma,
    Semicolon,
    Tab,
    Pipe,
    Blanks,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Header {
    None,
    Brackets,
    Square,
    OwnRow,
    Commented,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Rate {
    Column,
    Preamble,
    Option,
}

#[derive(Debug, Clone)]
struct Dialect {
    mark: Mark,
    decimal_comma: bool,
    quoted: bool,
    padding: usize,
    trailing: bool,
    header: Header,
    rate: Rate,
    /// 0: UTF-8, 1: with mark, 2: UTF-16 LE, 3: UTF-16 BE, 4: Latin-1.
    encoding: u8,
    line_end: &'static str,
    final_line_end: bool,
    scientific: bool,
    digits: usize,
    millivolts: bool,
    preamble: usize,
    rate_index: usize,
}

const RATES: [f64; 6] = [100.0, 250.0, 1000.0, 2000.0, 8000.0, 50_000.0];

fn dialect() -> impl Strategy<Value = Dialect> {
    let shape = (
        prop_oneof![
            Just(Mark::Comma),
            Just(Mark::Semicolon),
            Just(Mark::Tab),
            Just(Mark::Pipe),
            Just(Mark::Blanks)
        ],
        any::<bool>(),
        any::<bool>(),
        0usize..3,
        any::<bool>(),
        prop_oneof![
            Just(Header::None),
            Just(Header::Brackets),
            Just(Header::Square),
            Just(Header::OwnRow),
            Just(Header::Commented)
        ],
        prop_oneof![Just(Rate::Column), Just(Rate::Preamble), Just(Rate::Option)],
    );
    let text = (
        0u8..5,
        prop_oneof![Just("\n"), Just("\r\n"), Just("\r")],
        any::<bool>(),
        any::<bool>(),
        3usize..9,
        any::<bool>(),
        0usize..5,
        0usize..RATES.len(),
    );
    (shape, text).prop_map(
        |(
            (mark, decimal_comma, quoted, padding, trailing, header, rate),
            (
                encoding,
                line_end,
                final_line_end,
                scientific,
                digits,
                millivolts,
                preamble,
                rate_index,
            ),
        )| Dialect {
            mark,
            // A comma for both is refused, unless the cells are quoted.
            decimal_comma: decimal_comma && (mark != Mark::Comma || quoted),
            quoted: quoted && mark != Mark::Blanks,
            padding: if mark == Mark::Blanks || quoted {
                0
            } else {
                padding
            },
            trailing: trailing && mark != Mark::Blanks,
            header,
            rate,
            encoding,
            line_end,
            final_line_end,
            scientific,
            digits,
            millivolts: millivolts && header != Header::None,
            preamble,
            rate_index,
        },
    )
}

struct Written {
    bytes: Vec<u8>,
    /// Values as written, V.
    values: Vec<Vec<Option<f64>>>,
    names: Vec<String>,
    rate: f64,
}

fn write(dialect: &Dialect, samples: &[Vec<f64>], missing: &[usize]) -> Written {
    let rate = RATES[dialect.rate_index];
    let delimiter = match dialect.mark {
        Mark::Comma => ",",
        Mark::Semicolon => ";",
        Mark::Tab => "\t",
        Mark::Pipe => "|",
        Mark::Blanks => "  ",
    };
    let localised = |text: String| {
        if dialect.decimal_comma {
            text.replace('.', ",")
        } else {
            text
        }
    };
    let cell = |text: String| {
        let padding = " ".repeat(dialect.padding);
        if dialect.quoted {
            format!("\"{text}\"")
        } else {
            format!("{padding}{text}{padding}")
        }
    };
    let line = |cells: Vec<String>| {
        let mut line = cells
            .into_iter()
            .map(cell)
            .collect::<Vec<_>>()
            .join(delimiter);
        if dialect.trailing {
            line.push_str(delimiter);
        }
        line
    };
    let unit = if dialect.millivolts { "mV" } else { "V" };
    let factor = if dialect.millivolts { 1e-3 } else { 1.0 };
    let with_time = dialect.rate == Rate::Column;
    let mut lines: Vec<String> = Vec::new();
    for index in 0..dialect.preamble {
        lines.push(format!("# Remark: no {index} of the bench log"));
    }
    if dialect.rate == Rate::Preamble {
        lines.push(format!("# Sample rate: {rate} Hz"));
    }
    let named = |name: &str, unit: &str| match dialect.header {
        Header::Square => format!("{name} [{unit}]"),
        Header::OwnRow => name.to_string(),
        _ if dialect.mark == Mark::Blanks => format!("{name}({unit})"),
        _ => format!("{name} ({unit})"),
    };
    let mut names: Vec<String> = (0..samples.len())
        .map(|n| format!("Bridge{}", n + 1))
        .collect();
    let mut titles: Vec<String> = names.iter().map(|name| named(name, unit)).collect();
    let mut units = vec![unit.to_string(); samples.len()];
    if with_time {
        titles.insert(0, named("Time", "s"));
        units.insert(0, "s".into());
    }
    if dialect.mark == Mark::Blanks {
        titles = titles.iter().map(|title| title.replace(' ', "")).collect();
    }
    match dialect.header {
        Header::None => names = (0..samples.len()).map(|n| (n + 1).to_string()).collect(),
        Header::OwnRow => {
            lines.push(line(titles));
            lines.push(line(units));
        }
        Header::Commented => lines.push(format!("# {}", line(titles))),
        _ => lines.push(line(titles)),
    }
    let mut values = vec![Vec::new(); samples.len()];
    for frame in 0..samples[0].len() {
        let mut cells = Vec::new();
        if with_time {
            cells.push(localised(format!("{:.6}", frame as f64 / rate)));
        }
        for (channel, samples) in samples.iter().enumerate() {
            if channel == 1 && missing.contains(&frame) {
                values[channel].push(None);
                cells.push("NaN".into());
                continue;
            }
            let text = if dialect.scientific {
                format!("{:.*e}", dialect.digits, samples[frame])
            } else {
                format!("{:.*}", dialect.digits, samples[frame])
            };
            values[channel].push(Some(text.parse::<f64>().unwrap() * factor));
            cells.push(localised(text));
        }
        lines.push(line(cells));
    }
    let mut text = lines.join(dialect.line_end);
    if dialect.final_line_end {
        text.push_str(dialect.line_end);
    }
    let bytes = match dialect.encoding {
        1 => [b"\xef\xbb\xbf", text.as_bytes()].concat(),
        2 => [0xfeff]
            .into_iter()
            .chain(text.encode_utf16())
            .flat_map(u16::to_le_bytes)
            .collect(),
        3 => [0xfeff]
            .into_iter()
            .chain(text.encode_utf16())
            .flat_map(u16::to_be_bytes)
            .collect(),
        _ => text.into_bytes(),
    };
    Written {
        bytes,
        values,
        names,
        rate,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_capture_reads_back_as_it_was_written(
        dialect in dialect(),
        // Not quite arbitrary: a column of integers, or one that rises evenly, is something else.
        samples in prop::collection::vec(prop::collection::vec(-5.0f64..5.0, 12..60), 1..4),
        missing in prop::collection::vec(3usize..12, 0..3),
    ) {
        let shortest = samples.iter().map(Vec::len).min().unwrap();
        // Decimal commas of a single column without a header read as two columns of integers.
        let decimal_comma = dialect.decimal_comma
            && (samples.len() > 1 || dialect.rate == Rate::Column || dialect.header != Header::None);
        let dialect = Dialect { decimal_comma, ..dialect };
        let samples: Vec<Vec<f64>> = samples.iter().map(|s| s[..shortest].to_vec()).collect();
        let written = write(&dialect, &samples, &missing);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("written.csv");
        std::fs::write(&path, &written.bytes).unwrap();
        let shown = String::from_utf8_lossy(&written.bytes[..written.bytes.len().min(400)]).into_owned();
        for general_only in [false, true] {
            let mut options = LoadOptions::default();
            options.sample_rate_hz = (dialect.rate == Rate::Option).then_some(written.rate);
            options.general_only = general_only;
            let captures = load(&path, &options)
                .unwrap_or_else(|error| panic!("{error}\n{dialect:?}\n{shown}"));
            prop_assert_eq!(captures.len(), 1, "{:?}\n{}", dialect, shown);
            let capture = &captures[0];
            prop_assert!((capture.sample_rate_hz() / written.rate - 1.0).abs() < 1e-9, "{} {:?}\n{}", capture.sample_rate_hz(), dialect, shown);
            let names: Vec<&str> = capture.header().channels.iter().map(|c| c.name.as_str()).collect();
            prop_assert_eq!(&names, &written.names, "{:?}\n{}", dialect, shown);
            prop_assert_eq!(capture.frames(), shortest, "{:?}\n{}", dialect, shown);
            for (index, values) in written.values.iter().enumerate() {
                prop_assert_eq!(capture.header().channels[index].unit.as_str(), "V");
                for (found, value) in capture.channel(index).unwrap().iter().zip(values) {
                    match value {
                        None => prop_assert!(found.is_nan()),
                        // Equal but for the last bit, which the conversion from mV may move.
                        Some(value) => prop_assert!((found - value).abs() <= 4e-16 * value.abs(), "{} {}", found, value),
                    }
                }
            }
        }
    }
}
