//! The command at a terminal: text within its columns, progress of long works.
//!
//! Standard output and standard error are pseudo terminals (POSIX.1-2017, `posix_openpt`). A work is long here because its
//! input comes slowly, not because the machine is slow.

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// Longer than what a work may last without progress.
const LONG: Duration = Duration::from_secs(4);

/// One terminal: what a program writes to, and what came of it.
struct Terminal {
    program: OwnedFd,
    seen: JoinHandle<Vec<u8>>,
}

impl Terminal {
    fn new(columns: u16) -> Self {
        let screen = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&screen).unwrap();
        unlockpt(&screen).unwrap();
        let size = Winsize {
            ws_row: 50,
            ws_col: columns,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        tcsetwinsize(&screen, size).unwrap();
        let name = ptsname(&screen, Vec::new()).unwrap();
        let flags = OFlags::RDWR | OFlags::NOCTTY;
        let program = rustix::fs::open(name.as_c_str(), flags, Mode::empty()).unwrap();
        let seen = thread::spawn(move || {
            let mut screen = File::from(screen);
            let (mut all, mut part) = (Vec::new(), [0; 1 << 12]);
            // Reading fails, or ends, when the last program has closed it.
            while let Ok(bytes @ 1..) = screen.read(&mut part) {
                all.extend(&part[..bytes]);
            }
            all
        });
        Self { program, seen }
    }

    fn stdio(&self) -> Stdio {
        self.program.try_clone().unwrap().into()
    }

    /// What was written, its line ends as the program wrote them.
    fn text(self) -> String {
        drop(self.program);
        let seen = self.seen.join().unwrap();
        String::from_utf8(seen).unwrap().replace("\r\n", "\n")
    }
}

/// What a run wrote to a terminal of so many columns, and its status.
struct Shown {
    out: String,
    err: String,
    status: Option<i32>,
}

/// Runs with an input that comes in two halves, with a pause between.
fn shown(columns: u16, arguments: &[&str], input: Option<(&[u8], Duration)>) -> Shown {
    let (out, err) = (Terminal::new(columns), Terminal::new(columns));
    let mut command = command(arguments);
    let mut child = command
        .stdout(out.stdio())
        .stderr(err.stdio())
        .spawn()
        .unwrap();
    // It keeps what it would hand to a further child.
    drop(command);
    feed(child.stdin.take(), input);
    let status = child.wait().unwrap().code();
    Shown {
        out: out.text(),
        err: err.text(),
        status,
    }
}

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_humsieve"));
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("TERM", "xterm")
        .env("NO_COLOR", "1")
        .args(arguments)
        .stdin(Stdio::piped());
    command
}

fn feed(pipe: Option<impl Write>, input: Option<(&[u8], Duration)>) {
    let mut pipe = pipe.unwrap();
    if let Some((bytes, pause)) = input {
        let (first, second) = bytes.split_at(bytes.len() / 2);
        pipe.write_all(first).unwrap();
        pipe.flush().unwrap();
        thread::sleep(pause);
        // What was refused is not read on.
        let _ = pipe.write_all(second);
    }
}

fn demo(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo");
    fs::read(path.join(name)).unwrap()
}

/// No line is wider; a word that is longer stands alone.
fn within(columns: usize, text: &str) {
    for line in text.lines() {
        let fits = line.chars().count() <= columns || !line.trim().contains(' ');
        assert!(fits, "{line:?} in {columns} columns:\n{text}");
    }
}

const COMPARE: [&str; 7] = [
    "compare",
    "--baseline",
    "data/demo/baseline_1.csv",
    "--looped",
    "data/demo/looped_1.csv",
    "--isolated",
    "data/demo/isolator_1.csv",
];

