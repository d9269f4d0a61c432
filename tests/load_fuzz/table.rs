//! Text tables of every style, with the faults that writers of such tables make.

use rand::{Rng, RngExt};
use std::f64::consts::TAU;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Seconds,
    Clock,
    Stamp,
    Date,
    Index,
    Count,
    Volts,
    Quantity,
    Label,
    Empty,
    Logic,
}

const COLUMNS: [Column; 11] = [
    Column::Seconds,
    Column::Clock,
    Column::Stamp,
    Column::Date,
    Column::Index,
    Column::Count,
    Column::Volts,
    Column::Quantity,
    Column::Label,
    Column::Empty,
    Column::Logic,
];

const STATEMENTS: [&str; 22] = [
    "Sample Rate,1000",
    "Sample Rate: 10 kHz",
    "# dt = 0.001",
    "Sample Interval;1E-3;s",
    "Sample Rate,1e300",
    "Record Length,7",
    "Points\t99999999999999999999",
    "Vertical Scale,0.5,mV",
    "Scale,1e-3\nOffset,-1e308",
    "Y Reference 128",
    "Input Range: \u{b1}5 V",
    "Coupling,AC,DC",
    "Probe Attenuation,10X",
    "Vertical Units,mV",
    "Horizontal Units,us",
    "Start Time,-0.5",
    "Trigger Position,50,%",
    "Channel Name,CH1,CH2",
    "[data]",
    "sep=;",
    "Model,\"A, \"\"B\"\"\"",
    "a\tb=c=d:e...f",
];

const NAMES: [&str; 24] = [
    "time",
    "Time (s)",
    "t",
    "x",
    "CH1",
    "CH1 (V)",
    "CH2 [mV]",
    "Z_nm_s",
    "U/V",
    "index",
    "#",
    "Sample",
    "Date",
    "Unit",
    "record",
    "value",
    "",
    "\"a, b\"",
    "Alarm",
    "t/ms",
    "\u{394}t",
    "CH1\u{1b}[31m",
    "Range",
    "Start,Increment",
];

const ODD_CELLS: [&str; 30] = [
    "",
    "NaN",
    "inf",
    "-OL",
    "9.9E+37",
    "1e999",
    "-1e-999",
    "0x1F",
    "---",
    "1.2.3",
    "5 V",
    "3.1mV",
    "12:00",
    "24:00:00.5",
    "2025-02-30",
    "text",
    "\"",
    "\"\"",
    "\"0.5",
    "0.5\"",
    "=\"1.5\"",
    "'1",
    "1,234.5",
    "1.234,5",
    "+-1",
    "123456789012345678901234567890",
    "0.00000000000000000000000000001",
    "1e-300",
    "\u{2212}5",
    "#5",
];

const ODD_LINES: [&str; 16] = [
    "",
    ",",
    ",,,,",
    ";;",
    "\t\t",
    "# remark",
    "% 1,2",
    "end of data",
    "Mean,0.5",
    "Max;1",
    "-----",
    "\"open",
    "1 2 3",
    "2025-11-12 10:00:00",
    "time,CH1",
    "\u{1a}",
];

struct Style {
    delimiter: &'static str,
    mark: char,
    end: &'static str,
    quoted: f64,
    decimals: usize,
    step: f64,
    /// Cycles a row of what the voltages swing with; nothing where 0.
    swing: f64,
    /// Rows of a block at most.
    rows_most: usize,
}

fn pick<T: Copy>(rng: &mut impl Rng, from: &[T]) -> T {
    from[rng.random_range(0..from.len())]
}

fn cell(rng: &mut impl Rng, style: &Style, column: Column, row: usize) -> String {
    let at = row as f64 * style.step;
    let value = match style.swing {
        0.0 => rng.random_range(-1.0..1.0f64),
        swing => (TAU * (swing * row as f64).fract()).sin() + rng.random_range(-0.02..0.02),
    };
    let number = |value: f64| -> String {
        let text = format!("{value:.*}", style.decimals);
        text.replace('.', &style.mark.to_string())
    };
    let text = match column {
        Column::Seconds => number(at),
        Column::Clock => format!("12:{:02}:{:06.3}", row / 60 % 60, at % 60.0),
        Column::Stamp => format!("2025-11-12 10:00:{:06.3}", at % 60.0),
        Column::Date => "2025-11-12".into(),
        Column::Index => row.to_string(),
        Column::Count => rng.random_range(-2048..2048).to_string(),
        Column::Volts if rng.random_bool(0.1) => format!("{value:e}"),
        Column::Volts => number(value),
        Column::Quantity => format!("{} mV", number(value)),
        Column::Label => pick(rng, &["A", "B", "CH1", "V"]).into(),
        Column::Empty => String::new(),
        Column::Logic => rng.random_range(0..2).to_string(),
    };
    if rng.random_bool((0.3 / style.rows_most as f64).min(0.02)) {
        pick(rng, &ODD_CELLS).into()
    } else {
        text
    }
}

