//! `humsieve completions` and `humsieve manual`: both come from the arguments themselves.

use super::arguments::typed::Arguments;
use super::console;
use super::failure::{Failure, Outcome};
use clap::{Command, CommandFactory};
use clap_complete::Shell;
use std::io::Write;

pub fn completions(shell: Shell) -> Result<Outcome, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), "humsieve", &mut script);
    put(&script)
}

/// The page of one command; without one that of the program, which names the others.
pub fn page(wanted: Option<&str>) -> Result<Outcome, Failure> {
    let mut program = Arguments::command();
    program.build();
    let command = match wanted {
        None => &program,
        Some(name) => program.find_subcommand(name).ok_or_else(|| {
            let names: Vec<&str> = program.get_subcommands().map(Command::get_name).collect();
            Failure::Usage(format!(
                "there is no command '{name}' with a page; there are {}",
                names.join(", ")
            ))
        })?,
    };
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    put(&page)
}

fn put(bytes: &[u8]) -> Result<Outcome, Failure> {
    let mut out = console::results();
    out.write_all(bytes)?;
    out.flush()?;
    Ok(Outcome::default())
}
