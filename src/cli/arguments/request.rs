//! The arguments as meant.

use super::typed::{
    AnalysisArguments, Arguments, BatchArguments, Command, CompareArguments, MeasureArguments,
    PlanArguments, ReadingArguments, ReportArguments, SeparateArguments, SessionArguments,
};
use crate::Condition;
use crate::analysis::Detail;
use crate::capture::Coupling;
use crate::cli::failure::Failure;
use crate::cli::input::inputs::is_standard_input;
use crate::cli::input::shard::Shard;
use crate::comparison::{CompareOptions, InstrumentLimits, WantedSignal};
use crate::limit::{Bounded, Limit};
use crate::load::LoadOptions;
use crate::plan::PlanOptions;
use crate::report::Format;
use crate::separation::{Keep, Offset, SeparateOptions};
use crate::{Error, MeasureOptions};
use clap_complete::Shell;
use std::num::NonZero;
use std::path::{Path, PathBuf};
use std::thread;

/// What the command is to do.
#[derive(Debug, Clone)]
pub enum Request {
    Measure(MeasureRequest),
    Compare(CompareRequest),
    Separate(SeparateRequest),
    Report(ReportArguments, PageFormat),
    Session(SessionArguments),
    Plan(PlanRequest),
    Completions(Shell),
    Manual(Option<String>),
}

/// Captures to measure.
#[derive(Debug, Clone)]
pub struct MeasureRequest {
    pub captures: Vec<PathBuf>,
    pub files_from: Option<PathBuf>,
    pub shard: Option<Shard>,
    pub resume: Option<PathBuf>,
    pub against: Option<PathBuf>,
    pub follow: bool,
    pub explain_input: bool,
    pub picture: Option<PathBuf>,
    pub force: bool,
    pub load: LoadOptions,
    pub measure: MeasureOptions,
    pub limits: Vec<Limit>,
    pub jobs: usize,
    pub format: Format,
    pub show: usize,
    pub quiet: bool,
}

/// Captures to compare.
#[derive(Debug, Clone)]
pub struct CompareRequest {
    pub captures: Vec<(Condition, Vec<PathBuf>)>,
    pub picture: Option<PathBuf>,
    pub force: bool,
    pub load: LoadOptions,
    pub measure: MeasureOptions,
    pub compare: CompareOptions,
    pub jobs: usize,
    pub format: Format,
    pub show: usize,
    pub quiet: bool,
}

/// A capture to separate.
#[derive(Debug, Clone)]
pub struct SeparateRequest {
    pub capture: PathBuf,
    pub template: Option<PathBuf>,
    /// Components and where they go, at least one.
    pub outputs: Vec<(Keep, PathBuf)>,
    pub picture: Option<PathBuf>,
    pub force: bool,
    pub load: LoadOptions,
    pub separate: SeparateOptions,
    pub ac_corner_hz: Option<f64>,
    pub json: bool,
    pub quiet: bool,
}

impl SeparateRequest {
    /// Where the first component goes.
    pub fn first(&self) -> &Path {
        self.outputs
            .first()
            .map_or(Path::new(""), |(_, output)| output)
    }
}

/// What a session's report is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PageFormat {
    Html,
    Markdown,
    Json,
}

/// What is to be resolved.
#[derive(Debug, Clone)]
pub struct PlanRequest {
    pub options: PlanOptions,
    pub json: bool,
}

/// From the arguments as typed to what they mean.
pub fn meant(arguments: Arguments) -> Result<Request, Failure> {
    match arguments.command {
        Command::Measure(typed) => Ok(Request::Measure(measure(typed)?)),
        Command::Compare(typed) => Ok(Request::Compare(compare(typed)?)),
        Command::Separate(typed) => Ok(Request::Separate(separate(typed)?)),
        Command::Report(typed) => page_format(&typed.output).map(|f| Request::Report(typed, f)),
        Command::Session(typed) => Ok(Request::Session(typed)),
        Command::Plan(typed) => Ok(Request::Plan(plan(&typed))),
        Command::Completions { shell } => Ok(Request::Completions(shell)),
        Command::Manual { command } => Ok(Request::Manual(command)),
    }
}

