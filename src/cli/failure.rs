//! How a run ends: exit status and what is said on standard error.

use super::console::say;
use crate::{Error, ErrorKind};
use std::io;
use std::process::ExitCode;

/// A run that came to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Outcome {
    /// A limit was exceeded (or could not be shown to be met).
    pub limit_exceeded: bool,
    /// A capture could not be read or analysed.
    pub capture_failed: bool,
}

/// A run that could not begin or had to stop.
#[derive(Debug)]
pub enum Failure {
    /// Unusable arguments, in one line.
    Usage(String),
    /// The one input of the command could not be read or analysed, or its file not be written.
    File(Error),
    /// Standard output could not be written.
    Output(io::Error),
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        match error.kind() {
            ErrorKind::BadOption => Self::Usage(error.to_string()),
            _ => Self::File(error),
        }
    }
}

/// Says what went wrong on standard error and gives the exit status.
///
/// 0 all done, 1 a limit was exceeded, 2 unusable arguments, 3 a capture could not be read or
/// analysed. A reader that closes the pipe early has had enough: that is no error.
pub fn exit_code(result: Result<Outcome, Failure>) -> ExitCode {
    ExitCode::from(match result {
        Ok(Outcome {
            capture_failed: true,
            ..
        }) => 3,
        Ok(Outcome {
            limit_exceeded: true,
            ..
        }) => 1,
        Ok(_) => 0,
        Err(Failure::Usage(message)) => {
            say(&message);
            2
        }
        Err(Failure::File(error)) => {
            say(&error.to_string());
            match error.kind() {
                ErrorKind::Unwritable => 2,
                _ => 3,
            }
        }
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => 0,
        Err(Failure::Output(error)) => {
            say(&format!("the output cannot be written: {error}"));
            2
        }
    })
}