fn line(rng: &mut impl Rng, style: &Style, cells: &[String]) -> String {
    let mut out = String::new();
    for (index, cell) in cells.iter().enumerate() {
        if index > 0 {
            out.push_str(style.delimiter);
        }
        if rng.random_bool(style.quoted) {
            out.push('"');
            out.push_str(&cell.replace('"', "\"\""));
            out.push('"');
        } else {
            out.push_str(cell);
        }
    }
    out
}

fn style(rng: &mut impl Rng, rows_most: usize) -> Style {
    let delimiter = pick(rng, &[",", ",", ";", "\t", "|", " ", "  ", ", "]);
    Style {
        delimiter,
        mark: if !delimiter.contains(',') && rng.random_bool(0.4) {
            ','
        } else {
            '.'
        },
        end: pick(rng, &["\n", "\n", "\n", "\r\n", "\r", "\n\n", "\r\r\n"]),
        quoted: pick(rng, &[0.0, 0.0, 0.0, 0.05, 1.0]),
        decimals: pick(rng, &[0, 1, 3, 3, 6, 12, 20]),
        step: pick(rng, &[1e-3, 1e-3, 0.5, 1.0, 1e-9, 3600.0, 0.0, -1.0, 1e300]),
        swing: pick(rng, &[0.0, 0.0, 0.05, 0.1]),
        rows_most,
    }
}

/// A column, the first of them mostly one of times.
fn column(rng: &mut impl Rng, index: usize) -> Column {
    match (index, rng.random_range(0..10)) {
        (0, 0..6) => Column::Seconds,
        (_, 0..6) => Column::Volts,
        _ => pick(rng, &COLUMNS),
    }
}

/// The rows, with what writers do wrong.
fn rows(rng: &mut impl Rng, style: &mut Style, columns: &[Column], header: &str, out: &mut String) {
    let faulty = rng.random_bool(0.5);
    for row in 0..rng.random_range(0..style.rows_most) {
        let mut cells: Vec<String> = columns.iter().map(|c| cell(rng, style, *c, row)).collect();
        let mut times = 1;
        if faulty && rng.random_bool((2.0 / style.rows_most as f64).min(0.15)) {
            match rng.random_range(0..9) {
                0 => drop(cells.pop()),
                1 => cells.push(pick(rng, &ODD_CELLS).into()),
                2 => cells.insert(0, String::new()),
                3 => style.delimiter = pick(rng, &[",", ";", "\t", " "]),
                4 => {
                    let place = rng.random_range(0..=cells.len().max(1) - 1);
                    if let Some(cell) = cells.get_mut(place) {
                        cell.insert(0, '"');
                    }
                }
                5 => cells = vec![pick(rng, &ODD_LINES).into()],
                6 => times = rng.random_range(0..3),
                7 => cells = vec![header.into()],
                _ => cells.iter_mut().for_each(String::clear),
            }
        }
        let text = line(rng, style, &cells);
        for _ in 0..times {
            out.push_str(&text);
            out.push_str(style.end);
        }
    }
}

fn encoded(rng: &mut impl Rng, text: &str) -> Vec<u8> {
    match rng.random_range(0..20) {
        0 => [b"\xef\xbb\xbf", text.as_bytes()].concat(),
        1 => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
        2 => std::iter::once(0xfeff)
            .chain(text.encode_utf16())
            .flat_map(u16::to_be_bytes)
            .collect(),
        3 => text
            .chars()
            .map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?'))
            .collect(),
        _ => text.as_bytes().to_vec(),
    }
}

/// A table, sound or not, whose blocks have less than `rows_most` rows.
pub fn table(rng: &mut impl Rng, rows_most: usize) -> Vec<u8> {
    let mut style = style(rng, rows_most);
    let columns: Vec<Column> = (0..rng.random_range(1..5))
        .map(|index| column(rng, index))
        .collect();
    let mut out = String::new();
    for _ in 0..rng.random_range(0..3) {
        if rng.random_bool(0.6) {
            out.push_str(pick(rng, &STATEMENTS));
            out.push_str(style.end);
        }
    }
    let names: Vec<String> = (0..columns.len())
        .map(|index| match (columns[index], rng.random_range(0..3)) {
            (Column::Seconds, 1..) => "time".into(),
            (Column::Volts, 1..) => format!("CH{index}"),
            _ => pick(rng, &NAMES).into(),
        })
        .collect();
    let header = line(rng, &style, &names);
    if rng.random_bool(0.8) {
        out.push_str(&header);
        out.push_str(style.end);
    }
    if rng.random_bool(0.1) {
        let units: Vec<String> = columns
            .iter()
            .map(|_| pick(rng, &["s", "V", "mV", "ms", "", "Hz"]).into())
            .collect();
        out.push_str(&line(rng, &style, &units));
        out.push_str(style.end);
    }
    for _ in 0..pick(rng, &[1, 1, 1, 2]) {
        rows(rng, &mut style, &columns, &header, &mut out);
        if rng.random_bool(0.15) {
            for _ in 0..rng.random_range(1..4) {
                out.push_str(pick(rng, &ODD_LINES));
                out.push_str(style.end);
            }
        }
    }
    if rng.random_bool(0.2) {
        out.truncate(out.trim_end().len());
    }
    encoded(rng, &out)
}
