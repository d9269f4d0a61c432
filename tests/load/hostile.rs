//! Hostile inputs: each is answered rightly, with the place of its fault or with a count of what was left out.

use humsieve::load::{LoadOptions, bytes, open, read};
use humsieve::{Capture, Error, ErrorKind, WarningCode};
use std::path::Path;

fn options_with(rate: Option<f64>) -> LoadOptions {
    {
        let mut options = LoadOptions::default();
        options.sample_rate_hz = rate;
        options
    }
}

/// All captures of some bytes.
fn captures_of(content: &[u8], rate: Option<f64>) -> Result<Vec<Capture>, Error> {
    bytes("bench", content, &options_with(rate))?
        .into_iter()
        .map(|mut source| Capture::collect(source.as_mut()))
        .collect()
}

/// The one capture of a text.
fn capture_of(text: &str, rate: Option<f64>) -> Capture {
    let mut captures = captures_of(text.as_bytes(), rate).unwrap();
    assert_eq!(captures.len(), 1);
    captures.remove(0)
}

fn refusal_of(content: &[u8], rate: Option<f64>) -> Error {
    captures_of(content, rate).err().unwrap()
}

fn names_of(capture: &Capture) -> Vec<&str> {
    let channels = &capture.header().channels;
    channels.iter().map(|c| c.name.as_str()).collect()
}

/// Rows of a time column in milliseconds and of a signal that goes up and down.
fn rows(count: usize, mark: &str) -> String {
    (0..count)
        .map(|row| {
            format!(
                "{}.{:03}{mark}0.{}\n",
                row / 1000,
                row % 1000,
                1 + row * 7 % 5
            )
        })
        .collect()
}

#[test]
fn rates_out_of_bounds_are_refused_with_the_bounds_named() {
    let column = |step: f64| -> String {
        (0..20)
            .map(|row| format!("{:.6e},0.{}\n", f64::from(row) * step, 1 + row * 7 % 5))
            .collect()
    };
    for (text, rate, kind) in [
        (column(1e-3), Some(1e-308), ErrorKind::BadOption),
        (column(1e-3), Some(1e300), ErrorKind::BadOption),
        (column(1e-3), Some(0.9e-6), ErrorKind::BadOption),
        (column(1e-3), Some(1.1e12), ErrorKind::BadOption),
        (
            format!("time,V\n{}", column(1e-13)),
            None,
            ErrorKind::BadValue,
        ),
        (
            format!("time,V\n{}", column(1e-300)),
            None,
            ErrorKind::BadValue,
        ),
        (
            format!("time,V\n{}", column(1e7)),
            None,
            ErrorKind::BadValue,
        ),
        (
            "Sample Rate,1e13\nV\n1\n2\n3\n".into(),
            None,
            ErrorKind::BadValue,
        ),
        (
            "Sample Rate,1e-300\nV\n1\n2\n3\n".into(),
            None,
            ErrorKind::BadValue,
        ),
        (
            "Sample Interval,1e-300\nV\n1\n2\n3\n".into(),
            None,
            ErrorKind::BadValue,
        ),
    ] {
        let error = refusal_of(text.as_bytes(), rate);
        assert_eq!(error.kind(), kind, "{error}");
        assert!(error.message().contains("1e-6 to 1e12 Hz"), "{error}");
        assert!(
            kind == ErrorKind::BadOption || error.line().is_some(),
            "{error}"
        );
    }
    for rate in [1e-308, 1e300, 0.0, f64::NAN, f64::INFINITY, -1.0] {
        let error = Capture::from_samples("bench", rate, &[0.0; 32])
            .err()
            .unwrap();
        assert!(error.message().contains("1e-6 to 1e12 Hz"), "{error}");
    }
    for rate in [1e-6, 1e12] {
        let capture = capture_of("V\n1\n2\n3\n", Some(rate));
        assert_eq!(capture.sample_rate_hz(), rate);
    }
}

