//! The arguments as typed.

use super::number;
use crate::analysis::MainsChoice;
use crate::capture::Coupling;
use crate::cli::input::shard::{Shard, shard};
use crate::report::Format;
use crate::separation::{Keep, Offset};
use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Measures, compares and separates ground-loop interference in captures from oscilloscopes and
/// sound cards.
///
/// Conditions of a capture: baseline (probe tip shorted to its own ground lead, nothing else
/// connected), looped (tip and ground lead both on the source's ground, loop closed), isolated (as
/// looped, with the loop broken by a remedy).
#[derive(Debug, Parser)]
#[command(
    name = "humsieve",
    version,
    max_term_width = 80,
    after_help = "\
Results go to standard output, everything else to standard error.
Exit status: 0 all done; 1 an acceptance limit was exceeded; 2 unusable
arguments; 3 a capture could not be read or analysed (the others are reported)."
)]
pub struct Arguments {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// DC offset, mains content, in-band noise, tones and quality of every channel
    #[command(after_help = "\
Examples:
  humsieve measure floor.csv loop.wav
  humsieve measure captures/ --format csv > bench.csv
  humsieve measure loop.csv --band 10:20k --limit hum_rms=100u
  humsieve measure night.wav --every 60 --format jsonl
  humsieve measure loop.csv isolated.csv --brief --against floor.csv
  humsieve measure loop.csv --picture loop.svg
  humsieve measure captures/ --follow --brief --against floor.csv")]
    Measure(MeasureArguments),
    /// What the loop adds to the floor and what the remedy takes away
    #[command(after_help = "\
Example:
  humsieve compare --baseline floor*.csv --looped loop*.csv --isolated iso*.csv")]
    Compare(CompareArguments),
    /// Writes the capture with the interference taken out
    #[command(after_help = "\
Examples:
  humsieve separate weighing.csv -o clean.csv
  humsieve separate weighing.csv -o clean.csv --template loop.csv
  humsieve separate weighing.csv -o clean.csv --keep mains=hum.csv
  humsieve separate two.wav -o clean.wav --channel 1 --reference 2
  humsieve separate three.wav -o clean.wav --reference \"ground, shield\"")]
    Separate(SeparateArguments),
    /// The test report of a whole bench session
    #[command(after_help = "\
Examples:
  humsieve session captures/ -o captures/session.toml
  humsieve report captures/session.toml -o report.html")]
    Report(ReportArguments),
    /// A first draft of a session file from the captures found
    Session(SessionArguments),
    /// Record length, rate and range that a wanted resolution needs
    #[command(after_help = "\
Example:
  humsieve plan --resolve 100u --full-scale 5 --bits 12 --noise-density 2u")]
    Plan(PlanArguments),
    /// Completions of the command line for a shell, on standard output
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// The manual page of a command, on standard output; without one that of the program
    #[command(after_help = "\
Example:
  humsieve manual measure | man -l -")]
    Manual {
        /// The command
        command: Option<String>,
    },
}

/// How captures are read.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Reading")]
pub struct ReadingArguments {
    /// Sample rate: overrides the file's, or supplies a missing one
    #[arg(long, value_name = "HZ", value_parser = number::positive, allow_hyphen_values = true)]
    pub sample_rate: Option<f64>,
    /// Unit of the values where the file does not say: V, mV, uV
    #[arg(long, value_name = "NAME")]
    pub unit: Option<String>,
    /// Multiplies every value (probe attenuation, ADC gain)
    #[arg(long, value_name = "X", value_parser = number::scale, allow_hyphen_values = true)]
    pub scale: Option<f64>,
    /// The +/- range: volts at digital full scale (WAV; 1 V unless given), clipping limit (CSV)
    #[arg(long, value_name = "VOLTS", value_parser = number::positive, allow_hyphen_values = true)]
    pub full_scale: Option<f64>,
    /// Input coupling the capture was taken with [default: from the file, else dc]
    #[arg(long, value_parser = word(&[("dc", Coupling::Dc), ("ac", Coupling::Ac)]))]
    pub coupling: Option<Coupling>,
}