#[test]
fn text_stays_within_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let clean = folder.path().join("clean.csv");
    let clean = clean.to_str().unwrap();
    let looped = "data/demo/looped_1.csv";
    let calls: [&[&str]; 8] = [
        &["measure", looped, "--limit", "hum_rms=100u"],
        &[
            "measure",
            looped,
            "--every",
            "0.2",
            "--limit",
            "hum_rms=100u",
        ],
        &["measure", looped, "--brief", "--limit", "hum_rms=100u"],
        &[
            "measure",
            looped,
            "--brief",
            "--against",
            "data/demo/baseline_1.csv",
        ],
        &["measure", looped, "--explain-input"],
        &COMPARE,
        &[
            "separate",
            "data/demo/weighing.csv",
            "--channel",
            "1",
            "-o",
            clean,
        ],
        &["plan", "--resolve", "1u"],
    ];
    for arguments in calls {
        for columns in [40, 60, 80, 120] {
            let shown = shown(columns, arguments, None);
            assert!(!shown.out.is_empty(), "{arguments:?}: {}", shown.err);
            within(columns.into(), &shown.out);
            within(columns.into(), &shown.err);
            assert!(!shown.out.contains('\u{1b}'), "{:?}", shown.out);
        }
        // A terminal is never taken for narrower than 40, nor for wider than 120.
        assert_eq!(
            shown(10, arguments, None).out,
            shown(40, arguments, None).out
        );
        let widest = shown(500, arguments, None).out;
        assert_eq!(widest, shown(120, arguments, None).out, "{arguments:?}");
    }
}

#[test]
fn a_terminal_of_80_columns_shows_what_a_pipe_gets() {
    for arguments in [&["measure", "data/demo/looped_1.csv"], COMPARE.as_slice()] {
        let piped = command(arguments).output().unwrap();
        let piped = String::from_utf8(piped.stdout).unwrap();
        assert_eq!(shown(80, arguments, None).out, piped);
        // A terminal that does not tell its size.
        assert_eq!(shown(0, arguments, None).out, piped);
    }
}

/// What stands on a screen to which this was written; of the control sequences of ECMA-48 only that which empties the
/// line (EL) is known.
fn screen(text: &str) -> String {
    let mut all = String::new();
    let mut line: Vec<char> = Vec::new();
    let mut column = 0;
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        if let Some(further) = rest.strip_prefix("\u{1b}[2K") {
            line.clear();
            rest = further;
            continue;
        }
        match c {
            '\r' => column = 0,
            '\n' => {
                all.extend(line.drain(..));
                all.push('\n');
                column = 0;
            }
            c => {
                assert!(!c.is_control(), "{rest:?}");
                line.resize(line.len().max(column + 1), ' ');
                line[column] = c;
                column += 1;
            }
        }
        rest = &rest[c.len_utf8()..];
    }
    all.extend(line);
    all
}

#[test]
fn a_long_work_shows_how_it_goes_and_nothing_stays_of_it() {
    let looped = demo("looped_1.csv");
    let slow = Some((looped.as_slice(), LONG));
    let one = shown(60, &["measure", "-"], slow);
    assert_eq!(one.status, Some(0));
    assert!(one.err.contains("2s standard input"), "{:?}", one.err);
    assert!(!one.err.contains("1s standard input"), "{:?}", one.err);
    assert_eq!(screen(&one.err), "", "{:?}", one.err);
    assert!(!one.out.contains('\u{1b}'), "{:?}", one.out);
    assert!(one.out.contains("hum, RMS"), "{}", one.out);

    let folder = tempfile::tempdir().unwrap();
    let clean = folder.path().join("clean.csv");
    let calls: [(&[&str], &str); 3] = [
        (
            &["measure", "data/demo/baseline_1.csv", "-", "--jobs", "2"],
            "1 of 2 captures, ",
        ),
        (
            &[
                "compare",
                "--baseline",
                "data/demo/baseline_1.csv",
                "--looped",
                "-",
            ],
            "1 of 2 captures, ",
        ),
        (
            &["separate", "-", "-o", clean.to_str().unwrap()],
            "standard input",
        ),
    ];
    for (arguments, words) in calls {
        let run = shown(40, arguments, slow);
        assert_eq!(run.status, Some(0), "{arguments:?}: {:?}", run.err);
        assert!(run.err.contains(words), "{arguments:?}: {:?}", run.err);
        assert_eq!(screen(&run.err), "", "{arguments:?}: {:?}", run.err);
        let shown: Vec<&str> = run.err.split(['\r', '\n']).collect();
        assert!(
            shown.iter().all(|line| line.chars().count() <= 44),
            "{shown:?}"
        );
        assert!(!run.out.contains('\u{1b}'), "{:?}", run.out);
    }
}