#[test]
fn a_quoted_cell_that_is_never_closed_is_an_error_with_its_place() {
    for (at, column) in [(3, 1), (40, 2), (99, 2), (99, 1)] {
        let text: String = rows(100, ",")
            .lines()
            .enumerate()
            .map(|(index, line)| match (index == at, column) {
                (true, 1) => format!("\"{line}\n"),
                (true, _) => format!("{}\n", line.replace(',', ",\"")),
                _ => format!("{line}\n"),
            })
            .collect();
        let error = refusal_of(format!("time,V\n{text}").as_bytes(), None);
        assert_eq!(error.kind(), ErrorKind::BadValue, "{error}");
        assert_eq!(error.line(), Some(at as u64 + 2), "{error}");
        assert_eq!(error.column(), Some(column), "{error}");
    }
    // In a name it costs no sample.
    let capture = capture_of(&format!("time,\"V\n{}", rows(100, ",")), None);
    assert_eq!(capture.frames(), 100);
}

#[test]
fn a_delimiter_that_changes_half_way_is_an_error_with_its_place() {
    for marks in [
        [",", ";"],
        [";", ","],
        ["\t", ","],
        [",", "  "],
        ["|", "\t"],
    ] {
        for (first, second) in [(500, 500), (100, 900), (900, 100), (20_000, 20_000)] {
            let all = rows(first + second, marks[0]);
            let text: String = all
                .lines()
                .enumerate()
                .map(|(index, line)| {
                    let line = if index < first {
                        line.to_string()
                    } else {
                        line.replace(marks[0], marks[1])
                    };
                    line + "\n"
                })
                .collect();
            let error = refusal_of(format!("time{}V\n{text}", marks[0]).as_bytes(), None);
            assert_eq!(error.kind(), ErrorKind::BadValue, "{marks:?} {error}");
            assert_eq!(error.line(), Some(first as u64 + 2), "{marks:?} {error}");
            assert!(error.column().is_some());
        }
    }
}

#[test]
fn many_closing_lines_are_counted() {
    let text = format!("time,V\n{}{}", rows(100, ","), "end of data\n".repeat(30));
    let capture = capture_of(&text, None);
    assert_eq!(capture.frames(), 100);
    let told = &capture.warnings()[0];
    assert_eq!(told.code, WarningCode::MissingSamples);
    assert!(
        told.message.contains("30 lines from line 102 on"),
        "{}",
        told.message
    );
}

#[test]
fn empty_lines_and_bare_commas_behind_the_rows_cost_nothing() {
    for tail in ["\n", ",\n", " , \n", "\r\n", "\"\",\"\"\n"] {
        let text = format!("time,V\n{}{}", rows(50, ","), tail.repeat(3000));
        let capture = capture_of(&text, None);
        assert_eq!(capture.frames(), 50, "{tail:?}");
        assert!(capture.warnings().is_empty(), "{:?}", capture.warnings());
        let text = format!("V\n{}{}", "0.1\n0.2\n".repeat(25), tail.repeat(3000));
        assert_eq!(capture_of(&text, Some(1000.0)).frames(), 50, "{tail:?}");
        let text = format!("{}time,V\n{}", tail.repeat(60_000), rows(50, ","));
        assert_eq!(capture_of(&text, None).frames(), 50, "{tail:?}");
    }
}

#[test]
fn ten_thousand_columns_are_read_whatever_their_names() {
    let wide = 10_000;
    let row = |first: usize| {
        let cells: Vec<String> = (0..wide)
            .map(|n| format!("0.{:03}", (n * first) % 997))
            .collect();
        cells.join(",")
    };
    let body: String = (1..30).map(|n| row(n) + "\n").collect();
    let same = vec!["CH"; wide].join(",");
    let long: Vec<String> = (0..wide)
        .map(|n| format!("a rather long name of a channel {n}"))
        .collect();
    let zeros = format!(
        "Offset,{}\nScale,{}",
        vec!["0"; wide].join(","),
        vec!["1"; wide].join(",")
    );
    for front in [
        same.clone(),
        long.join(","),
        format!("{zeros}\n{same}"),
        String::new(),
    ] {
        let capture = capture_of(&format!("{front}\n{body}"), Some(1000.0));
        assert_eq!(
            capture.header().channels.len() * capture.frames(),
            wide * 29
        );
    }
}

