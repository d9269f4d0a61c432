//! The command under test, run in the project's root, shared by the whole-program tests.
#![allow(dead_code)]

use assert_cmd::Command;
use std::process::Output;

/// The command with these arguments, still to be run.
pub fn humsieve(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_humsieve"));
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(arguments);
    command
}

/// What the command with these arguments gives.
pub fn run(arguments: &[&str]) -> Output {
    humsieve(arguments).output().unwrap()
}
