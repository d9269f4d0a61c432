//! Separation of records that nobody looked at: every one is separated or refused with its reason.

use humsieve::analysis::MainsChoice;
use humsieve::capture::{CaptureHeader, Channel, MemorySink, MemorySource, RateOrigin, TimeBase};
use humsieve::separation::{
    HarmonicOptions, Offset, SeparateOptions, Separation, Template, difference, harmonic,
    reference, separate, template,
};
use humsieve::{Capture, Error, ErrorKind, FrameSource, Warning, WarningCode};
use ndarray::Array2;
use std::f64::consts::PI;

fn capture(rate: f64, rows: &[&[f64]]) -> Capture {
    let channels = (1..=rows.len())
        .map(|i| Channel {
            name: format!("c{i}"),
            unit: "V".into(),
        })
        .collect();
    let time_base = TimeBase::from_rate(rate, RateOrigin::User);
    let flat: Vec<f64> = rows.iter().flat_map(|r| r.iter().copied()).collect();
    let samples = Array2::from_shape_vec((rows.len(), rows[0].len()), flat).unwrap();
    Capture::new(CaptureHeader::new("bench", channels, time_base), samples).unwrap()
}

fn run(capture: &Capture, options: &SeparateOptions) -> Result<(Vec<f64>, Separation), Error> {
    let mut sink = MemorySink::new();
    let mut source = MemorySource::new(capture);
    let mut reports = separate(&mut source, None, options, &mut sink)?;
    let cleaned = sink.into_capture()?.channel(0).unwrap().to_vec();
    Ok((cleaned, reports.remove(0)))
}

/// Noise that needs no generator: uniform, a linear congruence.
fn noise(n: usize, seed: u32) -> Vec<f64> {
    let mut state = seed.wrapping_mul(2_654_435_761).wrapping_add(1);
    (0..n)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5
        })
        .collect()
}

fn hum(n: usize, rate: f64) -> Vec<f64> {
    let noise = noise(n, 7);
    (0..n)
        .map(|i| {
            let phase = 2.0 * PI * 50.01 * i as f64 / rate;
            phase.cos() + 0.3 * (3.0 * phase + 1.0).cos() + 0.02 * noise[i]
        })
        .collect()
}

/// Nothing was taken out: the mean was taken off and put back, two roundings of numbers no larger than twice the peak.
fn assert_untouched(cleaned: &[f64], x: &[f64]) {
    let peak = x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    for (a, b) in cleaned.iter().zip(x) {
        assert!((a - b).abs() <= 2.0 * f64::EPSILON * peak, "{a} {b}");
    }
}

fn kind<T>(result: Result<T, Error>) -> Option<ErrorKind> {
    result.err().map(|e| e.kind())
}

#[test]
fn slices_of_unequal_length_are_refused() {
    let options = HarmonicOptions::default();
    let (long, short) = (hum(500, 1e3), hum(499, 1e3));
    let bad = Some(ErrorKind::BadValue);
    assert_eq!(kind(reference(&long, &short, 1e3, &options)), bad);
    assert_eq!(kind(difference(&short, &long, 1e3)), bad);
    let error = difference(&short, &long, 1e3).unwrap_err();
    assert!(error.message().contains("499") && error.message().contains("500"));
    let none = Some(ErrorKind::NoSamples);
    assert_eq!(kind(harmonic(&[], 1e3, &options)), none);
    assert_eq!(kind(reference(&[], &[], 1e3, &options)), none);
    assert_eq!(kind(difference(&[], &[], 1e3)), none);
    assert_eq!(kind(Template::new(&[], 1e3, &options)), none);
}

