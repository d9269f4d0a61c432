//! Results as lines of JSON, read back: what [`measure`](crate::measure()) found on one machine or day,
//! for a comparison on another. [`write()`] makes a line of any result, [`result`] reads one back, [`read`] a file of
//! measurements.

use crate::analysis::Measurement;
use crate::printable::escaped;
use crate::{Error, ErrorKind};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::Path;

/// Version of the lines that are written, and the latest that is read.
pub const SCHEMA: u64 = 1;

/// Longest line that is read, bytes.
const LONGEST_LINE: u64 = 1 << 26;

/// Whether a path names lines of results rather than a capture: it ends in `.jsonl`.
#[must_use]
pub(crate) fn is_results(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("jsonl"))
}

/// A capture that was measured earlier.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct EarlierCapture {
    /// The capture as it was named when it was measured.
    pub file: String,
    /// A measurement for each channel, or why there is none.
    pub outcome: Result<Vec<Measurement>, Error>,
}

/// Reads the lines that [`write()`] made of measurements, or the command's `measure --format jsonl` of captures, in their
/// order. Lines that follow each other with one file name and other channels are the channels of one capture. The file's
/// name should end in `.jsonl`, by which the command and a session tell results from captures.
///
/// # Errors
/// `NotFound` and `Unreadable` of the file; `UnsupportedFormat` where a line is of a later
/// [`SCHEMA`], of none, or of a stretch of a record ([`MeasureOptions::every_s`](crate::MeasureOptions::every_s));
/// `BadValue` with the line where one is no result of a measurement; `NoSamples` where there is none.
pub fn read(path: &Path) -> Result<Vec<EarlierCapture>, Error> {
    if std::fs::metadata(path).is_ok_and(|file| !file.is_file()) {
        return Err(ErrorKind::Unreadable
            .error("is no regular file; copy its lines to one")
            .in_file(path));
    }
    let file = File::open(path).map_err(|error| unopened(error).in_file(path))?;
    let mut lines = BufReader::new(file);
    let mut captures: Vec<EarlierCapture> = Vec::new();
    let mut line = Vec::new();
    for number in 1.. {
        line.clear();
        let count = lines
            .by_ref()
            .take(LONGEST_LINE)
            .read_until(b'\n', &mut line)
            .map_err(|error| unopened(error).in_file(path))?;
        if count == 0 {
            break;
        }
        if line.trim_ascii().is_empty() {
            continue;
        }
        let (file, outcome) = parse(&line).map_err(|error| error.at_line(number).in_file(path))?;
        match (captures.last_mut(), outcome) {
            (
                Some(EarlierCapture {
                    file: last,
                    outcome: Ok(channels),
                }),
                Ok(measurement),
            ) if *last == file && channels.iter().all(|m| m.channel != measurement.channel) => {
                channels.push(measurement);
            }
            (_, outcome) => captures.push(EarlierCapture {
                file,
                outcome: outcome.map(|measurement| vec![measurement]),
            }),
        }
    }
    if captures.is_empty() {
        return Err(ErrorKind::NoSamples
            .error("the file holds no result")
            .in_file(path));
    }
    Ok(captures)
}

/// What is read before the rest: whether the rest can be.
#[derive(Deserialize)]
struct Head {
    file: Option<String>,
    error: Option<Error>,
    start_s: Option<f64>,
}

fn parse(line: &[u8]) -> Result<(String, Result<Measurement, Error>), Error> {
    let head: Head = result(line)?;
    if let Some(error) = head.error {
        let file = head.file.unwrap_or_default();
        return Ok((file.clone(), Err(error.in_file(file))));
    }
    if head.start_s.is_some() {
        return Err(ErrorKind::UnsupportedFormat
            .error("the line is a stretch of a record; measure whole records, without --every"));
    }
    let measurement: Measurement = result(line)?;
    Ok((measurement.file.clone(), Ok(measurement)))
}