/// What is measured.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Analysis")]
pub struct AnalysisArguments {
    /// Nominal mains frequency: auto decides between 50 and 60
    #[arg(long, value_name = "auto|HZ", default_value = "auto", value_parser = mains, allow_hyphen_values = true)]
    pub mains: MainsChoice,
    /// Band of the in-band noise in hertz, as in 10:20k [default: lowest resolvable to Nyquist]
    #[arg(long, value_name = "LOW:HIGH", value_parser = number::band, allow_hyphen_values = true)]
    pub band: Option<(f64, f64)>,
    /// Highest harmonic order in the model
    #[arg(long, value_name = "N", default_value = "40", value_parser = number::count, allow_hyphen_values = true)]
    pub harmonics: usize,
    /// Level of every interval
    #[arg(long, value_name = "P", default_value = "0.95", value_parser = number::confidence, allow_hyphen_values = true)]
    pub confidence: f64,
    /// Only this channel, by name or 1-based number; repeatable
    #[arg(long, value_name = "NAME")]
    pub channel: Vec<String>,
    /// Corner of the AC coupling the capture was taken with: hum and tones are corrected for it
    #[arg(long, value_name = "HZ", value_parser = number::positive, allow_hyphen_values = true)]
    pub ac_corner: Option<f64>,
}

/// What is done with the results.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Output")]
pub struct PrintingArguments {
    /// What goes to standard output
    #[arg(long, default_value = "text", value_parser = word(&FORMATS))]
    pub format: Format,
    /// Harmonics and tones that text and markdown print, the strongest first
    #[arg(long, value_name = "N", default_value_t = crate::report::SHOWN)]
    pub show: usize,
    /// No progress and no warnings on standard error; errors are still told
    #[arg(long)]
    pub quiet: bool,
}

/// What bears on many captures.
#[derive(Debug, Clone, Args)]
pub struct BatchArguments {
    /// Acceptance limit on an upper bound, as in hum_rms=100u; repeatable. With compare also on what
    /// was gained, as in improvement.hum_rms=20dB or excess_reduction.hum_rms=20dB
    #[arg(long, value_name = "QUANTITY=VALUE")]
    pub limit: Vec<String>,
    /// Captures analysed at once [default: all cores]
    #[arg(long, value_name = "N", value_parser = number::count, allow_hyphen_values = true)]
    pub jobs: Option<usize>,
}

#[derive(Debug, Args)]
pub struct MeasureArguments {
    /// Captures: files, folders (every .csv, .txt, .tsv and .wav below), or - for CSV on standard input
    #[arg(value_name = "CAPTURE")]
    pub captures: Vec<PathBuf>,
    /// Further captures, one path a line; - is standard input
    #[arg(long, value_name = "FILE")]
    pub files_from: Option<PathBuf>,
    /// One result for each stretch of this length: hum and noise against time
    #[arg(long, value_name = "SECONDS", value_parser = number::positive, allow_hyphen_values = true)]
    pub every: Option<f64>,
    /// One line a channel: offset, hum, noise, worst warning
    #[arg(long)]
    pub brief: bool,
    /// Stays and measures each capture as it is saved in the folders named, until interrupted; a file that
    /// is still being written is waited for
    #[arg(long, conflicts_with_all = ["files_from", "shard", "explain_input", "picture"])]
    pub follow: bool,
    /// A capture, or a .jsonl of earlier results: each line also says the change of offset, hum and noise
    /// against it, in dB with its interval (above 0 dB is more than there; --brief the interval alone)
    #[arg(long, value_name = "FILE", conflicts_with = "explain_input")]
    pub against: Option<PathBuf>,
    /// A picture of it as well, .svg: spectrum and first cycles of up to six channels
    #[arg(long, value_name = "FILE", conflicts_with_all = ["every", "resume", "explain_input"])]
    pub picture: Option<PathBuf>,
    /// Writes the picture even where it is one of the inputs
    #[arg(long)]
    pub force: bool,
    /// Only the K-th of N parts of the captures: even by size, the same on every machine
    #[arg(long, value_name = "K/N", value_parser = shard)]
    pub shard: Option<Shard>,
    /// Skips what these earlier jsonl results hold (same file, size, time and options), as in --format
    /// jsonl --resume done.jsonl >> done.jsonl; an incomplete end of the file is cut off first
    #[arg(long, value_name = "FILE", conflicts_with = "explain_input")]
    pub resume: Option<PathBuf>,
    /// Tells how each file was understood, instead of measuring it
    #[arg(long)]
    pub explain_input: bool,
    #[command(flatten)]
    pub batch: BatchArguments,
    #[command(flatten)]
    pub analysis: AnalysisArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
    #[command(flatten)]
    pub printing: PrintingArguments,
}