#[test]
fn rates_and_settings_out_of_range_are_refused() {
    let x = hum(2000, 1e3);
    let shape = Template::new(&x, 1e3, &HarmonicOptions::default()).unwrap();
    let all = |rate: f64, options: &HarmonicOptions| {
        [
            kind(harmonic(&x, rate, options)),
            kind(reference(&x, &x, rate, options)),
            kind(template(&x, rate, &shape, options)),
            kind(Template::new(&x, rate, options)),
        ]
    };
    let bad = [Some(ErrorKind::BadOption); 4];
    let plain = HarmonicOptions::default();
    for rate in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-308, 1e300] {
        assert_eq!(all(rate, &plain), bad, "{rate}");
        assert_eq!(kind(difference(&x, &x, rate)), Some(ErrorKind::BadOption));
        let options = SeparateOptions::default();
        let made = capture(1e3, &[&x]);
        let header = made.header().clone();
        let wrong = Capture::new(
            CaptureHeader::new(
                "w",
                header.channels,
                TimeBase::from_rate(rate, RateOrigin::User),
            ),
            made.samples().clone(),
        );
        if let Ok(wrong) = wrong {
            assert_eq!(kind(run(&wrong, &options)), Some(ErrorKind::BadOption));
        }
    }
    let with = |nominal_hz, harmonics, protect_hz| {
        let mut options = HarmonicOptions::default();
        options.mains = MainsChoice::Nominal(nominal_hz);
        options.harmonics = harmonics;
        options.protect_hz = protect_hz;
        options
    };
    for options in [
        with(0.0, None, vec![]),
        with(f64::NAN, None, vec![]),
        with(50.0, Some(0), vec![]),
        with(50.0, Some(1001), vec![]),
        with(50.0, None, vec![f64::INFINITY]),
    ] {
        assert_eq!(all(1e3, &options), bad, "{options:?}");
    }
    let many = SeparateOptions::default().harmonics(1001);
    assert!(many.check().unwrap_err().message().contains("1000"));
    let offset = SeparateOptions::default().offset(Offset::Value(f64::NAN));
    assert_eq!(kind(offset.check()), Some(ErrorKind::BadOption));
}

#[test]
fn samples_that_stand_still_are_told() {
    let rate = 5_000.0;
    let whole = hum(20_000, rate);
    let mut held = whole.clone();
    held[5_000..5_060].fill(whole[5_000]);
    for (x, expected) in [(&held, true), (&whole, false)] {
        let (_, report) = run(&capture(rate, &[x]), &SeparateOptions::default()).unwrap();
        let mut warnings = report.warnings.iter();
        let told = warnings.any(|w| w.code == WarningCode::MissingSamples);
        assert_eq!(told, expected, "{:?}", report.warnings);
    }
}

#[test]
fn a_clipped_capture_is_told_with_its_share() {
    let (n, rate) = (20_000, 5_000.0);
    let whole = hum(n, rate);
    let limit = 0.98;
    let x: Vec<f64> = whole.iter().map(|v| v.clamp(-limit, limit)).collect();
    let share = x.iter().filter(|v| v.abs() == limit).count() as f64 / n as f64;
    assert!((0.1..0.3).contains(&share), "{share}");
    let (_, report) = run(&capture(rate, &[&x]), &SeparateOptions::default()).unwrap();
    let warning = report
        .warnings
        .iter()
        .find(|w| w.code == WarningCode::Clipped);
    let told = format!("({:.2} %)", 100.0 * share);
    assert!(warning.unwrap().message.contains(&told), "{warning:?}");
    let counted: u64 = report.clipped.iter().map(|s| s.samples).sum();
    assert_eq!(counted as f64, share * n as f64);
    assert!(report.clipped.iter().all(|s| s.start_s < s.end_s));
    let (_, report) = run(&capture(rate, &[&whole]), &SeparateOptions::default()).unwrap();
    assert!(report.clipped.is_empty());
    assert!(
        report
            .warnings
            .iter()
            .all(|w| w.code != WarningCode::Clipped)
    );
}

#[test]
fn a_rate_below_twice_the_mains_is_told_and_nothing_taken_out() {
    for rate in [0.5, 9.7, 60.0, 99.0] {
        let x = hum(3000, rate);
        let (cleaned, report) = run(&capture(rate, &[&x]), &SeparateOptions::default()).unwrap();
        assert_untouched(&cleaned, &x);
        let codes: Vec<WarningCode> = report.warnings.iter().map(|w| w.code).collect();
        assert!(
            codes.contains(&WarningCode::FoldedMains),
            "{rate}: {codes:?}"
        );
    }
    // 60 Hz at 70 Hz stands at 10 Hz.
    let options = SeparateOptions::default().mains(MainsChoice::Nominal(60.0));
    let (_, report) = run(&capture(70.0, &[&hum(900, 70.0)]), &options).unwrap();
    let folded = report
        .warnings
        .iter()
        .find(|w| w.code == WarningCode::FoldedMains);
    assert!(folded.unwrap().message.contains("60 Hz at 10.0000 Hz"));
}

#[test]
fn the_size_of_the_samples_changes_nothing() {
    let x = hum(4000, 2e3);
    let options = SeparateOptions::default().offset(Offset::Remove);
    let (plain, told) = run(&capture(2e3, &[&x, &hum(4000, 2e3)]), &options).unwrap();
    for power in [-1000, 1000] {
        let unit = f64::from(power).exp2();
        let scaled: Vec<f64> = x.iter().map(|v| v * unit).collect();
        let (cleaned, report) = run(&capture(2e3, &[&scaled, &scaled]), &options).unwrap();
        for (a, b) in plain.iter().zip(&cleaned) {
            assert_eq!(a * unit, *b, "2^{power}");
        }
        assert_eq!(report.removed.mains_rms, told.removed.mains_rms * unit);
        // Orders that are not taken out count one by one, by their bounds, where their squares are beyond numbers.
        let left = report.residual_hum_rms.value / (told.residual_hum_rms.value * unit);
        assert!((0.8..1.001).contains(&left), "2^{power}: {left}");
    }
}