/// One result as [`write()`] wrote it: a [`Measurement`], a [`Comparison`](crate::Comparison), a
/// [`Separation`](crate::separation::Separation), a [`Plan`](crate::plan::Plan), or any other that can be read back.
///
/// ```
/// use humsieve::{Measurement, MeasureOptions, measure_samples, results};
/// let samples: Vec<f64> = (0..1000).map(|n| (0.314 * f64::from(n)).sin() + 0.1 * f64::from(n % 7)).collect();
/// let measured = measure_samples(&samples, 1000.0, &MeasureOptions::default())?;
/// let mut line = Vec::new();
/// results::write(&mut line, &measured)?;
/// let again: Measurement = results::result(&line)?;
/// assert_eq!(again, measured);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// `UnsupportedFormat` where the object is of a later [`SCHEMA`] or of none; `BadValue` where it is no result of this
/// kind.
pub fn result<T: DeserializeOwned>(json: &[u8]) -> Result<T, Error> {
    #[derive(Deserialize)]
    struct Version {
        schema: Option<u64>,
    }
    let unsupported = |message: String| Err(ErrorKind::UnsupportedFormat.error(message));
    let version: Version = serde_json::from_slice(json).map_err(unread)?;
    match version.schema {
        Some(1..=SCHEMA) => serde_json::from_slice(json).map_err(unread),
        Some(later) => unsupported(format!(
            "the line is of schema {later}; this version reads up to {SCHEMA}: read it with the \
             version that wrote it, or a later one"
        )),
        None => unsupported(
            "the line has no \"schema\": it lacks what a comparison needs; measure the capture \
             again with --format jsonl"
                .into(),
        ),
    }
}

#[derive(Serialize)]
struct Line<'a, T> {
    schema: u64,
    #[serde(flatten)]
    result: &'a T,
}

/// Any result as one line of JSON, led by its [`SCHEMA`], for [`result`] and for other programs: what is not finite is
/// `null`, what steers a terminal is escaped.
///
/// # Errors
/// Those of the output.
pub fn write(out: &mut impl Write, value: &impl Serialize) -> io::Result<()> {
    let line = Line {
        schema: SCHEMA,
        result: value,
    };
    let mut text = escaped(serde_json::to_string(&line)?);
    text.push('\n');
    out.write_all(text.as_bytes())
}

fn unread(error: serde_json::Error) -> Error {
    ErrorKind::BadValue
        .error(format!(
            "the line is no result of a measurement ({error}); delete it or measure again"
        ))
        .at_column(error.column() as u64)
        .from(error)
}

