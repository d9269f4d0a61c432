//! Faults of the world, met by the command: outputs that would destroy inputs, signals, full disks, devices,
//! odd names. An output is complete or absent, a fault costs only what it is in.

use crate::program::{humsieve, run};
use serde_json::Value;
use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread;
use std::time::Duration;

const LOOPED: &str = "data/demo/looped_1.csv";

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("data/demo")
        .join(name)
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn lines(output: &Output) -> Vec<Value> {
    let text = std::str::from_utf8(&output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// Names in a folder, sorted.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// A copy of a capture of the demo.
fn copy(folder: &Path, from: &str, to: &str) -> PathBuf {
    let path = folder.join(to);
    fs::copy(demo(from), &path).unwrap();
    path
}

/// Refused as unusable, with these words in one line, and the file as it was.
fn refused(arguments: &[&str], words: &str, untouched: &Path) {
    let before = fs::read(untouched).unwrap();
    let output = run(arguments);
    let told = told(&output);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
    assert!(told.contains(words), "{arguments:?}: {told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert_eq!(fs::read(untouched).unwrap(), before, "{arguments:?}");
}

#[test]
fn an_output_that_is_the_input_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let input = copy(folder.path(), "looped_1.csv", "only.csv");
    let link = folder.path().join("link.csv");
    symlink(&input, &link).unwrap();
    let hard = folder.path().join("hard.csv");
    fs::hard_link(&input, &hard).unwrap();
    let roundabout = folder
        .path()
        .join("../")
        .join(folder.path().file_name().unwrap());
    let roundabout = roundabout.join("only.csv");
    for output in [&input, &link, &hard, &roundabout] {
        refused(
            &["separate", text(&input), "-o", text(output)],
            "--force",
            &input,
        );
    }
    assert_eq!(names(folder.path()), ["hard.csv", "link.csv", "only.csv"]);

    let before = fs::read(&input).unwrap();
    let output = run(&["separate", text(&input), "-o", text(&link), "--force"]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_ne!(fs::read(&input).unwrap(), before);
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(fs::read(&hard).unwrap(), before);
}

#[test]
fn an_output_that_is_the_template_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let template = copy(folder.path(), "looped_1.csv", "template.csv");
    let weighing = demo("weighing.csv");
    let arguments = [
        "separate",
        text(&weighing),
        "--channel",
        "1",
        "--template",
        text(&template),
        "-o",
        text(&template),
    ];
    refused(&arguments, "--force", &template);
}

fn session_of(folder: &Path, captures: &[(&str, &str)]) -> PathBuf {
    let mut session = "title = \"Bench\"\n".to_owned();
    for (file, condition) in captures {
        session += &format!(
            "[[capture]]\nfile = {}\ncondition = \"{condition}\"\n",
            Value::from(*file)
        );
    }
    let path = folder.join("session.toml");
    fs::write(&path, session).unwrap();
    path
}

#[test]
fn a_report_does_not_overwrite_what_it_reports() {
    let folder = tempfile::tempdir().unwrap();
    let floor = copy(folder.path(), "baseline_1.csv", "floor.csv");
    copy(folder.path(), "looped_1.csv", "loop.csv");
    let session = session_of(
        folder.path(),
        &[("floor.csv", "baseline"), ("loop.csv", "looped")],
    );
    let link = folder.path().join("report.html");
    symlink(&floor, &link).unwrap();
    refused(
        &["report", text(&session), "-o", text(&link)],
        "--force",
        &floor,
    );
    fs::remove_file(&link).unwrap();
    symlink(&session, &link).unwrap();
    refused(
        &["report", text(&session), "-o", text(&link)],
        "--force",
        &session,
    );
    // A picture beside the report would take the capture's place.
    let plain = folder.path().join("plain.md");
    let output = run(&["report", text(&session), "-o", text(&plain)]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let picture = names(folder.path())
        .into_iter()
        .find(|name| name.ends_with(".svg"))
        .unwrap();
    let picture = folder.path().join(picture);
    fs::remove_file(&picture).unwrap();
    fs::hard_link(&floor, &picture).unwrap();
    let before = fs::read(&plain).unwrap();
    refused(
        &["report", text(&session), "-o", text(&plain)],
        "--force",
        &floor,
    );
    assert_eq!(fs::read(&plain).unwrap(), before);
}

#[test]
fn a_session_file_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let captures = folder.path().join("captures");
    fs::create_dir(&captures).unwrap();
    let capture = copy(&captures, "looped_1.csv", "loop.csv");
    let session = captures.join("session.toml");
    fs::write(&session, "filled in by hand").unwrap();
    let arguments = ["session", text(&captures), "-o", text(&session)];
    refused(&arguments, "--force", &session);
    refused(
        &["session", text(&captures), "-o", text(&capture)],
        "--force",
        &capture,
    );
    let output = humsieve(&arguments).arg("--force").output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(fs::read_to_string(&session).unwrap().contains("loop.csv"));
}

/// The shell has emptied the file by then: as a capture it would cost the run its status.
#[test]
fn results_that_go_into_the_folder_measured_are_no_capture() {
    let folder = tempfile::tempdir().unwrap();
    copy(folder.path(), "looped_1.csv", "loop.csv");
    let result = folder.path().join("result.csv");
    let measure = |capture: &Path| {
        Command::new(env!("CARGO_BIN_EXE_humsieve"))
            .args(["measure", "--format", "csv"])
            .arg(capture)
            .stdout(File::create(&result).unwrap())
            .output()
            .unwrap()
    };
    let output = measure(folder.path());
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let table = fs::read_to_string(&result).unwrap();
    assert!(table.contains("loop.csv") && !table.contains("result.csv"));
    let output = measure(&result);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
}

#[test]
fn an_output_that_cannot_be_written_is_unwritable() {
    // Not writable for the superuser either.
    for place in ["/proc/clean.csv", "no/such/folder/clean.csv"] {
        let output = run(&["separate", LOOPED, "-o", place, "--format", "jsonl"]);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        assert_eq!(lines(&output)[0]["error"]["kind"], "unwritable");
        assert!(told(&output).contains(place), "{}", told(&output));
    }
    let output = run(&["report", "data/demo/session.toml", "-o", "/proc/report.md"]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(told(&output).contains("/proc/report.md"));
}

/// A limit on the size of files stands for a full disk: writing fails half-way.
#[test]
fn a_full_disk_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let output_path = folder.path().join("clean.csv");
    let program = env!("CARGO_BIN_EXE_humsieve");
    let script = "trap '' XFSZ; ulimit -f 16; exec \"$0\" \"$@\"";
    let output = Command::new("sh")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args([
            "-c", script, program, "separate", LOOPED, "--format", "jsonl",
        ])
        .args(["-o", text(&output_path)])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert_eq!(lines(&output)[0]["error"]["kind"], "unwritable");
    assert!(told(&output).contains("clean.csv"), "{}", told(&output));
    assert!(
        names(folder.path()).is_empty(),
        "{:?}",
        names(folder.path())
    );

    let report = folder.path().join("report.md");
    let output = Command::new("sh")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["-c", script, program, "report", "data/demo/session.toml"])
        .args(["-o", text(&report)])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(
        names(folder.path()).is_empty(),
        "{:?}",
        names(folder.path())
    );
}

#[test]
fn full_standard_output_is_told() {
    for format in ["text", "jsonl", "csv", "markdown"] {
        let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
            .args(["measure", text(&demo("looped_1.csv")), "--format", format])
            .stdout(File::options().write(true).open("/dev/full").unwrap())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{format}: {}", told(&output));
        assert!(told(&output).contains("cannot be written"));
    }
}

#[test]
fn standard_error_that_cannot_be_written_ends_nothing() {
    let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .args(["measure", "no-such-file.csv", "--format", "jsonl"])
        .arg(demo("looped_1.csv"))
        .stderr(File::options().write(true).open("/dev/full").unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(lines(&output).len(), 2);
    let status = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .args(["measure", "--harmonics", "0", "x.csv"])
        .stderr(File::options().write(true).open("/dev/full").unwrap())
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(2));
}

#[test]
fn a_reader_that_is_gone_ends_every_format_quietly() {
    let list = vec![demo("looped_1.csv"); 40];
    let arguments: [&[&str]; 6] = [
        &["measure", "--format", "text"],
        &["measure", "--format", "jsonl"],
        &["measure", "--format", "csv"],
        &["measure", "--format", "markdown"],
        &["measure", "--explain-input"],
        &["manual"],
    ];
    for arguments in arguments {
        let mut command = Command::new(env!("CARGO_BIN_EXE_humsieve"));
        command.args(arguments);
        if arguments[0] == "measure" {
            command.args(&list);
        }
        let mut child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = [0; 10];
        child.stdout.take().unwrap().read_exact(&mut first).unwrap();
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        assert!(output.stderr.is_empty(), "{arguments:?}: {}", told(&output));
    }
}

/// A separation that waits for its standard input, with the folder of its unfinished output made. Whoever
/// runs the tests may have signals ignored, as for a job in the background.
fn waiting(folder: &Path, output: &Path) -> Child {
    let child = Command::new("env")
        .arg("--default-signal=HUP,INT,TERM")
        .arg(env!("CARGO_BIN_EXE_humsieve"))
        .args(["separate", "-", "-o"])
        .arg(output)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    while !names(folder)
        .iter()
        .any(|name| name.starts_with(".humsieve-"))
    {
        thread::sleep(Duration::from_millis(2));
    }
    child
}

fn send(signal: &str, child: &Child) {
    let sent = Command::new("sh")
        .args(["-c", &format!("kill -{signal} {}", child.id())])
        .status()
        .unwrap();
    assert!(sent.success());
}

#[test]
fn a_signal_that_can_be_caught_leaves_no_unfinished_file() {
    for (signal, number) in [("INT", 2), ("TERM", 15), ("HUP", 1)] {
        let folder = tempfile::tempdir().unwrap();
        let output = folder.path().join("clean.csv");
        fs::write(&output, "kept").unwrap();
        let mut child = waiting(folder.path(), &output);
        // Waiting closes the standard input: its end would race the signal.
        let _input = child.stdin.take();
        send(signal, &child);
        assert_eq!(child.wait().unwrap().signal(), Some(number), "{signal}");
        assert_eq!(names(folder.path()), ["clean.csv"], "{signal}");
        assert_eq!(fs::read_to_string(&output).unwrap(), "kept");
    }
}

#[test]
fn a_signal_that_was_ignored_stays_ignored() {
    let folder = tempfile::tempdir().unwrap();
    let output = folder.path().join("clean.csv");
    let mut child = Command::new("sh")
        .args(["-c", "trap '' HUP; exec \"$0\" \"$@\""])
        .arg(env!("CARGO_BIN_EXE_humsieve"))
        .args(["separate", "-", "-o"])
        .arg(&output)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    while names(folder.path()).is_empty() {
        thread::sleep(Duration::from_millis(2));
    }
    send("HUP", &child);
    let capture = fs::read(demo("looped_1.csv")).unwrap();
    child.stdin.take().unwrap().write_all(&capture).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_eq!(names(folder.path()), ["clean.csv"]);
}

/// Killed at moments spread over the run; what a kill leaves is no capture to a later scan.
#[test]
fn a_killed_run_leaves_its_output_complete_or_absent() {
    let folder = tempfile::tempdir().unwrap();
    let weighing = demo("weighing.csv");
    let whole = folder.path().join("whole.csv");
    let output = run(&["separate", text(&weighing), "-o", text(&whole)]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let whole = fs::read(whole).unwrap();
    for moment in 0..8 {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("clean.csv");
        let mut child = Command::new(env!("CARGO_BIN_EXE_humsieve"))
            .args(["separate", text(&weighing), "-o", text(&target)])
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        thread::sleep(Duration::from_millis(10 * moment));
        child.kill().unwrap();
        child.wait().unwrap();
        if target.exists() {
            assert_eq!(fs::read(&target).unwrap(), whole);
        }
        let found = humsieve::load::find_captures(folder.path()).unwrap();
        assert!(found.iter().all(|path| path == &target), "{found:?}");
    }
}

#[test]
fn pictures_come_with_their_report_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("report.md");
    let output = run(&["report", "data/demo/session.toml", "-o", text(&report)]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let pictures: Vec<String> = names(folder.path())
        .into_iter()
        .filter(|name| name.ends_with(".svg"))
        .collect();
    assert!(pictures.len() > 2);

    // A folder where the last picture is to stand: nothing is replaced, nothing comes.
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("report.md");
    let first = folder.path().join(&pictures[0]);
    fs::write(&first, "earlier").unwrap();
    let blocked = folder.path().join(pictures.last().unwrap());
    fs::create_dir(&blocked).unwrap();
    let before = names(folder.path());
    let output = run(&["report", "data/demo/session.toml", "-o", text(&report)]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert_eq!(names(folder.path()), before);
    assert_eq!(fs::read_to_string(&first).unwrap(), "earlier");
}

#[test]
fn the_mode_of_an_overwritten_file_stays() {
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("clean.csv");
    fs::write(&target, "earlier").unwrap();
    for mode in [0o600, 0o640, 0o664] {
        fs::set_permissions(&target, fs::Permissions::from_mode(mode)).unwrap();
        let output = run(&["separate", LOOPED, "-o", text(&target)]);
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        let found = fs::metadata(&target).unwrap().permissions().mode();
        assert_eq!(found & 0o777, mode);
    }
}

fn pipe(path: &Path) {
    let made = Command::new("mkfifo").arg(path).status().unwrap();
    assert!(made.success());
}

#[test]
fn pipes_and_devices_are_refused_not_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let fifo = folder.path().join("pipe.csv");
    pipe(&fifo);
    for path in [text(&fifo), "/dev/zero"] {
        let output = run(&["measure", path, "--format", "jsonl"]);
        assert_eq!(output.status.code(), Some(3), "{}", told(&output));
        assert_eq!(lines(&output)[0]["error"]["kind"], "unreadable");
        let target = folder.path().join("report.json");
        let output = run(&["report", path, "-o", text(&target)]);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        assert!(!target.exists());
    }
    // A folder stands for its captures, not for its pipes.
    let output = humsieve(&["measure", "--format", "jsonl"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(lines(&output)[0]["error"]["kind"], "not_found");
}

#[test]
fn a_report_refuses_devices_and_pipes_as_measure_does() {
    let folder = tempfile::tempdir().unwrap();
    copy(folder.path(), "baseline_1.csv", "floor.csv");
    copy(folder.path(), "looped_1.csv", "loop.csv");
    pipe(&folder.path().join("pipe.csv"));
    let session = session_of(
        folder.path(),
        &[
            ("floor.csv", "baseline"),
            ("loop.csv", "looped"),
            ("pipe.csv", "looped"),
            ("/dev/zero", "looped"),
        ],
    );
    let target = folder.path().join("report.json");
    let output = run(&["report", text(&session), "-o", text(&target)]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    let report: Value = serde_json::from_slice(&fs::read(&target).unwrap()).unwrap();
    for index in [2, 3] {
        assert_eq!(report["captures"][index]["error"]["kind"], "unreadable");
        assert!(report["captures"][index]["sha256"].is_null());
    }
    assert!(report["captures"][1]["measurement"].is_object());
}

#[test]
fn a_session_finds_captures_above_it() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench/day");
    fs::create_dir_all(&bench).unwrap();
    copy(folder.path(), "baseline_1.csv", "floor.csv");
    copy(&folder.path().join("bench"), "looped_1.csv", "loop.csv");
    let session = session_of(
        &bench,
        &[
            ("../../floor.csv", "baseline"),
            ("../day/../loop.csv", "looped"),
        ],
    );
    let target = bench.join("../report.json");
    let output = run(&["report", text(&session), "-o", text(&target)]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let link = bench.join("report.html");
    let floor = folder.path().join("floor.csv");
    symlink("../../floor.csv", &link).unwrap();
    refused(
        &["report", text(&session), "-o", text(&link)],
        "--force",
        &floor,
    );
}

#[test]
fn hidden_files_are_no_captures_of_a_folder() {
    let folder = tempfile::tempdir().unwrap();
    copy(folder.path(), "looped_1.csv", "loop.csv");
    copy(folder.path(), "looped_1.csv", ".hidden.csv");
    copy(folder.path(), "looped_1.csv", "._loop.csv");
    let hidden = folder.path().join(".trash");
    fs::create_dir(&hidden).unwrap();
    copy(&hidden, "looped_1.csv", "loop.csv");
    let found = |folder: &Path| {
        let output = humsieve(&["measure", "--format", "jsonl"])
            .arg(folder)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        lines(&output).len()
    };
    assert_eq!(found(folder.path()), 1);
    // What is named itself counts, whatever its name.
    assert_eq!(found(&hidden), 1);
    assert_eq!(found(&folder.path().join(".hidden.csv")), 1);
}

#[test]
fn a_file_that_cannot_be_read_costs_itself() {
    let folder = tempfile::tempdir().unwrap();
    let closed = copy(folder.path(), "looped_1.csv", "closed.csv");
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o0)).unwrap();
    // The superuser may read what is closed; nobody reads what is below a file.
    let broken = "data/demo/looped_1.csv/below.csv";
    let closed_is_open = File::open(&closed).is_ok();
    let output = humsieve(&[
        "measure",
        LOOPED,
        text(&closed),
        broken,
        "--format",
        "jsonl",
    ])
    .output()
    .unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    let lines = lines(&output);
    assert!(lines[0]["dc_offset"].is_object());
    assert_eq!(lines[2]["error"]["kind"], "unreadable");
    if !closed_is_open {
        assert_eq!(lines[1]["error"]["kind"], "unreadable");
    }
}

#[test]
fn lists_take_any_bytes_and_a_byte_order_mark() {
    let folder = tempfile::tempdir().unwrap();
    let odd: Vec<OsString> = vec![
        OsString::from_vec(b"loop\xff\xe9.csv".to_vec()),
        OsString::from(" blanks .csv"),
        OsString::from("-dash.csv"),
        OsString::from("µV.csv"),
    ];
    let mut list = b"\xef\xbb\xbf".to_vec();
    for name in &odd {
        let path = folder.path().join(name);
        fs::copy(demo("looped_1.csv"), &path).unwrap();
        list.extend(path.as_os_str().as_bytes());
        list.extend(b"\r\n");
    }
    let output = humsieve(&["measure", "--files-from", "-", "--format", "jsonl"])
        .write_stdin(list.clone())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_eq!(lines(&output).len(), odd.len());
    let file = folder.path().join("list");
    list.pop();
    list.pop();
    fs::write(&file, list).unwrap();
    let output = run(&["measure", "--files-from", text(&file), "--format", "jsonl"]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_eq!(lines(&output).len(), odd.len());
}

#[test]
fn a_hundred_thousand_paths_are_each_answered() {
    let mut list = String::new();
    for _ in 0..99_990 {
        list += "no-such-file.csv\n";
    }
    for _ in 0..10 {
        list += LOOPED;
        list += "\n";
    }
    let output = humsieve(&["measure", "--files-from", "-", "--format", "jsonl"])
        .write_stdin(list)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(text.lines().count(), 100_000);
    assert_eq!(text.matches("\"not_found\"").count(), 99_990);
}

#[test]
fn names_that_begin_with_a_dash_or_hold_a_line_end_are_read_and_written() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["-o.csv", "a\nb.csv", "--format"] {
        fs::copy(demo("looped_1.csv"), folder.path().join(name)).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
            .current_dir(folder.path())
            .args(["measure", "--format", "jsonl", "--", name])
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        assert_eq!(lines(&output)[0]["file"], name);
    }
    let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .current_dir(folder.path())
        .args(["separate", "-o=-clean.csv", "--", "a\nb.csv"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(folder.path().join("-clean.csv").exists());
}

/// Two channels whose names are hostile to tables, pages and terminals.
fn hostile(folder: &Path) -> PathBuf {
    let path = folder.join("=cmd|'x'!\u{1b}[31m\u{7},\"q\"\n<b>&*_`.csv");
    let mut table =
        "time (s),\"=1+2,\"\"x\"\" (V)\",\"\u{1b}[2J<script>alert(1)</script>|*b* (V)\"\n"
            .to_owned();
    for i in 0..4000 {
        let time = f64::from(i) / 4000.0;
        let hum = 1e-3 * (std::f64::consts::TAU * 50.0 * time).cos();
        let dither = f64::from((i * 7919) % 101) * 1e-6;
        table += &format!("{time:.6},{:.9},{:.9}\n", hum + dither, dither - hum);
    }
    fs::write(&path, table).unwrap();
    path
}

fn assert_unsteered(shown: &str, what: &str) {
    let steering = shown
        .chars()
        .find(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t'));
    assert_eq!(steering, None, "{what}: {shown:?}");
}

#[test]
fn names_never_steer_a_terminal_in_any_format() {
    let folder = tempfile::tempdir().unwrap();
    let capture = hostile(folder.path());
    let missing = folder
        .path()
        .join("no\u{1b}]0;title\u{7}\u{9b}2J\u{7f}.csv");
    for format in ["text", "jsonl", "csv", "markdown"] {
        for explain in [false, true] {
            let mut command = humsieve(&["measure", "--format", format]);
            command
                .arg(&capture)
                .arg(&missing)
                .args(["--limit", "hum_rms=1n"]);
            if explain {
                command.arg("--explain-input");
            }
            let output = command.output().unwrap();
            assert_eq!(output.status.code(), Some(3), "{}", told(&output));
            assert_unsteered(std::str::from_utf8(&output.stdout).unwrap(), format);
            assert_unsteered(&told(&output), format);
        }
        let output = humsieve(&["compare", "--format", format, "--baseline"])
            .arg(&capture)
            .arg("--looped")
            .args([&capture, &missing])
            .output()
            .unwrap();
        assert_unsteered(std::str::from_utf8(&output.stdout).unwrap(), format);
        assert_unsteered(&told(&output), format);
    }
    let target = folder.path().join("x\u{1b}[31m.csv");
    let output = humsieve(&["separate"])
        .arg(&capture)
        .arg("-o")
        .arg(&target)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_unsteered(std::str::from_utf8(&output.stdout).unwrap(), "separate");
    assert_unsteered(&fs::read_to_string(&target).unwrap(), "separated");
    let output = humsieve(&["session"]).arg(folder.path()).output().unwrap();
    assert_unsteered(std::str::from_utf8(&output.stdout).unwrap(), "session");
    let output = humsieve(&["measure", "--loud\u{1b}[31m"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert_unsteered(&told(&output), "arguments");
}

#[test]
fn names_stay_one_cell_and_no_formula_in_csv() {
    let folder = tempfile::tempdir().unwrap();
    let capture = hostile(folder.path());
    let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .current_dir(folder.path())
        .args(["measure", "--format", "csv"])
        .args([capture.file_name().unwrap(), OsStr::new("+no.csv")])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    let mut reader = csv::Reader::from_reader(output.stdout.as_slice());
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 3);
    assert!(rows[0][0].starts_with("'=cmd|'x'!") && rows[0][0].contains(",\"q\"\n<b>"));
    assert_eq!(&rows[0][1], "'=1+2,\"x\"");
    assert!(rows[1][1].contains("<script>"));
    assert_eq!(&rows[2][0], "'+no.csv");
    for cell in rows.iter().flat_map(csv::StringRecord::iter) {
        let formula = cell.starts_with(['=', '+', '@', '\t', '\r'])
            || cell.starts_with('-') && cell.parse::<f64>().is_err();
        assert!(!formula, "{cell}");
    }

    let target = folder.path().join("clean.csv");
    let output = run(&["separate", text(&capture), "-o", text(&target)]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let mut reader = csv::Reader::from_path(&target).unwrap();
    let names = reader.headers().unwrap().clone();
    assert_eq!(names.len(), 3);
    assert_eq!(&names[1], "'=1+2,\"x\" (V)");
    // The mark is for the spreadsheet: the name is read as it was.
    let output = run(&["measure", text(&target), "--format", "jsonl"]);
    assert_eq!(lines(&output)[0]["channel"], "=1+2,\"x\"");
}

#[test]
fn channel_names_and_session_texts_are_no_markup() {
    let folder = tempfile::tempdir().unwrap();
    let capture = hostile(folder.path());
    let name = capture.file_name().unwrap().to_str().unwrap();
    copy(folder.path(), "baseline_1.csv", "floor.csv");
    let session = session_of(
        folder.path(),
        &[("floor.csv", "baseline"), (name, "looped")],
    );
    let hostile = Value::from("<img src=x onerror=alert(1)> **b** [l](x) | \u{1b}[31m");
    let written = fs::read_to_string(&session).unwrap();
    let texts = format!("operator = {hostile}\nremarks = {hostile}\nobject = {hostile}\n");
    fs::write(
        &session,
        texts
            + &written.replace(
                "condition = \"looped\"",
                "condition = \"looped\"\nchannel = 2",
            ),
    )
    .unwrap();
    for name in ["report.html", "report.md", "report.json"] {
        let target = folder.path().join(name);
        let output = run(&["report", text(&session), "-o", text(&target)]);
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        let report = fs::read_to_string(&target).unwrap();
        assert_unsteered(&report, name);
        // An angle bracket behind a backslash is none in Markdown.
        let report = report.replace("\\<", "");
        let markup: &[&str] = match name {
            "report.html" => &["<script", "<img"],
            "report.md" => &["<script", "<img", "**b**", "[l](x)"],
            _ => &[],
        };
        for markup in markup {
            assert!(!report.contains(markup), "{name}: {markup}");
        }
    }
    for plot in names(folder.path())
        .iter()
        .filter(|name| name.ends_with(".svg"))
    {
        let svg = fs::read_to_string(folder.path().join(plot)).unwrap();
        assert_unsteered(&svg, plot);
        assert!(!svg.contains("<script"), "{plot}");
    }
    let output = run(&["measure", text(&capture), "--format", "markdown"]);
    let markdown = String::from_utf8(output.stdout).unwrap();
    assert!(!markdown.contains("<script") && !markdown.contains("|*b*"));
}

/// 1.2 times the length from which a record is not kept: white noise and hum on an offset.
fn long_capture(folder: &Path) -> PathBuf {
    let path = folder.join("long.csv");
    let mut table = "sample rate: 10000 Hz\nBridge (mV)\n".to_owned();
    let mut state = 7_u64;
    for i in 0..314_573_u32 {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let noise = (state >> 40) as f64 / f64::from(1 << 24) - 0.5;
        let hum = (std::f64::consts::TAU * 50.01 * f64::from(i) / 1e4).cos();
        table += &format!("{:.5}\n", 2.0 + hum + 0.1 * noise);
    }
    fs::write(&path, table).unwrap();
    path
}

/// The figures of each line, as written, by file.
fn figures(output: &Output) -> BTreeMap<String, Vec<String>> {
    assert_eq!(output.status.code(), Some(0), "{}", told(output));
    let mut found: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for line in std::str::from_utf8(&output.stdout).unwrap().lines() {
        let value: Value = serde_json::from_str(line).unwrap();
        let file = value["file"].as_str().unwrap();
        let name = Path::new(file).file_name().unwrap().to_str().unwrap();
        let from = line.find("\"channel\"").unwrap();
        let to = line.find(",\"source\":").unwrap_or(line.len() - 1);
        found
            .entry(name.to_owned())
            .or_default()
            .push(line[from..to].to_owned());
    }
    found
}

fn measured_figures(captures: &[&Path], jobs: &str) -> BTreeMap<String, Vec<String>> {
    figures(
        &humsieve(&["measure", "--format", "jsonl", "--jobs", jobs])
            .args(captures)
            .output()
            .unwrap(),
    )
}

#[test]
fn figures_do_not_depend_on_the_number_of_jobs() {
    let folder = tempfile::tempdir().unwrap();
    let long = long_capture(folder.path());
    let (weighing, wave) = (demo("weighing.csv"), demo("wav/looped.wav"));
    let captures = [long.as_path(), &weighing, &wave];
    let one = measured_figures(&captures, "1");
    assert_eq!(one.len(), 3);
    for jobs in ["2", "3", "16"] {
        assert_eq!(measured_figures(&captures, jobs), one, "{jobs} jobs");
    }
}

#[test]
fn figures_do_not_depend_on_the_files_beside_them_and_their_order() {
    let folder = tempfile::tempdir().unwrap();
    let long = long_capture(folder.path());
    let (weighing, wave) = (demo("weighing.csv"), demo("wav/looped.wav"));
    let together = measured_figures(&[&long, &weighing, &wave], "2");
    assert_eq!(measured_figures(&[&wave, &long, &weighing], "2"), together);
    for (path, name) in [
        (&long, "long.csv"),
        (&weighing, "weighing.csv"),
        (&wave, "looped.wav"),
    ] {
        assert_eq!(
            measured_figures(&[path], "2")[name],
            together[name],
            "{name}"
        );
    }
}

#[test]
fn figures_do_not_depend_on_file_against_standard_input() {
    let folder = tempfile::tempdir().unwrap();
    for path in [
        long_capture(folder.path()),
        demo("weighing.csv"),
        demo("looped_1.csv"),
    ] {
        let piped = humsieve(&["measure", "-", "--format", "jsonl"])
            .write_stdin(fs::read(&path).unwrap())
            .output()
            .unwrap();
        let name = path.file_name().unwrap().to_str().unwrap();
        assert_eq!(
            figures(&piped)["-"],
            measured_figures(&[&path], "2")[name],
            "{name}"
        );
    }
}

/// The lines of a run with `--resume` whose results are appended to the file they are read from.
fn resumed(folder: &Path, options: &[&str]) -> (Output, String) {
    let stored = folder.join("done.jsonl");
    let output = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .args(["measure", "--format", "jsonl", "--resume"])
        .arg(&stored)
        .arg(folder.join("captures"))
        .args(options)
        .stdout(
            File::options()
                .append(true)
                .create(true)
                .open(&stored)
                .unwrap(),
        )
        .output()
        .unwrap();
    (output, fs::read_to_string(&stored).unwrap())
}

#[test]
fn a_resumed_run_does_each_capture_once() {
    let folder = tempfile::tempdir().unwrap();
    let captures = folder.path().join("captures");
    fs::create_dir(&captures).unwrap();
    copy(&captures, "looped_1.csv", "a.csv");
    copy(&captures, "weighing.csv", "b.csv");
    fs::write(captures.join("c.csv"), "no table at all\n").unwrap();
    copy(&captures, "baseline_1.csv", "d.csv");
    let (output, whole) = resumed(folder.path(), &[]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert_eq!(whole.lines().count(), 5);

    // All is there, the capture that cannot be read too: nothing is done, the status is the same.
    let (output, again) = resumed(folder.path(), &[]);
    assert_eq!(output.status.code(), Some(3));
    assert!(output.stderr.is_empty(), "{}", told(&output));
    assert_eq!(again, whole);

    // Cut wherever a kill may have left it.
    let stored = folder.path().join("done.jsonl");
    let ends: Vec<usize> = whole.match_indices('\n').map(|(at, _)| at + 1).collect();
    for cut in [
        0,
        1,
        ends[0] - 1,
        ends[0],
        ends[0] + 30,
        ends[1],
        ends[2] - 1,
        ends[4] - 1,
    ] {
        fs::write(&stored, &whole[..cut]).unwrap();
        let (_, completed) = resumed(folder.path(), &[]);
        assert_eq!(completed, whole, "cut at {cut}");
    }

    // Another option, a changed file: done again.
    let (_, further) = resumed(folder.path(), &["--harmonics", "5"]);
    assert_eq!(further.lines().count(), 10);
    copy(&captures, "looped_2.csv", "a.csv");
    let (_, further) = resumed(folder.path(), &[]);
    assert_eq!(further.lines().count(), 11);

    fs::write(&stored, "not written by this program\n").unwrap();
    let (output, kept) = resumed(folder.path(), &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(told(&output).contains("line 1"), "{}", told(&output));
    assert_eq!(kept, "not written by this program\n");
}

#[test]
fn earlier_results_elsewhere_are_left_as_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let capture = copy(folder.path(), "looped_1.csv", "a.csv");
    let first = run(&["measure", text(&capture), "--format", "jsonl"]);
    let stored = folder.path().join("done.jsonl");
    let half = [first.stdout.as_slice(), b"{\"file\": \"b.c"].concat();
    fs::write(&stored, &half).unwrap();
    let arguments = [
        "measure",
        text(&capture),
        LOOPED,
        "--format",
        "jsonl",
        "--resume",
        text(&stored),
    ];
    let output = run(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_eq!(lines(&output).len(), 1);
    assert_eq!(lines(&output)[0]["file"], LOOPED);
    assert_eq!(fs::read(&stored).unwrap(), half);
}

#[test]
fn shards_are_the_whole_each_capture_once() {
    let measured = |shard: &[&str]| -> Vec<String> {
        let output = humsieve(&["measure", "data/demo", "--format", "jsonl"])
            .args(shard)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        let text = String::from_utf8(output.stdout).unwrap();
        text.lines().map(str::to_owned).collect()
    };
    let mut whole = measured(&[]);
    let mut parts = Vec::new();
    for part in ["1/3", "2/3", "3/3"] {
        let lines = measured(&["--shard", part]);
        assert!(!lines.is_empty());
        parts.extend(lines);
    }
    whole.sort();
    parts.sort();
    assert_eq!(parts, whole);
    let output = run(&["measure", "x.csv", "--shard", "4/3"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(told(&output).contains("K/N"));
}

/// A logger below twice the mains, a capture with 30 % of its samples clipped, a recording cut short and a
/// good one: each has its answer, and all can be read.
#[test]
fn a_folder_nobody_looked_at_is_answered_file_by_file() {
    let folder = tempfile::tempdir().unwrap();
    let column = |name: &str, rate: f64, count: i32, value: &dyn Fn(f64, f64) -> f64| {
        let mut table = "time (s),A (V)\n".to_owned();
        for i in 0..count {
            let time = f64::from(i) / rate;
            let dither = f64::from((i * 7919) % 101) * 1e-5;
            table += &format!("{time:.9},{:.6}\n", value(time, dither));
        }
        fs::write(folder.path().join(name), table).unwrap();
    };
    let hum = |time: f64| (std::f64::consts::TAU * 50.0 * time).cos();
    column("a_logger.csv", 60.0, 3600, &|time, dither| {
        2.0 + 0.1 * hum(time) + dither
    });
    // A cosine is above cos(0.15 * 2 pi / 2) for 15 % of its time, and below the opposite for as much.
    let rail = (0.15 * std::f64::consts::PI).cos();
    column("b_clipped.csv", 10e3, 10_000, &|time, dither| {
        (hum(time) + dither).clamp(-rail, rail)
    });
    let wave = fs::read(demo("wav/looped.wav")).unwrap();
    fs::write(folder.path().join("c_cut.wav"), &wave[..wave.len() * 2 / 3]).unwrap();
    copy(folder.path(), "looped_1.csv", "d_good.csv");
    let output = humsieve(&["measure", "--format", "jsonl"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let lines = lines(&output);
    assert_eq!(lines.len(), 4);
    for line in &lines {
        assert!(line["dc_offset"]["value"].is_number(), "{line}");
    }
}

/// The second capture comes by standard input, at another rate: once more of it was taken than a pipe holds,
/// the first has been read, and it will be read again on the ground that both share.
#[test]
fn a_file_that_shrinks_between_two_readings_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let victim = copy(folder.path(), "baseline_1.csv", "floor.csv");
    let mut other = "time (s),A (V)\n".to_owned();
    for i in 0..12_000 {
        let time = f64::from(i) / 4000.0;
        let dither = f64::from((i * 7919) % 101) * 1e-6;
        let hum = 1e-3 * (std::f64::consts::TAU * 50.0 * time).cos();
        other += &format!("{time:.6},{:.9}\n", hum + dither);
    }
    assert!(other.len() > 3 << 16);
    let mut child = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .args([
            "compare",
            "--jobs",
            "1",
            "--baseline",
            text(&victim),
            "--looped",
            "-",
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let (before, after) = other.as_bytes().split_at(3 << 16);
    input.write_all(before).unwrap();
    File::options()
        .write(true)
        .open(&victim)
        .unwrap()
        .set_len(20_000)
        .unwrap();
    input.write_all(after).unwrap();
    drop(input);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert!(
        told(&output).contains("floor.csv: the file changed"),
        "{}",
        told(&output)
    );
}

#[test]
fn brief_is_one_line_a_channel() {
    let output = run(&["measure", LOOPED, "data/demo/weighing.csv", "--brief"]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let shown = String::from_utf8(output.stdout).unwrap();
    assert_eq!(shown.lines().count(), 4, "{shown}");
    assert!(shown.lines().nth(1).unwrap().contains(LOOPED), "{shown}");
    assert!(
        shown.lines().nth(3).unwrap().contains("weighing.csv, "),
        "{shown}"
    );
    let output = run(&["measure", LOOPED, "--brief", "--format", "csv"]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn show_bounds_harmonics_and_tones_and_changes_no_figure() {
    let shown = |format: &str, show: &[&str]| {
        let output = humsieve(&["measure", LOOPED, "--format", format])
            .args(show)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    for format in ["text", "markdown"] {
        let orders = |shown: &str| {
            let order = |line: &&str| line.contains("order ") && line.contains(", RMS");
            shown.lines().filter(order).count()
        };
        // The fundamental is the first of them.
        assert_eq!(orders(&shown(format, &["--show", "3"])), 2);
        assert_eq!(orders(&shown(format, &["--show", "0"])), 0);
        assert!(orders(&shown(format, &["--show", "40"])) > 2);
        assert!(shown(format, &["--show", "3"]).contains("Left out here:"));
    }
    assert_eq!(shown("jsonl", &["--show", "1"]), shown("jsonl", &[]));
    assert_eq!(shown("csv", &["--show", "1"]), shown("csv", &[]));
}

/// First-order high pass at 50 Hz: hum at its corner is lowered to 1/√2.
#[test]
fn a_stated_corner_of_the_coupling_is_made_good() {
    let hum = |options: &[&str]| {
        let output = humsieve(&["measure", LOOPED, "--format", "jsonl", "--harmonics", "1"])
            .args(options)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        let line = lines(&output).remove(0);
        let coupled = line["quality"]["warnings"]
            .to_string()
            .contains("ac_coupled");
        (line["mains"]["hum_rms"]["value"].as_f64().unwrap(), coupled)
    };
    let ((plain, _), (corrected, coupled)) = (hum(&[]), hum(&["--ac-corner", "50"]));
    assert!(coupled);
    // The demo's mains is within 0.1 Hz of 50 Hz, which moves the ratio by less than 0.1 %.
    approx::assert_relative_eq!(corrected / plain, 2f64.sqrt(), max_relative = 2e-3);
    let output = run(&["measure", LOOPED, "--ac-corner", "7", "--coupling", "dc"]);
    assert_eq!(output.status.code(), Some(2));
    let output = run(&["measure", LOOPED, "--ac-corner", "0"]);
    assert_eq!(output.status.code(), Some(2));
}