/// Notes of plucked strings: harmonics that fade, started one after another; no grid is in them.
fn chords(n: usize, rate: f64) -> Vec<f64> {
    let notes = [196.0, 246.94, 293.66, 392.0];
    let noise = noise(n, 21);
    (0..n)
        .map(|i| {
            let t = i as f64 / rate;
            let mut sum = 1e-3 * noise[i];
            for bar in 0..8 {
                for (j, hz) in notes.iter().enumerate() {
                    let since = t - 0.5 * f64::from(bar) - 0.03 * j as f64;
                    if since > 0.0 {
                        for k in 1..=6 {
                            let k = f64::from(k);
                            let fade = (-since * (1.5 + k)).exp() / k;
                            sum += 0.2 * fade * (2.0 * PI * k * hz * since).sin();
                        }
                    }
                }
            }
            sum
        })
        .collect()
}

/// Voiced syllables: pulses of a pitch that glides, under an envelope; no grid is in them.
fn speech(n: usize, rate: f64) -> Vec<f64> {
    let noise = noise(n, 22);
    let mut phase = 0.0;
    (0..n)
        .map(|i| {
            let t = i as f64 / rate;
            let pitch =
                118.0 + 22.0 * (2.0 * PI * 0.7 * t).sin() + 9.0 * (2.0 * PI * 1.9 * t).cos();
            phase += 2.0 * PI * pitch / rate;
            let envelope = (2.0 * PI * 3.1 * t).sin().max(0.0).powi(2);
            let voiced: f64 = (1..=12)
                .map(f64::from)
                .map(|k| (k * phase + k * k).cos() / (1.0 + ((k * pitch - 500.0) / 250.0).powi(2)))
                .sum();
            envelope * (voiced + 0.2 * noise[i]) + 1e-3 * noise[i]
        })
        .collect()
}

#[test]
fn music_and_speech_without_mains_come_back_as_they_were() {
    let (n, rate) = (32_000, 8_000.0);
    for (what, x) in [("chords", chords(n, rate)), ("speech", speech(n, rate))] {
        let (cleaned, report) = run(&capture(rate, &[&x]), &SeparateOptions::default()).unwrap();
        assert_untouched(&cleaned, &x);
        assert_eq!(report.removed.mains_rms, 0.0, "{what}");
        let codes: Vec<WarningCode> = report.warnings.iter().map(|w| w.code).collect();
        assert!(
            codes.contains(&WarningCode::MainsNotDetected),
            "{what}: {codes:?}"
        );
        let parts = harmonic(&x, rate, &HarmonicOptions::default()).unwrap();
        assert!(parts.interference.iter().all(|v| *v == 0.0), "{what}");
    }
}

/// A tone thirty times the hum, beside the eighth order of a grid at 50.013 Hz.
#[test]
fn a_wanted_tone_beside_an_order_stays_while_the_hum_goes() {
    let (n, rate) = (80_000, 8_000.0);
    let noise = noise(n, 23);
    let tone: Vec<f64> = (0..n)
        .map(|i| 30.0 * (2.0 * PI * 400.0 * i as f64 / rate + 0.4).cos())
        .collect();
    let hum: Vec<f64> = (0..n)
        .map(|i| {
            let phase = 2.0 * PI * 50.013 * i as f64 / rate;
            let orders = [1.0, 2.0, 3.0, 5.0, 7.0, 9.0, 11.0];
            orders
                .iter()
                .map(|k| (k * phase + k).cos() / k)
                .sum::<f64>()
        })
        .collect();
    let x: Vec<f64> = (0..n).map(|i| tone[i] + hum[i] + 0.02 * noise[i]).collect();
    let (cleaned, report) = run(&capture(rate, &[&x]), &SeparateOptions::default()).unwrap();
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    let along = |x: &[f64]| x.iter().zip(&tone).map(|(a, b)| a * b).sum::<f64>();
    let kept = along(&cleaned) / along(&tone);
    assert!((kept - 1.0).abs() < 1e-4, "{kept}");
    let left: Vec<f64> = (0..n)
        .map(|i| cleaned[i] - tone[i] - 0.02 * noise[i])
        .collect();
    assert!(rms(&left) < 0.03 * rms(&hum), "{}", rms(&left) / rms(&hum));
    let told = report
        .warnings
        .iter()
        .find(|w| w.code == WarningCode::LineNearHarmonic);
    let message = &told.unwrap().message;
    assert!(
        message.contains("--protect") && message.contains("--template"),
        "{message}"
    );
}

