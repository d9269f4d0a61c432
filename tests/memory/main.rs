//! Peak memory of the whole program: neither reading nor measuring may grow with the file.
#![cfg(target_os = "linux")]
#![allow(missing_docs, clippy::too_many_lines, clippy::unwrap_used)]

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

/// The middle of three runs: what threads hold at once scatters, and the end of a short run may be missed.
fn usual_peak(arguments: &[&str], file: &Path) -> f64 {
    let mut peaks = [(); 3].map(|()| peak_mib(arguments, file));
    peaks.sort_by(f64::total_cmp);
    peaks[1]
}

/// Growth that is allowed: what is kept of each further second, and the scatter of a peak from one run to the next.
const KEPT_MIB_PER_S: f64 = 2.0 / 1024.0;
const SCATTER_MIB: f64 = 4.0;

/// A longer file takes no more than a short one but for what is allowed. Samples held in memory would be at
/// least three times that.
fn assert_flat(arguments: &[&str], short: &Path, long: &Path, further_s: f64) {
    let peaks = (usual_peak(arguments, short), usual_peak(arguments, long));
    let most = peaks.0 + KEPT_MIB_PER_S * further_s + SCATTER_MIB;
    assert!(peaks.1 < most, "{long:?}: {peaks:?} MiB, {most} allowed");
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

#[test]
fn reading_takes_no_more_of_a_longer_file() {
    let folder = tempfile::tempdir().unwrap();
    let read = ["measure", "--explain-input"];
    let (short, long) = (
        text(folder.path(), 150_000, 1e6),
        text(folder.path(), 2_400_000, 1e6),
    );
    assert_flat(&read, &short, &long, 2.25);
    let (short, long) = (wave(folder.path(), 40), wave(folder.path(), 320));
    assert_flat(&read, &short, &long, 280.0);
}

/// A dense record is decimated as it is read: a longer one at 1 MS/s takes no more.
#[test]
fn measuring_takes_no_more_of_a_denser_record() {
    let folder = tempfile::tempdir().unwrap();
    let measure = ["measure", "--format", "jsonl"];
    let (short, long) = (
        text(folder.path(), 300_000, 1e6),
        text(folder.path(), 2_400_000, 1e6),
    );
    assert_flat(&measure, &short, &long, 2.1);
}

/// Of records of two stretches and more a stretch is held, and of each second its fit.
#[test]
fn measuring_takes_no_more_of_a_longer_record() {
    let folder = tempfile::tempdir().unwrap();
    let measure = ["measure", "--format", "jsonl"];
    let (short, long) = (wave(folder.path(), 150), wave(folder.path(), 600));
    assert_flat(&measure, &short, &long, 450.0);
    let (short, long) = (
        text(folder.path(), 600_000, 4e3),
        text(folder.path(), 2_400_000, 4e3),
    );
    assert_flat(&measure, &short, &long, 450.0);
}
