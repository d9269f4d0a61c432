//! Peak memory of the whole program: neither reading nor measuring may grow with the file.
#![cfg(target_os = "linux")]
#![allow(missing_docs, clippy::unwrap_used)]

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

/// The kernel's own high-water mark, read every tenth of a millisecond until the process ends.
fn peak_mib(arguments: &[&str], file: &Path) -> f64 {
    let mut child = Command::new(env!("CARGO_BIN_EXE_humsieve"))
        .args(arguments)
        .arg(file)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak: f64 = 0.0;
    loop {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let kib = text
            .lines()
            .find_map(|line| line.strip_prefix("VmHWM:"))
            .and_then(|rest| rest.split_whitespace().next())
            .and_then(|number| number.parse::<f64>().ok());
        peak = peak.max(kib.unwrap_or(0.0) / 1024.0);
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success(), "{status}");
            return peak;
        }
        thread::sleep(Duration::from_micros(100));
    }
}

/// The largest of three runs: a busy machine may miss the end of a short one.
fn peak_of_short(arguments: &[&str], file: &Path) -> f64 {
    (0..3)
        .map(|_| peak_mib(arguments, file))
        .fold(0.0, f64::max)
}

/// The least of three runs: what threads happen to hold at once scatters by some MiB, growth shows in every run.
fn peak_of_long(arguments: &[&str], file: &Path) -> f64 {
    (0..3)
        .map(|_| peak_mib(arguments, file))
        .fold(f64::INFINITY, f64::min)
}

/// Hum and a little noise from a linear congruence.
fn sample(n: usize, rate_hz: f64) -> f64 {
    let t = n as f64 / rate_hz;
    let noise = (n as u64)
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1)
        >> 40;
    0.01 + 3e-3 * (std::f64::consts::TAU * 50.01 * t).cos() + 1e-11 * noise as f64
}

fn wave(folder: &Path, seconds: usize) -> PathBuf {
    let path = folder.join(format!("{seconds}.wav"));
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for n in 0..seconds * 48_000 {
        writer.write_sample(sample(n, 48_000.0) as f32).unwrap();
    }
    writer.finalize().unwrap();
    path
}

fn text(folder: &Path, rows: usize, rate_hz: f64) -> PathBuf {
    let path = folder.join(format!("{rows}.csv"));
    let mut file = BufWriter::new(File::create(&path).unwrap());
    writeln!(file, "time (s),volts (V)").unwrap();
    for n in 0..rows {
        writeln!(file, "{:.6},{:.8e}", n as f64 / rate_hz, sample(n, rate_hz)).unwrap();
    }
    file.flush().unwrap();
    path
}

/// Reading alone is flat: eight times the file, the same memory but for 3 MiB of scatter.
#[test]
fn reading_takes_no_more_of_a_longer_file() {
    let folder = tempfile::tempdir().unwrap();
    let read = ["measure", "--explain-input"];
    let (short, long) = (
        text(folder.path(), 150_000, 1e6),
        text(folder.path(), 1_200_000, 1e6),
    );
    let peaks = (peak_of_short(&read, &short), peak_mib(&read, &long));
    assert!(peaks.1 < peaks.0 + 3.0, "text: {peaks:?} MiB");
    assert!(peaks.1 < 32.0, "text: {peaks:?} MiB");
    let (short, long) = (wave(folder.path(), 40), wave(folder.path(), 320));
    let peaks = (peak_of_short(&read, &short), peak_mib(&read, &long));
    assert!(peaks.1 < peaks.0 + 3.0, "WAV: {peaks:?} MiB");
}

/// A dense record is decimated as it is read: eight times the samples at 1 MS/s must stay within 32 MiB.
#[test]
fn dense_text_stays_within_32_mib() {
    let folder = tempfile::tempdir().unwrap();
    let peak = peak_mib(
        &["measure", "--format", "jsonl"],
        &text(folder.path(), 1_200_000, 1e6),
    );
    assert!(peak < 32.0, "{peak} MiB");
}

/// A measurement keeps a stretch of the record and of each second some kilobytes: four times the length of records of
/// two stretches and more may take a tenth more.
#[test]
fn measuring_takes_no_more_of_a_longer_record() {
    let folder = tempfile::tempdir().unwrap();
    let measure = ["measure", "--format", "jsonl"];
    let pairs = [
        (wave(folder.path(), 150), wave(folder.path(), 600)),
        (
            text(folder.path(), 600_000, 4e3),
            text(folder.path(), 2_400_000, 4e3),
        ),
    ];
    for (short, long) in pairs {
        let peaks = (
            peak_of_short(&measure, &short),
            peak_of_long(&measure, &long),
        );
        assert!(peaks.1 < 1.1 * peaks.0 + 2.0, "{long:?}: {peaks:?} MiB");
    }
}
