//! The `humsieve` command.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::request() {
        Ok(request) => cli::exit_code(cli::run(&request)),
        Err(answered) => answered,
    }
}
