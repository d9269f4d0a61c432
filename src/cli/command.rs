//! From the command line to what is done.

use super::arguments::request::{self as requests, Request};
use super::arguments::typed;
use super::failure::{Failure, Outcome, exit_code};
use super::{compare, manual, measure, plan, report, separate, session};
use crate::fault;
use std::env;
use std::process::ExitCode;

/// The `humsieve` command: does what the arguments of this process ask for and tells how that went.
///
/// Results go to standard output, all else to standard error; the exit status is 0 where all is done, 1 where a
/// limit was not met, 2 for unusable arguments, 3 where a capture could not be read or analysed.
#[must_use]
pub fn command() -> ExitCode {
    keep_freed_memory();
    match request() {
        Ok(request) => exit_code(run(&request)),
        Err(answered) => answered,
    }
}

/// Bytes up to which a buffer that was given back is kept for the next.
const KEPT_BYTES: usize = 8 << 20;

/// Allocators such as that of glibc give what is freed back to the system until a large block was freed once (malloc's man
/// page, `M_MMAP_THRESHOLD`); captures of a folder need the same buffers one after the other. The block is never written to.
fn keep_freed_memory() {
    drop(std::hint::black_box(Vec::<u8>::with_capacity(KEPT_BYTES)));
}

/// What the command line asks for; help and version are answered here.
fn request() -> Result<Request, ExitCode> {
    match typed::read(env::args_os()) {
        Ok(typed) => requests::meant(typed).map_err(|failure| exit_code(Err(failure))),
        Err(error) if error.exit_code() == 0 || typed::is_help(&error) => {
            let _ = error.print();
            Err(ExitCode::from(error.exit_code() as u8))
        }
        Err(error) => Err(exit_code(Err(Failure::Usage(typed::one_line(&error))))),
    }
}

/// Does it. A fault of the program outside the captures, which are contained one by one, is told like one
/// in a capture.
fn run(request: &Request) -> Result<Outcome, Failure> {
    fault::note_places();
    fault::contained(|| Ok(done(request))).unwrap_or_else(|error| Err(error.into()))
}

fn done(request: &Request) -> Result<Outcome, Failure> {
    match request {
        Request::Measure(request) => measure::run(request),
        Request::Compare(request) => compare::run(request),
        Request::Separate(request) => separate::run(request),
        Request::Report(request, format) => report::run(request, *format),
        Request::Session(request) => session::run(request),
        Request::Plan(request) => plan::run(request),
        Request::Completions(shell) => manual::completions(*shell),
        Request::Manual(command) => manual::page(command.as_deref()),
    }
}