#[test]
fn a_line_longer_than_any_row_is_refused_with_its_line() {
    let long = "x".repeat(20 << 20);
    let error = refusal_of(format!("time,V\n{}{long}", rows(50, ",")).as_bytes(), None);
    assert_eq!(
        (error.kind(), error.line()),
        (ErrorKind::BadValue, Some(52)),
        "{error}"
    );
    let error = refusal_of("0.5".repeat(25 << 20).as_bytes(), Some(1000.0));
    assert_eq!(
        (error.kind(), error.line()),
        (ErrorKind::BadValue, Some(1)),
        "{error}"
    );
    assert!(error.message().contains("16 MiB"), "{error}");
}

#[test]
fn names_make_no_time_base_of_a_signal() {
    let wave = |row: usize| format!("0.{:03}", 500 + row * 37 % 401);
    let table = |names: &str, row: &dyn Fn(usize) -> String| -> Capture {
        let body: String = (0..100).map(|n| row(n) + "\n").collect();
        capture_of(&format!("{names}\n{body}"), None)
    };
    let time = |row: usize| format!("0.{row:03}");
    let capture = table("t,x", &|n| format!("{},{}", time(n), wave(n)));
    assert_eq!(names_of(&capture), ["x"]);
    assert_eq!(capture.sample_rate_hz(), 1000.0);
    let capture = table("x,t", &|n| format!("{},{}", wave(n), time(n)));
    assert_eq!(names_of(&capture), ["x"]);
    let capture = table("time_s,Z_nm_s,CH1", &|n| {
        format!("{},{},{}", time(n), wave(n), wave(n + 9))
    });
    assert_eq!(names_of(&capture), ["Z_nm_s", "CH1"]);
    // A ramp beside the time is a signal as well.
    let capture = table("t,x,y", &|n| format!("{},{}.5,{}", time(n), n, wave(n)));
    assert_eq!(names_of(&capture), ["x", "y"]);
    let capture = table("x,y", &|n| format!("{},{}", time(n), wave(n)));
    assert_eq!(names_of(&capture), ["y"]);
    let body: String = (0..100)
        .map(|n| format!("{},{}\n", wave(n), wave(n + 3)))
        .collect();
    let capture = capture_of(&format!("Z_nm_s,x\n{body}"), Some(500.0));
    assert_eq!(names_of(&capture), ["Z_nm_s", "x"]);
    let capture = table("Time (s),Width (s),CH1", &|n| {
        format!("{},{},{}", time(n), wave(n), wave(n + 9))
    });
    assert_eq!(names_of(&capture), ["Width", "CH1"]);
}

/// A chunk as it stands in a file, its padding byte left to the caller.
fn chunk(name: &[u8; 4], size: u32, body: &[u8]) -> Vec<u8> {
    [name, &size.to_le_bytes()[..], body].concat()
}

