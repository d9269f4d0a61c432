//! The arguments as meant.

use super::arguments::{
    AnalysisArguments, Arguments, BatchArguments, Command, CompareArguments, CouplingArgument,
    FormatArgument, LimitArgument, MainsArgument, MeasureArguments, PlainFormatArgument,
    PlanArguments, ReadingArguments,
};
use super::failure::Failure;
use super::library::load::LoadOptions;
use clap_complete::Shell;
use humsieve::Condition;
use humsieve::MeasureOptions;
use humsieve::analysis::MainsChoice;
use humsieve::capture::Coupling;
use humsieve::plan::PlanOptions;
use humsieve::report::{Format, Limit};
use std::num::NonZero;
use std::path::PathBuf;
use std::thread;

/// What the command is to do.
#[derive(Debug, Clone)]
pub enum Request {
    Measure(MeasureRequest),
    Compare(CompareRequest),
    Session(SessionRequest),
    Plan(PlanRequest),
    Completions(Shell),
    Manual,
}

/// Captures to measure.
#[derive(Debug, Clone)]
pub struct MeasureRequest {
    pub captures: Vec<PathBuf>,
    pub files_from: Option<PathBuf>,
    pub explain_input: bool,
    pub load: LoadOptions,
    pub measure: MeasureOptions,
    pub batch: Batch,
    pub format: Format,
    pub quiet: bool,
}

/// Captures to compare.
#[derive(Debug, Clone)]
pub struct CompareRequest {
    pub captures: Vec<(Condition, Vec<PathBuf>)>,
    pub load: LoadOptions,
    pub measure: MeasureOptions,
    pub batch: Batch,
    pub format: Format,
    pub quiet: bool,
}

/// A folder whose captures a session file is drafted for.
#[derive(Debug, Clone)]
pub struct SessionRequest {
    pub folder: PathBuf,
    pub output: Option<PathBuf>,
    pub quiet: bool,
}

/// What is to be resolved.
#[derive(Debug, Clone)]
pub struct PlanRequest {
    pub options: PlanOptions,
    pub json: bool,
}

/// What bears on many captures.
#[derive(Debug, Clone)]
pub struct Batch {
    pub limits: Vec<Limit>,
    pub jobs: usize,
}

/// From the arguments as typed to what they mean.
pub fn meant(arguments: Arguments) -> Result<Request, Failure> {
    match arguments.command {
        Command::Measure(typed) => Ok(Request::Measure(measure(typed)?)),
        Command::Compare(typed) => Ok(Request::Compare(compare(typed)?)),
        Command::Session(typed) => Ok(Request::Session(SessionRequest {
            folder: typed.folder,
            output: typed.output,
            quiet: typed.quiet,
        })),
        Command::Plan(typed) => Ok(Request::Plan(plan(&typed))),
        Command::Completions { shell } => Ok(Request::Completions(shell)),
        Command::Manual => Ok(Request::Manual),
        _ => Err(Failure::Usage("not there yet".into())),
    }
}

fn measure(typed: MeasureArguments) -> Result<MeasureRequest, Failure> {
    Ok(MeasureRequest {
        captures: typed.captures,
        files_from: typed.files_from,
        explain_input: typed.explain_input,
        load: load(&typed.reading),
        measure: MeasureOptions {
            every_s: typed.every,
            ..analysis(&typed.analysis)
        },
        batch: batch(&typed.batch)?,
        format: format(typed.printing.format),
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
        load: load(&typed.reading),
        measure: analysis(&typed.analysis),
        batch: batch(&typed.batch)?,
        format: format(typed.printing.format),
        quiet: typed.printing.quiet,
    })
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
        json: typed.format == PlainFormatArgument::Jsonl,
    }
}

fn load(typed: &ReadingArguments) -> LoadOptions {
    LoadOptions {
        sample_rate_hz: typed.sample_rate,
        unit: typed.unit.clone(),
        scale: typed.scale,
        full_scale_v: typed.full_scale,
        coupling: typed.coupling.map(|coupling| match coupling {
            CouplingArgument::Dc => Coupling::Dc,
            CouplingArgument::Ac => Coupling::Ac,
        }),
    }
}

fn analysis(typed: &AnalysisArguments) -> MeasureOptions {
    MeasureOptions {
        mains: match typed.mains {
            MainsArgument::Auto => MainsChoice::Auto,
            MainsArgument::Hertz(hz) => MainsChoice::Nominal(hz),
        },
        band_hz: typed.band,
        harmonics: typed.harmonics,
        confidence: typed.confidence,
        channels: typed.channel.clone(),
        ..MeasureOptions::default()
    }
}

fn batch(typed: &BatchArguments) -> Result<Batch, Failure> {
    let limits = typed
        .limit
        .iter()
        .map(|LimitArgument { quantity, value }| Limit::new(quantity.as_str(), *value))
        .collect::<Result<_, _>>()?;
    let cores = || thread::available_parallelism().map_or(1, NonZero::get);
    Ok(Batch {
        limits,
        jobs: typed.jobs.unwrap_or_else(cores),
    })
}

fn format(typed: FormatArgument) -> Format {
    match typed {
        FormatArgument::Text => Format::Text,
        FormatArgument::Jsonl => Format::Jsonl,
        FormatArgument::Csv => Format::Csv,
        FormatArgument::Markdown => Format::Markdown,
    }
}