#[derive(Debug, Args)]
pub struct CompareArguments {
    /// Captures with the probe shorted
    #[arg(long, value_name = "CAPTURE", num_args = 1..)]
    pub baseline: Vec<PathBuf>,
    /// Captures with the loop closed
    #[arg(long, value_name = "CAPTURE", num_args = 1..)]
    pub looped: Vec<PathBuf>,
    /// Captures with the loop broken
    #[arg(long, value_name = "CAPTURE", num_args = 1..)]
    pub isolated: Vec<PathBuf>,
    /// A picture of it as well, .svg: what each condition holds and what was taken away against frequency
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,
    /// Writes the picture even where it is one of the inputs
    #[arg(long)]
    pub force: bool,
    /// Amplitude (peak) of a signal to be measured: tells what each part adds to its reading
    #[arg(long, value_name = "VOLTS", value_parser = number::positive, allow_hyphen_values = true)]
    pub signal: Option<f64>,
    /// Accuracy to which the signal is to be read, percent of its amplitude
    #[arg(long, value_name = "PERCENT", default_value = "1", value_parser = number::positive, allow_hyphen_values = true)]
    pub signal_accuracy: f64,
    /// Gain accuracy of the instrument, +/- percent of the reading
    #[arg(long, value_name = "PERCENT", default_value = "0", value_parser = number::not_negative, allow_hyphen_values = true)]
    pub gain_accuracy: f64,
    /// Tolerance of the probe, +/- percent of the reading
    #[arg(long, value_name = "PERCENT", default_value = "0", value_parser = number::not_negative, allow_hyphen_values = true)]
    pub probe_tolerance: f64,
    /// Offset accuracy of the instrument, +/- volts
    #[arg(long, value_name = "VOLTS", default_value = "0", value_parser = number::not_negative, allow_hyphen_values = true)]
    pub offset_accuracy: f64,
    #[command(flatten)]
    pub batch: BatchArguments,
    #[command(flatten)]
    pub analysis: AnalysisArguments,
    #[command(flatten)]
    pub reading: ReadingArguments,
    #[command(flatten)]
    pub printing: PrintingArguments,
}

