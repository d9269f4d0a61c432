//! Recipes for common jobs. Each runs as it stands, on a second of samples that this makes:
//!
//! ```
//! /// A second at 5 kS/s: an offset of 2 mV, hum of this peak amplitude (V) at 50.02 Hz, noise of 3 µV RMS.
//! fn bench(hum: f64) -> Vec<f64> {
//!     let mut state = hum.to_bits();
//!     let mut noise = || {
//!         state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
//!         1e-5 * ((state >> 40) as f64 / f64::from(1 << 24) - 0.5)
//!     };
//!     let wave = |n: i32| (std::f64::consts::TAU * 50.02 * f64::from(n) / 5e3).cos();
//!     (0..5000).map(|n| 2e-3 + hum * wave(n) + noise()).collect()
//! }
//! assert_eq!(bench(1e-3).len(), 5000);
//! ```
//!
//! # What goes in
//!
//! ## A vector
//!
//! One channel that is a slice, a vector or a view is measured where it is.
//!
//! ```
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure_samples};
//! let measured = measure_samples(&bench(1e-3), 5000.0, &MeasureOptions::default())?;
//! let hum = measured.mains.hum_rms.expect("a second holds fifty cycles");
//! assert!(hum.contains(1e-3 / 2f64.sqrt()));
//! assert!(measured.dc_offset.contains(2e-3));
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## An array
//!
//! The rows of an `Array2` or of a view are channels; its numbers may be of any kind that becomes an `f64`.
//!
//! ```
//! use humsieve::capture::{CaptureHeader, SampleSource};
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure};
//! use ndarray::Array2;
//!
//! let both = Array2::from_shape_vec((2, 5000), [bench(1e-3), bench(2e-3)].concat())?;
//! let header = CaptureHeader::of_volts("bench", ["probe", "ground"], 5000.0);
//! let mut source = SampleSource::rows(header, both.view())?;
//! let measured = measure(&mut source, &MeasureOptions::default())?;
//! assert_eq!(measured[1].channel, "ground");
//! assert!(measured[1].mains.hum_rms.expect("hum") .low > measured[0].mains.hum_rms.expect("hum").high);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! ## Blocks of f32 or i16
//!
//! An iterator that can be begun again is read block by block, frame after frame; neither a conversion nor a scale makes
//! a copy of the whole.
//!
//! ```
//! use humsieve::capture::{Acquisition, CaptureHeader, SampleSource};
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure};
//!
//! let floats: Vec<Vec<f32>> = bench(1e-3).chunks(512).map(|block| block.iter().map(|&x| x as f32).collect()).collect();
//! let header = CaptureHeader::of_volts("floats", ["probe"], 5000.0);
//! let mut source = SampleSource::new(header, floats.iter().flatten().copied())?;
//! let by_floats = measure(&mut source, &MeasureOptions::default())?.remove(0);
//!
//! // Counts of a converter: its step is stated, since it is known.
//! const STEP: f64 = 1e-6;
//! let counts: Vec<i16> = bench(1e-3).iter().map(|x| (x / STEP).round() as i16).collect();
//! let mut header = CaptureHeader::of_volts("counts", ["probe"], 5000.0);
//! header.acquisition = Acquisition::default().lsb_v(STEP);
//! let mut source = SampleSource::new(header, counts.iter().map(|&count| STEP * f64::from(count)))?;
//! let by_counts = measure(&mut source, &MeasureOptions::default())?.remove(0);
//!
//! for measured in [by_floats, by_counts] {
//!     assert!((measured.mains.hum_rms.expect("hum").value - 1e-3 / 2f64.sqrt()).abs() < 1e-6);
//! }
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## Bytes from an object store
//!
//! What came over a network is understood from its own front, as a file is; a stream goes by [`load::read`](crate::load::read)
//! and a path by [`load::open`](crate::load::open).
//!
//! ```
//! use humsieve::load::{LoadOptions, bytes};
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure};
//!
//! let table: String = std::iter::once("time (s),probe (mV)\n".to_owned())
//!     .chain(bench(1e-3).iter().enumerate().map(|(n, x)| format!("{:.4},{:e}\n", n as f64 / 5e3, 1e3 * x)))
//!     .collect();
//! let fetched = table.as_bytes();
//! let mut sources = bytes("bench/looped.csv", fetched, &LoadOptions::default())?;
//! let measured = measure(&mut sources[0], &MeasureOptions::default())?.remove(0);
//! assert_eq!((measured.file.as_str(), measured.unit.as_str()), ("bench/looped.csv", "V"));
//! assert!(measured.dc_offset.contains(2e-3));
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! # What is told
//!
//! ## One figure
//!
//! [`estimators`](crate::analysis::estimators) tell one figure each; sine fits, harmonic groups and the converter's step
//! stand in [`analysis`](crate::analysis) by themselves.
//!
//! ```
//! use humsieve::analysis::{SineModel, estimators::offset, infer_step, sine_fit_free};
#![doc = include_str!("bench.md")]
//! use humsieve::MeasureOptions;
//!
//! let samples = bench(1e-3);
//! assert!(offset(&samples, 5000.0, &MeasureOptions::default())?.contains(2e-3));
//! let view = ndarray::ArrayView1::from(&samples);
//! let sine = sine_fit_free(&view, 5000.0, 50.0, &SineModel::default())?;
//! assert!(sine.harmonics[0].peak.contains(1e-3));
//! let rounded: Vec<f64> = samples.iter().map(|x| 1e-5 * (x / 1e-5).round()).collect();
//! assert!(infer_step(&rounded).is_some_and(|step| (step - 1e-5).abs() < 1e-9));
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## Baseline, looped, isolated
//!
//! Captures of the three conditions of a bench are measured, measured again in what they have in common where they differ,
//! and compared. One that cannot be measured costs only itself.
//!
//! ```
//! use humsieve::comparison::{CaptureSource, CompareOptions, compare_captures};
#![doc = include_str!("bench.md")]
//! use humsieve::{Capture, Condition, MeasureOptions, MemorySource, Verdict};
//!
//! let taken = |condition, hum| -> Result<_, humsieve::Error> {
//!     let capture = Capture::from_samples(condition_name(condition), 5000.0, &bench(hum))?;
//!     Ok(CaptureSource::record(condition, MemorySource::from(capture)))
//! };
//! fn condition_name(condition: Condition) -> String {
//!     condition.to_string()
//! }
//! let sources = vec![
//!     taken(Condition::Baseline, 0.0)?,
//!     taken(Condition::Looped, 1e-3)?,
//!     taken(Condition::Isolated, 1e-5)?,
//! ];
//! let compared = compare_captures(sources, &MeasureOptions::default(), &CompareOptions::default());
//! assert!(compared.failed.is_empty());
//! let comparison = compared.comparison?;
//! let hum = comparison.quantity("hum_rms").expect("it is always compared");
//! assert_eq!(hum.verdict, Verdict::Improved);
//! let claimed = hum.improvement_db.expect("both are read").low;
//! assert!((39.0..40.0).contains(&claimed), "{claimed} dB");
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## Limits
//!
//! A limit is held against the whole interval: met, missed, or undecided.
//!
//! ```
//! use humsieve::comparison::{Acceptance, Limit};
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure_samples};
//!
//! let measured = measure_samples(&bench(1e-3), 5000.0, &MeasureOptions::default())?;
//! let outcome = |text: &str| -> Result<Acceptance, humsieve::Error> {
//!     let limit: Limit = text.parse()?;
//!     Ok(limit.judge_measurement(&measured).outcome)
//! };
//! assert_eq!(outcome("hum_rms=1m")?, Acceptance::Pass);
//! assert_eq!(outcome("hum_rms=100u")?, Acceptance::Fail);
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! # What is taken out
//!
//! ## One channel, with a template
//!
//! A tone on a harmonic is hum to one capture alone. A capture of the interference without the signal tells them apart.
//!
//! ```
//! use humsieve::capture::MemorySink;
//! use humsieve::separation::{Method, SeparateOptions, separate};
#![doc = include_str!("bench.md")]
//! use humsieve::{Capture, MemorySource};
//!
//! let wanted = |n: usize| 5e-4 * (std::f64::consts::TAU * 100.04 * n as f64 / 5e3).cos();
//! let signal: Vec<f64> = bench(1e-3).iter().enumerate().map(|(n, x)| x + wanted(n)).collect();
//! let signal = Capture::from_samples("signal", 5000.0, &signal)?;
//! let looped = Capture::from_samples("looped", 5000.0, &bench(2e-3))?;
//!
//! let mut sink = MemorySink::new();
//! let told = separate(
//!     &mut MemorySource::new(&signal),
//!     Some(&mut MemorySource::new(&looped)),
//!     &SeparateOptions::default(),
//!     &mut sink,
//! )?;
//! assert_eq!(told[0].method, Method::Template);
//! let clean = sink.into_capture()?;
//! let worst = clean.channel(0).expect("one channel").iter().enumerate()
//!     .map(|(n, x)| (x - wanted(n)).abs())
//!     .fold(0.0, f64::max);
//! assert!(worst < 2e-5, "{worst} V");
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## Two channels, one of which senses the ground
//!
//! ```
//! use humsieve::capture::{CaptureHeader, MemorySink};
//! use humsieve::separation::{SeparateOptions, separate};
#![doc = include_str!("bench.md")]
//! use humsieve::{Capture, MemorySource};
//! use ndarray::Array2;
//!
//! let ground = bench(1e-3);
//! let wanted = |n: usize| 1e-3 * (std::f64::consts::TAU * 333.0 * n as f64 / 5e3).sin();
//! let probe: Vec<f64> = ground.iter().enumerate().map(|(n, x)| 0.5 * x + wanted(n)).collect();
//! let header = CaptureHeader::of_volts("bench", ["probe", "ground"], 5000.0);
//! let both = Capture::new(header, Array2::from_shape_vec((2, 5000), [probe, ground].concat())?)?;
//!
//! let options = SeparateOptions::default().reference("ground");
//! let mut sink = MemorySink::new();
//! let told = separate(&mut MemorySource::new(&both), None, &options, &mut sink)?;
//! assert!(told[0].matched.as_ref().is_some_and(|m| (m.gain - 0.5).abs() < 1e-3));
//! let clean = sink.into_capture()?;
//! let worst = clean.channel(0).expect("the probe alone is left").iter().enumerate().skip(50)
//!     .map(|(n, x)| (x - wanted(n)).abs())
//!     .fold(0.0, f64::max);
//! assert!(worst < 1e-4, "{worst} V");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Around it
//!
//! ## A live monitor
//!
//! Blocks are kept until they make a second, which is measured and held against the floor. An instrument's thread sends
//! them; what cannot be measured is told and the next second goes on.
//!
//! ```
//! use humsieve::comparison::Change;
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure_samples};
//! use std::sync::mpsc;
//!
//! let (instrument, blocks) = mpsc::channel::<Vec<f64>>();
//! std::thread::spawn(move || {
//!     for second in [bench(1e-3), bench(1e-5)] {
//!         second.chunks(512).for_each(|block| instrument.send(block.to_vec()).unwrap_or(()));
//!     }
//! });
//! let options = MeasureOptions::default();
//! let floor = measure_samples(&bench(1e-5), 5000.0, &options)?;
//! let mut second: Vec<f64> = Vec::new();
//! let mut told = Vec::new();
//! for block in blocks {
//!     second.extend(block);
//!     while second.len() >= 5000 {
//!         let taken: Vec<f64> = second.drain(..5000).collect();
//!         match measure_samples(&taken, 5000.0, &options) {
//!             Ok(measured) => told.extend(Change::of(&measured, &floor, 0.95)?.hum_rms),
//!             Err(error) => eprintln!("{error}"),
//!         }
//!     }
//! }
//! assert!((told[0].value - 40.0).abs() < 0.5 && told[1].value.abs() < 0.5);
//! # Ok::<(), humsieve::Error>(())
//! ```
//!
//! ## A batch in your own thread pool
//!
//! Everything runs in the pool of the calling thread: install yours and no other thread is used. A capture that cannot be
//! measured costs only itself.
//!
//! ```
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure_samples};
//! use rayon::prelude::*;
//!
//! let records: Vec<Vec<f64>> = vec![bench(1e-3), vec![0.0; 3], bench(2e-3)];
//! let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build()?;
//! let outcomes: Vec<Result<_, humsieve::Error>> = pool.install(|| {
//!     let options = MeasureOptions::default();
//!     let one = |record: &Vec<f64>| measure_samples(record, 5000.0, &options);
//!     records.par_iter().map(one).collect()
//! });
//! assert!(outcomes[0].is_ok() && outcomes[2].is_ok());
//! let error = outcomes[1].as_ref().expect_err("three samples are too few");
//! assert_eq!(error.kind(), humsieve::ErrorKind::TooShort);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! ## Reports without files
//!
//! Results in memory are written as text, lines of JSON, CSV or Markdown into whatever bears `Write`.
//!
//! ```
//! use humsieve::report::{Format, MeasuredCapture, MeasurementWriter};
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, measure_samples};
//!
//! let measured = measure_samples(&bench(1e-3), 5000.0, &MeasureOptions::default())?;
//! let captures = [
//!     MeasuredCapture::new("looped", Ok(vec![measured.into()])),
//!     MeasuredCapture::new("short", measure_samples(&[0.0], 5000.0, &MeasureOptions::default()).map(|m| vec![m.into()])),
//! ];
//! for (format, sign) in [(Format::Text, "mains frequency"), (Format::Csv, "hum_rms"), (Format::Markdown, "| hum, RMS |"), (Format::Jsonl, "too_short")] {
//!     let mut page = Vec::new();
//!     let mut writer = MeasurementWriter::new(&mut page, format, 0.95, 40);
//!     captures.iter().try_for_each(|capture| writer.write(capture))?;
//!     writer.finish()?;
//!     assert!(String::from_utf8(page)?.contains(sign));
//! }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Lines of JSON are read back to the bit:
//!
//! ```
#![doc = include_str!("bench.md")]
//! use humsieve::{MeasureOptions, Measurement, measure_samples, results};
//!
//! let measured = measure_samples(&bench(1e-3), 5000.0, &MeasureOptions::default())?;
//! let mut line = Vec::new();
//! results::write(&mut line, &measured)?;
//! assert_eq!(results::result::<Measurement>(&line)?, measured);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! The page of a whole bench, from a session whose captures are measured by a function:
//!
//! ```
//! use humsieve::report::Page;
//! use humsieve::session::{Session, run_by};
#![doc = include_str!("bench.md")]
//! use humsieve::{Condition, measure_samples};
//!
//! let text = r#"
//! title = "Load-cell amplifier"
//! [[remedy]]
//! name = "isolator"
//! breaks = "instrument"
//! [[capture]]
//! file = "floor"
//! condition = "baseline"
//! [[capture]]
//! file = "loop"
//! condition = "looped"
//! [[capture]]
//! file = "isolated"
//! condition = "isolated"
//! [limits]
//! hum_rms = "100u"
//! "#;
//! let session = Session::parse(text, "bench.toml")?;
//! let result = run_by(&session, |name, condition, options| {
//!     let hum = match condition {
//!         Condition::Baseline => 0.0,
//!         Condition::Looped => 1e-3,
//!         Condition::Isolated => 1e-5,
//!     };
//!     let mut measured = measure_samples(&bench(hum), 5000.0, options)?;
//!     measured.file = name.to_owned();
//!     Ok(vec![measured])
//! });
//! assert_eq!(result.limits_met(), Some(true));
//! let mut html = Vec::new();
//! Page::new(&result).write_html(&mut html)?;
//! assert!(String::from_utf8(html)?.contains("Load-cell amplifier"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