/// Contents that have broken programs before.
fn contents(n: usize, rate: f64) -> Vec<(&'static str, Vec<f64>)> {
    let put = |mut x: Vec<f64>, places: &[usize], value: f64| {
        for place in places {
            if n > 0 {
                x[place * n / 100] = value;
            }
        }
        x
    };
    let times = |x: Vec<f64>, by: f64| x.into_iter().map(|v| v * by).collect::<Vec<f64>>();
    vec![
        ("silence", vec![0.0; n]),
        ("constant", vec![3.7; n]),
        (
            "two values",
            (0..n).map(|i| f64::from(u8::from(i % 7 < 3))).collect(),
        ),
        ("ramp", (0..n).map(|i| 1e-3 * i as f64).collect()),
        (
            "step",
            (0..n).map(|i| if 2 * i > n { 5.0 } else { 0.0 }).collect(),
        ),
        ("impulse", put(vec![0.0; n], &[40], 1e6)),
        (
            "half the rate",
            (0..n)
                .map(|i| if i % 2 == 0 { 1.0 } else { -1.0 })
                .collect(),
        ),
        ("noise", noise(n, 3)),
        ("hum", hum(n, rate)),
        ("gaps", put(hum(n, rate), &[0, 3, 50, 51, 99], f64::NAN)),
        (
            "overload",
            put(hum(n, rate), &[0, 3, 50, 99], f64::INFINITY),
        ),
        ("nothing but gaps", vec![f64::NAN; n]),
        ("huge", times(hum(n, rate), 1e300)),
        ("tiny", times(hum(n, rate), 1e-300)),
        (
            "largest",
            put(vec![0.25 * f64::MAX; n], &[10, 60], -0.25 * f64::MAX),
        ),
        ("huge impulse in hum", put(hum(n, rate), &[30], 1e300)),
        (
            "clipped",
            hum(n, rate).iter().map(|v| v.clamp(-0.5, 0.5)).collect(),
        ),
    ]
}

/// Every figure of a result is a number, and in order.
fn check(report: &Separation, cleaned: &[f64], x: &[f64], what: &str) {
    let left = report.residual_hum_rms;
    assert!(
        left.low <= left.value && left.value <= left.high,
        "{what}: {left:?}"
    );
    for value in [
        left.low,
        left.high,
        report.removed.dc_offset,
        report.removed.mains_rms,
        report.removed.coherent_rms,
    ] {
        assert!(
            value.is_finite() && (value >= 0.0 || value == report.removed.dc_offset),
            "{what}"
        );
    }
    if let Some(f) = report.mains_frequency_hz {
        assert!(
            f.low <= f.value && f.value <= f.high && f.high.is_finite(),
            "{what}: {f:?}"
        );
    }
    assert_eq!(cleaned.len(), x.len(), "{what}");
    for (a, b) in cleaned.iter().zip(x) {
        assert_eq!(a.is_finite(), b.is_finite(), "{what}: {b} became {a}");
    }
}

fn sweep(rates: &[f64], lengths: &[usize], nominals: &[f64], harmonics: &[Option<usize>]) -> usize {
    let mut runs = 0;
    for &rate in rates {
        for &n in lengths {
            let looped = hum(n.max(1), rate);
            for (name, x) in contents(n, rate) {
                for &nominal in nominals {
                    for &harmonics in harmonics {
                        let what = format!(
                            "{name}, {n} samples at {rate} Hz, mains {nominal}, {harmonics:?}"
                        );
                        runs += answer(&x, &looped, rate, (nominal, harmonics), &what);
                    }
                }
            }
        }
    }
    runs
}