#[derive(Debug, Args)]
pub struct SeparateArguments {
    /// The capture; - is CSV on standard input
    #[arg(value_name = "CAPTURE")]
    pub capture: PathBuf,
    /// Where the result goes: .wav or .csv
    #[arg(short, long, value_name = "OUT", required_unless_present = "keep")]
    pub output: Option<PathBuf>,
    /// Writes the output even where it is one of the inputs
    #[arg(long)]
    pub force: bool,
    /// A picture of it as well, .svg: before, after and what was taken out, against time and frequency
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,
    /// Which component OUT gets: cleaned, interference, mains or offset [default: cleaned]; NAME=FILE,
    /// repeatable, writes one more file
    #[arg(long, value_name = "NAME[=FILE]", value_parser = keep)]
    pub keep: Vec<KeepArgument>,
    /// What becomes of the DC offset: keep, remove or a value to take out [default: keep, unless a
    /// template, a reference or a second tip tells the loop's own]
    #[arg(long, value_name = "keep|remove|VALUE", value_parser = offset, allow_hyphen_values = true)]
    pub offset: Option<Offset>,
    /// The same as --offset keep
    #[arg(long, conflicts_with = "offset")]
    pub keep_offset: bool,
    /// An interference-only (looped) capture of the same setup, aligned and subtracted
    #[arg(long, value_name = "CAPTURE", conflicts_with_all = ["reference", "minus"])]
    pub template: Option<PathBuf>,
    /// Channels that sense the ground noise alone: what is coherent with them is removed, by all at once
    #[arg(long, value_name = "NAME[,NAME]", conflicts_with = "minus")]
    pub reference: Vec<String>,
    /// Pseudo-differential: this channel is subtracted after gain and delay matching
    #[arg(long, value_name = "NAME")]
    pub minus: Option<String>,
    /// Frequencies of the wanted signal, never removed
    #[arg(long, value_name = "HZ[,HZ]", value_delimiter = ',', value_parser = number::positive)]
    pub protect: Vec<f64>,
    /// What goes to standard output
    #[arg(long, default_value = "text", value_parser = word(&FORMATS[..2]))]
    pub format: Format,
    /// Only this channel, by name or 1-based number; repeatable
    #[arg(long, value_name = "NAME")]
    pub channel: Vec<String>,
    /// Nominal mains frequency: auto decides between 50 and 60
    #[arg(long, value_name = "auto|HZ", default_value = "auto", value_parser = mains, allow_hyphen_values = true)]
    pub mains: MainsChoice,
    /// Highest harmonic order that is taken out [default: as many as lie below Nyquist]
    #[arg(long, value_name = "N", value_parser = number::count, allow_hyphen_values = true)]
    pub harmonics: Option<usize>,
    /// Level of every interval
    #[arg(long, value_name = "P", default_value = "0.95", value_parser = number::confidence, allow_hyphen_values = true)]
    pub confidence: f64,
    /// Corner of the AC coupling the capture was taken with: the figures are corrected for it, the samples
    /// stay as recorded
    #[arg(long, value_name = "HZ", value_parser = number::positive, allow_hyphen_values = true, conflicts_with_all = ["template", "reference", "minus"])]
    pub ac_corner: Option<f64>,
    /// No progress and no warnings on standard error; errors are still told
    #[arg(long)]
    pub quiet: bool,
    #[command(flatten)]
    pub reading: ReadingArguments,
}

#[derive(Debug, Clone, Args)]
pub struct ReportArguments {
    /// The session file
    #[arg(value_name = "SESSION.toml")]
    pub session: PathBuf,
    /// Where the report goes: .html, .md (with its plots beside it) or .json
    #[arg(short, long, value_name = "OUT")]
    pub output: PathBuf,
    /// Writes the output even where it is one of the inputs
    #[arg(long)]
    pub force: bool,
    /// Captures analysed at once [default: all cores]
    #[arg(long, value_name = "N", value_parser = number::count, allow_hyphen_values = true)]
    pub jobs: Option<usize>,
    /// No progress and no warnings on standard error; errors are still told
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Clone, Args)]
pub struct SessionArguments {
    /// Folder of the captures
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Where the draft goes [default: standard output]
    #[arg(short, long, value_name = "OUT")]
    pub output: Option<PathBuf>,
    /// Writes the output even where a session file stands there already
    #[arg(long)]
    pub force: bool,
    /// No progress and no warnings on standard error; errors are still told
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
pub struct PlanArguments {
    /// The smallest amplitude, RMS, that is to be told from the floor
    #[arg(long, value_name = "VOLTS", value_parser = number::positive, allow_hyphen_values = true)]
    pub resolve: f64,
    /// Nominal mains frequency
    #[arg(long, value_name = "HZ", value_parser = number::positive, allow_hyphen_values = true)]
    pub mains: Option<f64>,
    /// The +/- range of the instrument
    #[arg(long, value_name = "VOLTS", value_parser = number::positive, allow_hyphen_values = true)]
    pub full_scale: Option<f64>,
    /// Bits of the converter
    #[arg(long, value_name = "N", value_parser = number::bits, allow_hyphen_values = true)]
    pub bits: Option<u32>,
    /// Noise density of instrument and source, V/√Hz
    #[arg(long, value_name = "X", value_parser = number::positive, allow_hyphen_values = true)]
    pub noise_density: Option<f64>,
    /// Offset to be expected between the grounds
    #[arg(long, value_name = "VOLTS", value_parser = number::si, allow_hyphen_values = true)]
    pub offset: Option<f64>,
    /// Hum, RMS, to be expected with the loop closed
    #[arg(long, value_name = "VOLTS", value_parser = number::positive, allow_hyphen_values = true)]
    pub hum: Option<f64>,
    /// Highest harmonic order to be measured
    #[arg(long, value_name = "N", default_value = "40", value_parser = number::count, allow_hyphen_values = true)]
    pub harmonics: usize,
    /// Level of the intervals
    #[arg(long, value_name = "P", default_value = "0.95", value_parser = number::confidence, allow_hyphen_values = true)]
    pub confidence: f64,
    /// What goes to standard output
    #[arg(long, default_value = "text", value_parser = word(&FORMATS[..2]))]
    pub format: Format,
}

/// The formats of results; the first two are those of results that are no table.
const FORMATS: [(&str, Format); 4] = [
    ("text", Format::Text),
    ("jsonl", Format::Jsonl),
    ("csv", Format::Csv),
    ("markdown", Format::Markdown),
];

/// One of these words.
fn word<T: Copy + Send + Sync + 'static>(
    words: &'static [(&str, T)],
) -> impl TypedValueParser<Value = T> {
    let names = words.iter().map(|(name, _)| *name);
    PossibleValuesParser::new(names).try_map(|typed| {
        let known = words.iter().find(|(name, _)| *name == typed);
        known.map(|(_, meaning)| *meaning).ok_or("not one of them")
    })
}

