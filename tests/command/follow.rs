//! `humsieve measure FOLDER --follow`: each capture as it is saved, until a signal ends it.
//!
//! Nothing here depends on how fast anything is: lines are waited for, as long as a minute each.

use crate::program::humsieve;
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Duration;

const MINUTE: Duration = Duration::from_secs(60);

/// A run that stays, and the lines it prints.
struct Staying {
    child: Child,
    lines: Receiver<String>,
}

impl Staying {
    fn begin(folder: &Path, options: &[&str]) -> Self {
        let mut child = Command::new("env")
            .arg("--default-signal=HUP,INT,TERM")
            .arg(env!("CARGO_BIN_EXE_humsieve"))
            .args(["measure", "--follow"])
            .arg(folder)
            .args(options)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (sender, lines) = channel();
        let output = BufReader::new(child.stdout.take().unwrap());
        thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self { child, lines }
    }

    /// The next line that is as wanted.
    fn line(&self, wanted: impl Fn(&str) -> bool) -> String {
        loop {
            let line = self.lines.recv_timeout(MINUTE).expect("a line in a minute");
            if wanted(&line) {
                return line;
            }
        }
    }

    /// The next result of a file with so many samples.
    fn result(&self, file: &Path, samples: u64) -> Value {
        let name = file.to_str().unwrap();
        let parsed = |line: &str| serde_json::from_str::<Value>(line).unwrap();
        let line = self.line(|line| {
            let value = parsed(line);
            value["file"] == name && value["samples"] == samples
        });
        parsed(&line)
    }

    /// Status and what was said after the signal.
    fn end(mut self, signal: &str) -> (Option<i32>, String) {
        let sent = Command::new("sh")
            .args(["-c", &format!("kill -{signal} {}", self.child.id())])
            .status()
            .unwrap();
        assert!(sent.success());
        let status = self.child.wait().unwrap();
        let mut told = String::new();
        let mut stderr = self.child.stderr.take().unwrap();
        stderr.read_to_string(&mut told).unwrap();
        (status.code(), told)
    }
}

fn demo(name: &str) -> Vec<u8> {
    fs::read(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("data/demo")
            .join(name),
    )
    .unwrap()
}

/// A folder with one capture in it.
fn bench() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let first = folder.path().join("first.csv");
    fs::write(&first, demo("baseline_1.csv")).unwrap();
    (folder, first)
}

#[test]
fn each_capture_is_measured_when_it_is_saved() {
    let (folder, first) = bench();
    let path = |name: &str| folder.path().join(name);
    let run = Staying::begin(folder.path(), &["--format", "jsonl"]);
    run.result(&first, 8000);

    // Written bit by bit: however often it is taken for saved meanwhile, the whole of it comes.
    let looped = demo("looped_1.csv");
    let mut slow = fs::File::create(path("slow.csv")).unwrap();
    for part in looped.chunks(looped.len() / 10) {
        slow.write_all(part).unwrap();
        slow.flush().unwrap();
        thread::sleep(Duration::from_millis(30));
    }
    drop(slow);
    let line = run.result(&path("slow.csv"), 8000);
    assert!(line["mains"]["hum_rms"]["value"].as_f64().unwrap() > 3e-3);

    // Moved to its place when it is complete.
    fs::write(path("part.tmp"), demo("isolator_1.csv")).unwrap();
    fs::rename(path("part.tmp"), path("moved.csv")).unwrap();
    run.result(&path("moved.csv"), 8000);

    // In a folder that comes later.
    fs::create_dir(path("later")).unwrap();
    fs::write(path("later/deep.csv"), demo("baseline_2.csv")).unwrap();
    run.result(&path("later/deep.csv"), 8000);

    // Saved again, with something else in it.
    fs::write(&first, &looped).unwrap();
    let line = run.result(&first, 8000);
    assert!(line["mains"]["hum_rms"]["value"].as_f64().unwrap() > 3e-3);

    let (status, told) = run.end("INT");
    assert_eq!(status, Some(0), "{told}");
}

#[test]
fn a_broken_file_gives_its_line_and_the_watch_goes_on() {
    let (folder, first) = bench();
    let run = Staying::begin(folder.path(), &["--format", "jsonl"]);
    run.result(&first, 8000);
    fs::write(folder.path().join("bad.csv"), "no numbers\nhere\n").unwrap();
    run.line(|line| line.contains("bad.csv") && line.contains("\"error\""));
    let next = folder.path().join("next.csv");
    fs::write(&next, demo("looped_2.csv")).unwrap();
    run.result(&next, 8000);
    let (status, told) = run.end("TERM");
    assert_eq!(status, Some(3), "{told}");
    assert!(told.contains("bad.csv"), "{told}");
}

#[test]
fn changes_and_limits_stand_on_each_line() {
    let (folder, first) = bench();
    let floor = first.to_str().unwrap();
    let options = ["--brief", "--against", floor, "--limit", "hum_rms=100u"];
    let run = Staying::begin(folder.path(), &options);
    let heading = run.line(|line| line.contains("DC offset"));
    assert!(
        heading.contains("change") && heading.contains("limits"),
        "{heading}"
    );
    let line = run.line(|line| line.ends_with("first.csv"));
    assert!(line.contains(" pass "), "{line}");
    fs::write(folder.path().join("loop.csv"), demo("looped_1.csv")).unwrap();
    let line = run.line(|line| line.ends_with("loop.csv"));
    assert!(line.contains(" fail ") && line.contains('≥'), "{line}");
    assert!(
        !line.contains('\u{1b}'),
        "colour where no terminal is: {line:?}"
    );
    let (status, told) = run.end("INT");
    assert_eq!(status, Some(1), "{told}");
    assert!(
        told.contains("loop.csv, channel Amplifier output: Limit"),
        "{told}"
    );
}

#[test]
fn an_empty_folder_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let run = Staying::begin(folder.path(), &["--format", "jsonl"]);
    let file = folder.path().join("a.csv");
    fs::write(&file, demo("looped_1.csv")).unwrap();
    run.result(&file, 8000);
    assert_eq!(run.end("HUP").0, Some(0));
}

#[test]
fn only_folders_are_followed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap();
    for arguments in [
        vec!["data/demo/looped_1.csv"],
        vec![path, "data/demo/looped_1.csv"],
        vec!["-"],
        vec!["no-such-folder"],
        vec![],
        vec![path, "--files-from", "-"],
        vec![path, "--shard", "1/2"],
        vec![path, "--picture", "a.svg"],
    ] {
        let output = humsieve(&["measure", "--follow"]).args(&arguments).output();
        let output = output.unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
        assert_eq!(told.lines().count(), 1, "{arguments:?}: {told}");
        assert!(output.stdout.is_empty());
    }
}
