//! The maker of `data/demo`: a load-cell amplifier on a workshop bench, seeded and documented.
//!
//! `cargo test --test command demo` checks that the files in the repository are, byte for byte,
//! what this program makes; `cargo test --test command demo -- --ignored` writes them anew.
//!
//! All amplitudes are invented. Shapes follow what is common practice on benches (no source): odd
//! harmonics that fall with order, a few even ones, a phase-cut load's pulse twice a cycle, a
//! switching supply's line with sidebands at twice the mains frequency.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};

/// Highest order that is there; `measure` models 40 unless told otherwise.
const ORDERS: usize = 39;
const CSV_RATE_HZ: f64 = 10e3;
const CSV_FRAMES: usize = 8000;
/// 12 bits over +/-51.2 mV.
const CSV_STEP_V: f64 = 25e-6;
const CSV_FULL_SCALE_V: f64 = 51.2e-3;
const WAV_RATE_HZ: f64 = 48e3;
const WAV_FRAMES: usize = 96_000;
/// 16 bits over +/-1 V.
const WAV_STEP_V: f64 = 1.0 / 32768.0;
const REPEATS: u64 = 3;
const WHITE_NOISE_V: f64 = 38e-6;
const SLOW_NOISE_V: f64 = 5e-6;
const GRID_MEAN_HZ: f64 = 50.021;
const GRID_WANDER_HZ: f64 = 8e-3;
const GRID_MEMORY_S: f64 = 20.0;

/// What a condition does to the interference of the closed loop.
#[derive(Clone, Copy)]
struct Bench {
    name: &'static str,
    seed: u64,
    offset_v: f64,
    /// Spread of the offset from capture to capture.
    offset_spread_v: f64,
    /// Share of order k of the loop's hum that is left.
    remains: fn(f64) -> f64,
    /// Share of the supply's lines that is left.
    supply: f64,
}

const BENCHES: [Bench; 4] = [
    Bench {
        name: "baseline",
        seed: 11,
        offset_v: 0.21e-3,
        offset_spread_v: 4e-6,
        remains: |_| 0.0,
        supply: 0.0,
    },
    Bench {
        name: "looped",
        seed: 22,
        offset_v: 11.6e-3,
        offset_spread_v: 60e-6,
        remains: |_| 1.0,
        supply: 1.0,
    },
    // What crosses an isolator crosses its capacitance, so it rises with order.
    Bench {
        name: "isolator",
        seed: 33,
        offset_v: 0.26e-3,
        offset_spread_v: 6e-6,
        remains: |order| 0.002 * order,
        supply: 0.3,
    },
    Bench {
        name: "differential",
        seed: 44,
        offset_v: 0.22e-3,
        offset_spread_v: 4e-6,
        remains: |_| 3e-4,
        supply: 3e-3,
    },
];

/// Hum of the closed loop, amplitude (peak) and phase of order k.
fn loop_harmonic(order: usize) -> (f64, f64) {
    let k = order as f64;
    let smooth = match order {
        1 => 4.2e-3,
        2 => 0.15e-3,
        3 => 1.1e-3,
        4 => 0.05e-3,
        5 => 0.55e-3,
        7 => 0.30e-3,
        9 => 0.18e-3,
        11 => 0.10e-3,
        _ => 0.0,
    };
    // The pulse of a phase-cut load, once a half cycle with alternating sign: odd orders only.
    let pulse = if order % 2 == 1 {
        0.12e-3 * (-(k / 25.0).powi(2)).exp()
    } else {
        0.0
    };
    let (smooth_phase, pulse_phase) = (0.7 * k + 0.3, -TAU * 0.31 * k);
    let cosine = smooth * smooth_phase.cos() + pulse * pulse_phase.cos();
    let sine = smooth * smooth_phase.sin() + pulse * pulse_phase.sin();
    (cosine.hypot(sine), sine.atan2(cosine))
}

/// Lines of a switching supply: frequency, amplitude (peak). The second lies above what the
/// text captures hold.
const SUPPLY_LINES: [(f64, f64); 2] = [(3270.0, 0.13e-3), (17_800.0, 0.22e-3)];

struct Noise(ChaCha8Rng);