fn measure(typed: MeasureArguments) -> Result<MeasureRequest, Failure> {
    let format = typed.printing.format;
    let drawn = typed.picture.is_some();
    if typed.brief && format != Format::Text {
        return Err(Failure::Usage(
            "--brief is a short form of the text; with another --format leave it out".into(),
        ));
    }
    Ok(MeasureRequest {
        captures: typed.captures,
        files_from: typed.files_from,
        shard: typed.shard,
        resume: typed.resume,
        against: typed.against,
        follow: typed.follow,
        picture: picture(typed.picture)?,
        force: typed.force,
        explain_input: typed.explain_input,
        load: coupled(load(&typed.reading), typed.analysis.ac_corner)?,
        measure: MeasureOptions {
            every_s: typed.every,
            detail: Detail {
                // a comparison of the lines needs the noise about them
                third_octaves: format == Format::Jsonl,
                spectrum: drawn,
                ..Detail::default()
            },
            ..analysis(&typed.analysis)
        },
        limits: reading_limits(&typed.batch.limit)?,
        jobs: jobs(&typed.batch),
        format: if typed.brief { Format::Brief } else { format },
        show: typed.printing.show,
        quiet: typed.printing.quiet,
    })
}

fn compare(typed: CompareArguments) -> Result<CompareRequest, Failure> {
    let captures: Vec<_> = [
        (Condition::Baseline, typed.baseline),
        (Condition::Looped, typed.looped),
        (Condition::Isolated, typed.isolated),
    ]
    .into_iter()
    .filter(|(_, captures)| !captures.is_empty())
    .collect();
    if captures.len() < 2 {
        return Err(Failure::Usage(
            "a comparison needs at least two of --baseline, --looped and --isolated".into(),
        ));
    }
    Ok(CompareRequest {
        captures,
        measure: MeasureOptions {
            detail: Detail {
                spectrum: typed.picture.is_some(),
                ..Detail::default()
            },
            ..analysis(&typed.analysis)
        },
        picture: picture(typed.picture)?,
        force: typed.force,
        load: coupled(load(&typed.reading), typed.analysis.ac_corner)?,
        compare: CompareOptions {
            confidence: typed.analysis.confidence,
            limits: limits(&typed.batch.limit)?,
            signal: typed.signal.map(|amplitude| {
                WantedSignal::new(amplitude).accuracy(typed.signal_accuracy / 100.0)
            }),
            instrument: InstrumentLimits {
                gain: typed.gain_accuracy / 100.0,
                probe: typed.probe_tolerance / 100.0,
                offset: typed.offset_accuracy,
            },
            ..CompareOptions::default()
        },
        jobs: jobs(&typed.batch),
        format: typed.printing.format,
        show: typed.printing.show,
        quiet: typed.printing.quiet,
    })
}

fn separate(typed: SeparateArguments) -> Result<SeparateRequest, Failure> {
    let outputs = components(&typed)?;
    let both = typed.template.as_deref().is_some_and(is_standard_input)
        && is_standard_input(&typed.capture);
    if both {
        return Err(Failure::Usage(
            "standard input (-) can be read only once".into(),
        ));
    }
    Ok(SeparateRequest {
        separate: SeparateOptions {
            mains: typed.mains,
            harmonics: typed.harmonics,
            offset: match typed.offset {
                _ if typed.keep_offset => Offset::Keep,
                typed => typed.unwrap_or(Offset::Own),
            },
            protect_hz: typed.protect,
            channels: typed.channel,
            references: typed.reference,
            minus: typed.minus,
            confidence: typed.confidence,
            ..SeparateOptions::default()
        },
        ac_corner_hz: typed.ac_corner,
        load: coupled(load(&typed.reading), typed.ac_corner)?,
        capture: typed.capture,
        template: typed.template,
        outputs,
        picture: picture(typed.picture)?,
        force: typed.force,
        json: typed.format == Format::Jsonl,
        quiet: typed.quiet,
    })
}