/// All methods on one record, as slices and from a source.
fn answer(
    x: &[f64],
    looped: &[f64],
    rate: f64,
    (nominal, harmonics): (f64, Option<usize>),
    what: &str,
) -> usize {
    let options = {
        let mut options = HarmonicOptions::default();
        options.mains = MainsChoice::Nominal(nominal);
        options.harmonics = harmonics;
        options.protect_hz = Vec::new();
        options
    };
    let other: Vec<f64> = x
        .iter()
        .zip(noise(x.len(), 5))
        .map(|(v, e)| 0.9 * v + e)
        .collect();
    let shape = Template::new(looped, rate, &options);
    let slices = [
        harmonic(x, rate, &options),
        reference(x, &other, rate, &options),
        difference(x, &other, rate),
        shape.and_then(|shape| template(x, rate, &shape, &options)),
    ];
    for parts in slices.into_iter().flatten() {
        assert!(parts.offset.is_finite(), "{what}");
        assert!(parts.interference.iter().all(|v| v.is_finite()), "{what}");
    }
    if x.is_empty() {
        return 4;
    }
    let both = capture(rate, &[x, &other]);
    let template_capture = capture(rate, &[looped]);
    for method in 0..4 {
        let options = {
            let mut options = SeparateOptions::default();
            options.mains = MainsChoice::Nominal(nominal);
            options.harmonics = harmonics;
            options.channels = vec!["1".into()];
            options.references = (method == 1).then(|| "2".into()).into_iter().collect();
            options.minus = (method == 2).then(|| "2".into());
            options.offset = if method == 0 {
                Offset::Remove
            } else {
                Offset::Own
            };
            options
        };
        let mut sink = MemorySink::new();
        let mut template_source = MemorySource::new(&template_capture);
        let given = (method == 3).then_some(&mut template_source as &mut dyn FrameSource);
        let result = separate(&mut MemorySource::new(&both), given, &options, &mut sink);
        match result {
            Ok(reports) => {
                let cleaned = sink.into_capture().unwrap().channel(0).unwrap().to_vec();
                check(
                    &reports[0],
                    &cleaned,
                    x,
                    &format!("{what}, method {method}"),
                );
            }
            Err(e) => assert!(!e.message().is_empty() && method == 3, "{what}: {e}"),
        }
    }
    8
}

#[test]
fn every_record_of_a_sparse_sweep_is_answered() {
    let runs = sweep(
        &[1e-3, 47.0, 130.0, 1e3, 30e3, 1e7],
        &[0, 1, 2, 17, 300, 3000],
        &[50.0],
        &[None],
    );
    let more = sweep(
        &[1e3, 1e6],
        &[64, 5000],
        &[16.7, 400.0, 6000.0],
        &[Some(1), Some(1000)],
    );
    assert_eq!(
        runs + more,
        17 * (5 * 6 * 8 + 6 * 4) + 17 * 2 * 2 * 3 * 2 * 8
    );
}

#[test]
#[ignore = "minutes long: the whole sweep"]
fn every_record_of_the_whole_sweep_is_answered() {
    let rates: Vec<f64> = (-3..=7)
        .flat_map(|e| [1.0, 3.3].map(|m| m * 10f64.powi(e)))
        .collect();
    let lengths = [0, 1, 2, 3, 15, 16, 17, 63, 100, 999, 4096, 20_000, 100_000];
    let runs = sweep(
        &rates,
        &lengths,
        &[16.7, 50.0, 60.0, 400.0, 6000.0],
        &[None, Some(1), Some(1000)],
    );
    println!("{runs} runs");
}

/// Gives this many frames fewer, or more, after so many readings.
struct Growing {
    short: MemorySource<'static>,
    long: MemorySource<'static>,
    rewound: usize,
    from: usize,
}

impl FrameSource for Growing {
    fn header(&self) -> &CaptureHeader {
        self.short.header()
    }

    fn read_block(&mut self, block: &mut Array2<f64>) -> Result<usize, Error> {
        let later = self.rewound > self.from;
        let source = if later {
            &mut self.long
        } else {
            &mut self.short
        };
        source.read_block(block)
    }

    fn rewind(&mut self) -> Result<(), Error> {
        self.rewound += 1;
        self.short.rewind()?;
        self.long.rewind()
    }

    fn warnings(&self) -> Vec<Warning> {
        Vec::new()
    }
}

#[test]
fn a_record_of_another_length_at_a_later_reading_is_refused() {
    let hum = |count: i32| -> MemorySource<'static> {
        let samples: Vec<f64> = (0..count).map(|n| (0.0628 * f64::from(n)).cos()).collect();
        Capture::from_samples("bench", 5000.0, &samples)
            .unwrap()
            .into()
    };
    for (first, later) in [
        (5000, 4900),
        (5000, 5100),
        (600_000, 599_000),
        (600_000, 600_001),
    ] {
        let mut source = Growing {
            short: hum(first),
            long: hum(later),
            rewound: 0,
            from: 1,
        };
        let options = SeparateOptions::default();
        let error = separate(&mut source, None, &options, &mut MemorySink::new()).unwrap_err();
        assert_eq!(
            error.kind(),
            ErrorKind::Unreadable,
            "{first} {later}: {error}"
        );
    }
}