impl Noise {
    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Standard normal, by Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// First-order process with a given standard deviation and memory, in its steady state.
struct Wander {
    state: f64,
    keep: f64,
    push: f64,
}

impl Wander {
    fn new(deviation: f64, memory_s: f64, rate_hz: f64, noise: &mut Noise) -> Self {
        let keep = (-1.0 / (memory_s * rate_hz)).exp();
        Self {
            state: deviation * noise.normal(),
            keep,
            push: deviation * (1.0 - keep * keep).sqrt(),
        }
    }

    fn next(&mut self, noise: &mut Noise) -> f64 {
        self.state = self.keep * self.state + self.push * noise.normal();
        self.state
    }
}

/// True values of a capture, in volts and hertz.
struct Truth {
    dc_offset: f64,
    mains_frequency_hz: f64,
    hum_rms: f64,
    harmonic_1_rms: f64,
    noise_rms: f64,
}

struct Made {
    interference_v: Vec<f64>,
    floor_v: Vec<f64>,
    truth: Truth,
}

/// One capture before the converter: interference and floor apart.
fn make(bench: &Bench, repeat: u64, rate_hz: f64, frames: usize, step_v: f64) -> Made {
    let mut noise = Noise(ChaCha8Rng::seed_from_u64(
        bench.seed * 1000 + repeat * 10 + u64::from(rate_hz > 20e3),
    ));
    let noise = &mut noise;
    let offset = bench.offset_v + bench.offset_spread_v * noise.normal();
    let load = 1.0 + 0.02 * noise.normal();
    let mut phase = TAU * noise.uniform();
    let mut grid = Wander::new(GRID_WANDER_HZ, GRID_MEMORY_S, rate_hz, noise);
    let mut slow =
        [1e-3, 3e-3, 10e-3].map(|memory_s| Wander::new(SLOW_NOISE_V, memory_s, rate_hz, noise));
    let supply_phase = TAU * noise.uniform();

    let mut lines: Vec<(f64, f64, f64)> = (1..=ORDERS)
        .map(|order| {
            let (amplitude, phase) = loop_harmonic(order);
            let left = (bench.remains)(order as f64) * load;
            (order as f64, amplitude * left, phase)
        })
        .collect();
    // The instrument's own hum, there in every condition.
    let own = (2e-6, 1.1f64);
    let (cosine, sine) = (
        lines[0].1 * lines[0].2.cos() + own.0 * own.1.cos(),
        lines[0].1 * lines[0].2.sin() + own.0 * own.1.sin(),
    );
    lines[0] = (1.0, cosine.hypot(sine), sine.atan2(cosine));
    lines.retain(|&(_, amplitude, _)| amplitude > 0.0);

    let mut interference = Vec::with_capacity(frames);
    let mut floor = Vec::with_capacity(frames);
    let mut frequency_sum = 0.0;
    for frame in 0..frames {
        let time = frame as f64 / rate_hz;
        let frequency = GRID_MEAN_HZ + grid.next(noise);
        frequency_sum += frequency;
        let hum: f64 = lines
            .iter()
            .map(|&(order, amplitude, at)| amplitude * (order * phase + at).cos())
            .sum();
        let supply: f64 = SUPPLY_LINES
            .iter()
            .filter(|(line_hz, _)| *line_hz < rate_hz / 2.0)
            .map(|(line_hz, amplitude)| {
                let ripple = 1.0 + 0.5 * (2.0 * phase + 0.4).cos();
                bench.supply * amplitude * ripple * (TAU * line_hz * time + supply_phase).cos()
            })
            .sum();
        interference.push(hum + supply + offset);
        let slow: f64 = slow.iter_mut().map(|process| process.next(noise)).sum();
        floor.push(WHITE_NOISE_V * noise.normal() + slow);
        phase += TAU * frequency / rate_hz;
    }
    let squares: f64 = lines
        .iter()
        .map(|(_, amplitude, _)| amplitude.powi(2) / 2.0)
        .sum();
    let noise_square = WHITE_NOISE_V.powi(2) + 3.0 * SLOW_NOISE_V.powi(2) + step_v.powi(2) / 12.0;
    Made {
        interference_v: interference,
        floor_v: floor,
        truth: Truth {
            dc_offset: offset,
            mains_frequency_hz: frequency_sum / frames as f64,
            hum_rms: squares.sqrt(),
            harmonic_1_rms: lines[0].1 / 2f64.sqrt(),
            noise_rms: noise_square.sqrt(),
        },
    }
}

fn millivolts(volts: f64) -> f64 {
    let limited = volts.clamp(-CSV_FULL_SCALE_V, CSV_FULL_SCALE_V - CSV_STEP_V);
    (limited / CSV_STEP_V).round() * 25.0 / 1000.0
}

fn text_capture(made: &Made) -> Vec<u8> {
    let mut text = String::from("Time (s),Amplifier output (mV)\n");
    for (frame, (a, b)) in made.interference_v.iter().zip(&made.floor_v).enumerate() {
        let time = frame as f64 / CSV_RATE_HZ;
        writeln!(text, "{time:.4},{:.3}", millivolts(a + b)).unwrap();
    }
    text.into_bytes()
}

fn wave_capture(made: &Made) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: WAV_RATE_HZ as u32,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for (a, b) in made.interference_v.iter().zip(&made.floor_v) {
        writer
            .write_sample(((a + b) / WAV_STEP_V).round() as i16)
            .unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// Weights put on and taken off, with the loop closed and a second channel on the ground alone.
fn weighing() -> (Vec<u8>, Truth) {
    const FRAMES: usize = 10_000;
    let bench = &BENCHES[1];
    let made = make(bench, 9, CSV_RATE_HZ, FRAMES, CSV_STEP_V);
    let mut noise = Noise(ChaCha8Rng::seed_from_u64(55));
    let mut text = String::from("Time (s),Amplifier output (mV),Ground sense (mV)\n");
    for frame in 0..FRAMES {
        let time = frame as f64 / CSV_RATE_HZ;
        // Each step settles as a lightly damped platform does.
        let signal: f64 = [(0.15, 8e-3), (0.45, 12e-3), (0.80, -5e-3)]
            .iter()
            .filter(|(at, _)| time >= *at)
            .map(|(at, height)| {
                let since = time - at;
                height * (1.0 - (-since / 0.012).exp() * (TAU * 31.0 * since).cos())
            })
            .sum();
        let ground = made.interference_v[frame];
        let sensed = 1.04 * ground + WHITE_NOISE_V * noise.normal();
        writeln!(
            text,
            "{time:.4},{:.3},{:.3}",
            millivolts(signal + ground + made.floor_v[frame]),
            millivolts(sensed)
        )
        .unwrap();
    }
    (text.into_bytes(), made.truth)
}

/// Every file of the demo by its path below `data/demo`.
fn files() -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut truths = BTreeMap::new();
    for bench in &BENCHES {
        for repeat in 1..=REPEATS {
            let made = make(bench, repeat, CSV_RATE_HZ, CSV_FRAMES, CSV_STEP_V);
            let name = format!("{}_{repeat}.csv", bench.name);
            files.insert(PathBuf::from(&name), text_capture(&made));
            truths.insert(name, made.truth);
        }
        let made = make(bench, 0, WAV_RATE_HZ, WAV_FRAMES, WAV_STEP_V);
        let name = format!("wav/{}.wav", bench.name);
        files.insert(PathBuf::from(&name), wave_capture(&made));
        truths.insert(name, made.truth);
    }
    let (bytes, truth) = weighing();
    files.insert(PathBuf::from("weighing.csv"), bytes);
    truths.insert("weighing.csv".into(), truth);

    let entries: serde_json::Map<String, serde_json::Value> = truths
        .into_iter()
        .map(|(name, truth)| {
            let rounded = |x: f64| -> f64 { format!("{x:.6e}").parse().unwrap() };
            let values = serde_json::json!({
                "dc_offset": rounded(truth.dc_offset),
                "mains_frequency_hz": rounded(truth.mains_frequency_hz),
                "hum_rms": rounded(truth.hum_rms),
                "harmonic_1_rms": rounded(truth.harmonic_1_rms),
                "noise_rms": rounded(truth.noise_rms),
            });
            (name, values)
        })
        .collect();
    let mut truth = serde_json::to_vec_pretty(&entries).unwrap();
    truth.push(b'\n');
    files.insert("truth.json".into(), truth);
    files
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo")
}

#[test]
fn the_demo_is_what_its_generator_makes() {
    let mut total = 0;
    for (name, made) in files() {
        let kept = fs::read(folder().join(&name)).unwrap();
        assert!(kept == made, "{} differs from what is made", name.display());
        total += made.len();
    }
    assert!(total < 3_000_000, "the demo holds {total} bytes");
}

#[test]
#[ignore = "writes data/demo anew; run it after a change of the generator"]
fn write_the_demo() {
    for (name, made) in files() {
        let path = folder().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, made).unwrap();
    }
}