#[test]
fn a_short_or_quiet_work_shows_nothing_on_the_way() {
    let looped = demo("looped_1.csv");
    let short = Some((looped.as_slice(), Duration::from_millis(300)));
    let run = shown(80, &["measure", "-"], short);
    assert_eq!((run.status, run.err.as_str()), (Some(0), ""));
    let quiet = Some((looped.as_slice(), LONG));
    let run = shown(80, &["measure", "-", "--quiet"], quiet);
    assert_eq!((run.status, run.err.as_str()), (Some(0), ""));
}

#[test]
fn an_error_stands_alone_after_progress() {
    let bad = [demo("looped_1.csv"), b"0.9,no number\n".to_vec()].concat();
    let run = shown(80, &["measure", "-"], Some((&bad, LONG)));
    assert_eq!(run.status, Some(3));
    assert!(run.err.contains("standard input"), "{:?}", run.err);
    let told = screen(&run.err);
    assert!(
        told.starts_with("humsieve: -: line 8002, column 2: "),
        "{told:?}"
    );
    assert!(!told.contains("standard input"), "{told:?}");
}

/// Results and progress on one terminal, standard output a pipe, and standard error a pipe.
#[test]
fn progress_is_on_a_terminal_and_nowhere_else() {
    let looped = demo("looped_1.csv");
    let slow = Some((looped.as_slice(), LONG));

    let both = Terminal::new(80);
    let mut call = command(&["measure", "-"]);
    let mut child = call
        .stdout(both.stdio())
        .stderr(both.stdio())
        .spawn()
        .unwrap();
    drop(call);
    feed(child.stdin.take(), slow);
    assert!(child.wait().unwrap().success());
    let text = both.text();
    let piped = {
        let err = Terminal::new(80);
        let mut call = command(&["measure", "-"]);
        let mut child = call
            .stdout(Stdio::piped())
            .stderr(err.stdio())
            .spawn()
            .unwrap();
        drop(call);
        feed(child.stdin.take(), slow);
        let output = child.wait_with_output().unwrap();
        assert!(err.text().contains("2s standard input"));
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(text.contains("2s standard input"), "{text:?}");
    assert_eq!(screen(&text), piped);

    let out = Terminal::new(80);
    let mut call = command(&["measure", "-"]);
    let mut child = call
        .stdout(out.stdio())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(call);
    feed(child.stdin.take(), slow);
    let output = child.wait_with_output().unwrap();
    assert!(output.stderr.is_empty(), "{:?}", output.stderr);
    assert_eq!(out.text(), piped);
}

#[test]
fn a_limit_that_is_not_met_names_its_stretch() {
    let arguments = ["--every", "0.2", "--limit", "hum_rms=100u"];
    let call = [&["measure", "data/demo/looped_1.csv"], arguments.as_slice()].concat();
    let output = command(&call).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let told = String::from_utf8(output.stderr).unwrap();
    let lines: Vec<&str> = told.lines().collect();
    assert_eq!(lines.len(), 4, "{told}");
    for (line, start) in lines.into_iter().zip(["0 s", "0.2 s", "0.4 s", "0.6 s"]) {
        let named = format!("channel Amplifier output, from {start}: Limit ");
        assert!(line.contains(&named), "{line}");
    }
}