/// What is written where: `OUT` first, then the files that were named with their component.
fn components(typed: &SeparateArguments) -> Result<Vec<(Keep, PathBuf)>, Failure> {
    let mut plain = typed.keep.iter().filter(|keep| keep.file.is_none());
    let first = plain.next().map(|keep| keep.keep);
    let unusable = |why: &str| Err(Failure::Usage(why.into()));
    if plain.next().is_some() {
        return unusable(
            "the output holds one component; name the others' files, as in --keep mains=hum.csv",
        );
    }
    let mut outputs: Vec<(Keep, PathBuf)> = match &typed.output {
        Some(output) => vec![(first.unwrap_or_default(), output.clone())],
        None if first.is_some() => {
            return unusable(
                "the component that --keep names needs a file: give -o OUT or --keep NAME=FILE",
            );
        }
        None => Vec::new(),
    };
    for named in &typed.keep {
        if let Some(file) = &named.file {
            outputs.push((named.keep, file.clone()));
        }
    }
    for (index, (_, output)) in outputs.iter().enumerate() {
        if !matches!(ending(output).as_str(), "wav" | "csv") {
            return Err(Failure::Usage(format!(
                "the output's name '{}' must end in .wav or .csv",
                output.display()
            )));
        }
        if outputs[..index].iter().any(|(_, other)| other == output) {
            return Err(Failure::Usage(format!(
                "two components cannot go to one file, '{}'",
                output.display()
            )));
        }
    }
    Ok(outputs)
}

fn page_format(output: &Path) -> Result<PageFormat, Failure> {
    match ending(output).as_str() {
        "html" | "htm" => Ok(PageFormat::Html),
        "md" => Ok(PageFormat::Markdown),
        "json" => Ok(PageFormat::Json),
        _ => Err(Failure::Usage(format!(
            "the report's name '{}' must end in .html, .md or .json",
            output.display()
        ))),
    }
}

/// Pictures are written as SVG alone.
fn picture(file: Option<PathBuf>) -> Result<Option<PathBuf>, Failure> {
    match file {
        Some(file) if ending(&file) != "svg" => Err(Failure::Usage(format!(
            "the picture's name '{}' must end in .svg",
            file.display()
        ))),
        other => Ok(other),
    }
}

fn ending(path: &Path) -> String {
    path.extension()
        .map(|ending| ending.to_string_lossy().to_lowercase())
        .unwrap_or_default()
}

fn plan(typed: &PlanArguments) -> PlanRequest {
    PlanRequest {
        options: PlanOptions {
            mains_hz: typed.mains.unwrap_or(50.0),
            harmonics: typed.harmonics,
            full_scale_v: typed.full_scale,
            bits: typed.bits,
            noise_density_v_per_rthz: typed.noise_density,
            offset_v: typed.offset,
            hum_v: typed.hum,
            confidence: typed.confidence,
            ..PlanOptions::resolving(typed.resolve)
        },
        json: typed.format == Format::Jsonl,
    }
}

fn load(typed: &ReadingArguments) -> LoadOptions {
    LoadOptions {
        sample_rate_hz: typed.sample_rate,
        unit: typed.unit.clone(),
        scale: typed.scale.unwrap_or(1.0),
        full_scale_v: typed.full_scale,
        coupling: typed.coupling,
        ..LoadOptions::default()
    }
}

fn analysis(typed: &AnalysisArguments) -> MeasureOptions {
    MeasureOptions {
        mains: typed.mains,
        band_hz: typed.band,
        harmonics: typed.harmonics,
        confidence: typed.confidence,
        channels: typed.channel.clone(),
        ac_corner_hz: typed.ac_corner,
        ..MeasureOptions::default()
    }
}

/// A corner of the AC coupling says that there is one.
fn coupled(load: LoadOptions, ac_corner: Option<f64>) -> Result<LoadOptions, Failure> {
    match (ac_corner, load.coupling) {
        (Some(_), Some(Coupling::Dc)) => Err(Failure::Usage(
            "--ac-corner and --coupling dc contradict each other; leave one of them out".into(),
        )),
        (Some(_), _) => Ok(LoadOptions {
            coupling: Some(Coupling::Ac),
            ..load
        }),
        (None, _) => Ok(load),
    }
}

fn limits(typed: &[String]) -> Result<Vec<Limit>, Failure> {
    let limit = |text: &String| {
        text.parse()
            .map_err(|error: Error| Failure::Usage(format!("--{}", error.message())))
    };
    typed.iter().map(limit).collect()
}

/// One capture has readings only.
fn reading_limits(typed: &[String]) -> Result<Vec<Limit>, Failure> {
    let limits = limits(typed)?;
    match limits
        .iter()
        .find(|limit| limit.bounded != Bounded::Reading)
    {
        None => Ok(limits),
        Some(limit) => Err(Failure::Usage(format!(
            "--limit on a change of {}: only compare knows changes; measure takes limits on readings",
            limit.quantity
        ))),
    }
}

fn jobs(typed: &BatchArguments) -> usize {
    let cores = || thread::available_parallelism().map_or(1, NonZero::get);
    typed.jobs.unwrap_or_else(cores)
}