fn format_chunk(channels: u16, rate: u32) -> Vec<u8> {
    let block = channels * 2;
    let mut body = Vec::new();
    body.extend(1u16.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend((rate * u32::from(block)).to_le_bytes());
    body.extend(block.to_le_bytes());
    body.extend(16u16.to_le_bytes());
    chunk(b"fmt ", 16, &body)
}

fn wave(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let size = body.len() as u32 + 4;
    [b"RIFF", &size.to_le_bytes()[..], b"WAVE", &body].concat()
}

#[test]
fn a_damaged_wave_header_is_unreadable_wherever_it_is_cut() {
    let good = wave(&[format_chunk(1, 8000), chunk(b"data", 64, &[7; 64])]);
    assert_eq!(captures_of(&good, None).unwrap()[0].frames(), 32);
    for length in 4..45 {
        let error = refusal_of(&good[..length], None);
        assert_eq!(error.kind(), ErrorKind::Unreadable, "{length}: {error}");
    }
    for (what, bytes) in [
        ("no data", wave(&[format_chunk(1, 8000)])),
        (
            "no data",
            wave(&[format_chunk(1, 8000), chunk(b"LIST", 4, &[0; 4])]),
        ),
        (
            "size 0",
            wave(&[chunk(b"fmt ", 0, &[]), chunk(b"data", 8, &[0; 8])]),
        ),
        (
            "beyond",
            wave(&[chunk(b"LIST", 0xffff_fff0, &[0; 4]), format_chunk(1, 8000)]),
        ),
        (
            "data cut off",
            wave(&[format_chunk(1, 8000), chunk(b"data", 64, &[])]),
        ),
    ] {
        assert_eq!(
            refusal_of(&bytes, None).kind(),
            ErrorKind::Unreadable,
            "{what}"
        );
    }
}

#[test]
fn an_odd_chunk_without_its_pad_byte_is_passed() {
    for padding in [&[][..], &[0][..]] {
        for next in [b"fact", b"zyxw"] {
            let odd = [chunk(b"LIST", 5, b"INFOa"), padding.to_vec()].concat();
            let other = chunk(next, 4, &[0; 4]);
            let data = chunk(b"data", 8, &[1, 0, 2, 0, 3, 0, 4, 0]);
            let bytes = wave(&[odd, other, format_chunk(1, 8000), data]);
            let capture = captures_of(&bytes, None).unwrap().remove(0);
            assert_eq!(capture.frames(), 4, "{padding:?}");
        }
    }
}

#[test]
fn a_wave_header_without_a_rate_is_read_with_the_option() {
    let bytes = wave(&[
        format_chunk(1, 0),
        chunk(b"data", 8, &[1, 0, 2, 0, 3, 0, 4, 0]),
    ]);
    assert_eq!(refusal_of(&bytes, None).kind(), ErrorKind::NoSampleRate);
    let capture = captures_of(&bytes, Some(8000.0)).unwrap().remove(0);
    assert_eq!((capture.frames(), capture.sample_rate_hz()), (4, 8000.0));
    assert!(capture.warnings().is_empty());
}

#[test]
fn a_file_that_shrinks_between_two_readings_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let samples: Vec<u8> = (0..20_000u32).map(|n| n as u8).collect();
    let recording = wave(&[format_chunk(1, 8000), chunk(b"data", 20_000, &samples)]);
    let table = format!("time,V\n{}", rows(2000, ",")).into_bytes();
    for (name, content) in [("a.wav", recording), ("a.csv", table)] {
        let path = folder.path().join(name);
        std::fs::write(&path, &content).unwrap();
        let mut source = open(&path, &LoadOptions::default()).unwrap().remove(0);
        Capture::collect(source.as_mut()).unwrap();
        // What a file gains meanwhile changes nothing.
        let grown = [&content[..], &content[60..]].concat();
        std::fs::write(&path, &grown).unwrap();
        Capture::collect(source.as_mut()).unwrap();
        std::fs::write(&path, &content[..content.len() / 2]).unwrap();
        let error = Capture::collect(source.as_mut()).err().unwrap();
        assert_eq!(error.kind(), ErrorKind::Unreadable, "{name}: {error}");
        assert!(error.message().contains("shorter"), "{error}");
    }
}

#[test]
fn names_keep_their_control_characters_and_messages_show_them_as_codes() {
    let text = format!("time,\u{1b}[31mred\n{}0.100,\n0.101,0.5\n", rows(100, ","));
    let capture = capture_of(&text, None);
    assert_eq!(names_of(&capture), ["\u{1b}[31mred"]);
    let told = &capture.warnings()[0].message;
    assert!(told.contains("'\\u{1b}[31mred'"), "{told}");
    let error = refusal_of(
        format!("time,V\n{}0.100,\u{1b}[2J\n0.101,0.5\n", rows(100, ",")).as_bytes(),
        None,
    );
    assert!(error.to_string().contains("'\\u{1b}[2J'"), "{error}");
}

#[test]
fn a_stream_is_read_as_its_bytes_are() {
    let text = format!("time,V\n{}", rows(300_000, ","));
    let whole = bytes("bench", text.as_bytes(), &LoadOptions::default())
        .unwrap()
        .remove(0);
    let streamed = read("bench", text.as_bytes(), &LoadOptions::default())
        .unwrap()
        .remove(0);
    let [mut whole, mut streamed] = [whole, streamed];
    let (a, b) = (
        Capture::collect(whole.as_mut()).unwrap(),
        Capture::collect(streamed.as_mut()).unwrap(),
    );
    assert_eq!(a.frames(), 300_000);
    assert_eq!(a, b);
    let error = bytes("bench", b"", &LoadOptions::default()).err().unwrap();
    assert_eq!(error.file(), Some(Path::new("bench")));
}