/// A component, and its file where that is named with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeepArgument {
    pub keep: Keep,
    pub file: Option<PathBuf>,
}

fn keep(text: &str) -> Result<KeepArgument, String> {
    let (name, file) = match text.split_once('=') {
        Some((_, "")) => return Err("a file's name must follow '='".into()),
        Some((name, file)) => (name, Some(PathBuf::from(file))),
        None => (text, None),
    };
    let known = [Keep::Cleaned, Keep::Interference, Keep::Mains, Keep::Offset];
    let keep = known.into_iter().find(|keep| keep.as_str() == name).ok_or(
        "it must be cleaned, interference, mains or offset, or one of them with its file, as in \
         mains=hum.csv",
    )?;
    Ok(KeepArgument { keep, file })
}

fn offset(text: &str) -> Result<Offset, String> {
    match text {
        "keep" => Ok(Offset::Keep),
        "remove" => Ok(Offset::Remove),
        _ => match number::si(text) {
            Ok(value) if value.is_finite() => Ok(Offset::Value(value)),
            _ => Err("it must be keep, remove or a finite value, as in 12.5m".into()),
        },
    }
}

fn mains(text: &str) -> Result<MainsChoice, String> {
    if text == "auto" {
        return Ok(MainsChoice::Auto);
    }
    number::positive(text)
        .map(MainsChoice::Nominal)
        .map_err(|_| "it must be auto or a positive frequency in hertz, as in 50".into())
}

/// Reads the arguments; help and version are printed here, anything unusable becomes one line.
pub fn read(
    arguments: impl IntoIterator<Item = std::ffi::OsString>,
) -> Result<Arguments, clap::Error> {
    Arguments::try_parse_from(arguments)
}

/// The message of the parser in one line, without its usage block.
pub fn one_line(error: &clap::Error) -> String {
    let rendered = error.render().to_string();
    let mut line = String::new();
    for part in rendered
        .lines()
        .map(str::trim)
        .take_while(|part| !part.starts_with("Usage:"))
        .filter(|part| !part.is_empty() && !part.starts_with("For more information"))
    {
        if !line.is_empty() {
            line.push_str(if part.starts_with("tip:") { "; " } else { " " });
        }
        line.push_str(part);
    }
    line.strip_prefix("error: ").unwrap_or(&line).to_owned()
}

/// Whether the parser answers with its help (nothing at all was asked for).
pub fn is_help(error: &clap::Error) -> bool {
    error.kind() == clap::error::ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand
}
