//! The command: arguments as typed, as meant, and what is done with them.

mod arguments;
mod batch;
mod compare;
mod console;
mod failure;
mod identity;
mod inputs;
mod manual;
mod measure;
mod number;
mod output;
mod plan;
mod report;
mod request;
mod resume;
mod scratch;
mod separate;
mod session;
mod shard;

pub use failure::{Failure, Outcome, exit_code};
pub use request::Request;

use humsieve::fault;
use std::env;
use std::process::ExitCode;

/// What the command line asks for; help and version are answered here.
pub fn request() -> Result<Request, ExitCode> {
    match arguments::read(env::args_os()) {
        Ok(typed) => request::meant(typed).map_err(|failure| exit_code(Err(failure))),
        Err(error) if error.exit_code() == 0 || arguments::is_help(&error) => {
            let _ = error.print();
            Err(ExitCode::from(error.exit_code() as u8))
        }
        Err(error) => Err(exit_code(Err(Failure::Usage(arguments::one_line(&error))))),
    }
}

/// Does it. A fault of the program outside the captures, which are contained one by one, is told like one
/// in a capture.
pub fn run(request: &Request) -> Result<Outcome, Failure> {
    fault::note_places();
    fault::contained(|| Ok(done(request))).unwrap_or_else(|error| Err(error.into()))
}

fn done(request: &Request) -> Result<Outcome, Failure> {
    match request {
        Request::Measure(request) => measure::run(request),
        Request::Compare(request) => compare::run(request),
        Request::Separate(request) => separate::run(request),
        Request::Report(request) => report::run(request),
        Request::Session(request) => session::run(request),
        Request::Plan(request) => plan::run(request),
        Request::Completions(shell) => manual::completions(*shell),
        Request::Manual => manual::page(),
    }
}