fn unopened(error: io::Error) -> Error {
    ErrorKind::of_reading(&error)
        .error(error.to_string())
        .from(error)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Detail;
    use crate::capture::{Acquisition, CaptureHeader, Coupling, MemorySink, MemorySource};
    use crate::comparison::{Change, CompareOptions, InstrumentLimits, WantedSignal};
    use crate::plan::{PlanOptions, plan};
    use crate::report::{MeasuredCapture, MeasuredChannel};
    use crate::separation::{Offset, SeparateOptions, separate};
    use crate::{Capture, Condition, Estimate, MeasureOptions, measure_samples, sample};
    use proptest::prelude::*;
    use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
    use serde_json::Value;
    use std::fmt::Debug;

    /// Written, read and written again: the same to the bit, which the form for debugging shows of a number.
    fn assert_lossless<T: Serialize + DeserializeOwned + Debug>(value: &T) {
        let json = serde_json::to_string(value).unwrap();
        let again: T = serde_json::from_str(&json).unwrap();
        assert_eq!(format!("{again:?}"), format!("{value:?}"));
        assert_eq!(serde_json::to_string(&again).unwrap(), json);
    }

    /// Puts the next of some numbers, or nothing, into each place of a number with a fraction.
    fn replace(json: &mut Value, next: &mut impl FnMut() -> Option<f64>) {
        match json {
            Value::Number(number) if number.is_f64() => *json = next().into(),
            Value::Array(items) => items.iter_mut().for_each(|item| replace(item, next)),
            Value::Object(fields) => fields.values_mut().for_each(|item| replace(item, next)),
            _ => {}
        }
    }

    /// The result as it is, and with any other numbers in the places of its own; at one place a `null`, where such may
    /// stand there.
    fn assert_round_trip<T: Serialize + DeserializeOwned + Debug>(value: &T) {
        assert_lossless(value);
        let json = serde_json::to_value(value).unwrap();
        let mut places = 0usize;
        replace(&mut json.clone(), &mut || {
            places += 1;
            None
        });
        let numbers = prop::collection::vec(
            prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL,
            places,
        );
        let config = Config {
            cases: 24,
            failure_persistence: None,
            ..Config::default()
        };
        let seed = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
        TestRunner::new_with_rng(config, seed)
            .run(&(numbers, 0..places.max(1)), |(numbers, absent)| {
                for with_null in [false, true] {
                    let mut other = json.clone();
                    let mut place = 0;
                    replace(&mut other, &mut || {
                        place += 1;
                        (!with_null || place - 1 != absent).then(|| numbers[place - 1])
                    });
                    match serde_json::from_value::<T>(other) {
                        Ok(read) => assert_lossless(&read),
                        Err(error) => prop_assert!(with_null, "{error}"),
                    }
                }
                Ok(())
            })
            .unwrap();
    }

    fn hum(level: f64) -> Vec<f64> {
        (0..5000)
            .map(|n| (n, f64::from((n * n) % 10_007) / 10_007.0))
            .map(|(n, noise)| level * (0.0628 * f64::from(n)).cos() + 1e-3 * noise)
            .collect()
    }

    fn measured(level: f64) -> Measurement {
        let detail = Detail::default()
            .spectrum(true)
            .folded(true)
            .third_octaves(true)
            .harmonic_groups(true);
        let options = MeasureOptions::default().detail(detail);
        measure_samples(&hum(level), 5000.0, &options).unwrap()
    }

    #[test]
    fn measurements_are_read_back_to_the_bit() {
        let (one, other) = (measured(1.0), measured(0.0));
        assert!(one.spectrum.is_some() && one.folded.is_some() && one.harmonic_groups.is_some());
        let change = Change::of(&one, &other, 0.95).unwrap();
        let error = ErrorKind::BadValue
            .error("found 'x'")
            .in_file("a.csv")
            .at_line(3)
            .at_column(2);
        let limit: crate::comparison::Limit = "hum_rms=1".parse().unwrap();
        let mut channel = MeasuredChannel::from(one.clone());
        channel.limits = vec![limit.judge_measurement(&one)];
        channel.change = Some(change);
        assert_round_trip(&one);
        assert_round_trip(&other);
        assert_round_trip(&sample::measurement());
        assert_round_trip(&MeasuredCapture::new("a.csv", Ok(vec![channel])));
        assert_round_trip(&MeasuredCapture::new("a.csv", Err(error.clone())));
        assert_round_trip(&error);
        assert_round_trip(&error.without_file());
        let unbounded = Estimate::new(
            1.0,
            (f64::NEG_INFINITY, f64::INFINITY),
            f64::INFINITY,
            f64::INFINITY,
            0.95,
        );
        assert_round_trip(&unbounded);
        let one_end = Estimate::new(1.0, (0.0, f64::INFINITY), 0.5, 3.0, 0.95);
        assert_round_trip(&[unbounded, one_end]);
    }

    #[test]
    fn comparisons_separations_plans_and_sessions_are_read_back_to_the_bit() {
        assert_round_trip(&sample::comparison());
        let captures = [
            (Condition::Looped, 1.0),
            (Condition::Isolated, 0.01),
            (Condition::Baseline, 0.0),
        ]
        .map(|(condition, level)| (condition, vec![measured(level), measured(1.01 * level)]));
        let options = CompareOptions::default()
            .instrument(InstrumentLimits::default().gain(0.01))
            .signal(WantedSignal::new(0.1))
            .limits(["hum_rms=1".parse::<crate::comparison::Limit>().unwrap()]);
        let comparison = crate::compare(&captures.into(), &options).unwrap();
        assert!(comparison.signal.is_some() && !comparison.repeats.is_empty());
        assert_round_trip(&comparison);
        assert_round_trip(&options);

        let capture = Capture::from_samples("bench", 5000.0, &hum(1.0)).unwrap();
        let options = SeparateOptions::default().offset(Offset::Value(0.5));
        let mut sink = MemorySink::new();
        let told = separate(&mut MemorySource::new(&capture), None, &options, &mut sink).unwrap();
        assert!(!told[0].track.time_s.is_empty());
        assert_round_trip(&told);
        assert_round_trip(&options);

        let options = PlanOptions::resolving(1e-5).bits(12u32).full_scale_v(0.2);
        assert_round_trip(&plan(&options).unwrap());
        assert_round_trip(&options);
        #[cfg(feature = "session")]
        assert_round_trip(&crate::session::sample::result());
    }

    #[test]
    fn options_and_headers_are_read_back_to_the_bit_and_a_slip_is_told() {
        assert_round_trip(&MeasureOptions::default().every_s(0.5).channels(["a"]));
        assert_round_trip(&crate::analysis::SineModel::default());
        let mut header = CaptureHeader::of_volts("bench", ["a"], 48_000.5);
        header.acquisition = Acquisition::default().coupling(Coupling::Ac).lsb_v(1e-3);
        assert_round_trip(&header);
        #[cfg(any(feature = "text", feature = "wav"))]
        assert_round_trip(&crate::load::LoadOptions::default().unit("mV"));
        let some: MeasureOptions = serde_json::from_str(r#"{"harmonics": 20}"#).unwrap();
        assert_eq!(some, MeasureOptions::default().harmonics(20));
        assert!(serde_json::from_str::<MeasureOptions>(r#"{"harmonic": 20}"#).is_err());
    }

    #[test]
    fn an_error_says_what_it_follows_from() {
        let error = read(Path::new("no such file")).unwrap_err();
        let source = std::error::Error::source(&error).expect("that of the system");
        assert!(error.message().contains(&source.to_string()));
    }
}
