//! `humsieve completions` and `humsieve manual`: both come from the arguments themselves.

use super::arguments::typed::Arguments;
use super::console;
use super::failure::{Failure, Outcome};
use clap::CommandFactory;
use clap_complete::Shell;
use std::io::Write;

pub fn completions(shell: Shell) -> Result<Outcome, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), "humsieve", &mut script);
    put(&script)
}

/// One page: the command, then each subcommand in turn.
pub fn page() -> Result<Outcome, Failure> {
    let mut command = Arguments::command();
    command.build();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    for subcommand in command.get_subcommands() {
        if subcommand.get_name() == "help" {
            continue;
        }
        let man = clap_mangen::Man::new(subcommand.clone());
        man.render_name_section(&mut page)?;
        man.render_synopsis_section(&mut page)?;
        man.render_description_section(&mut page)?;
        man.render_options_section(&mut page)?;
        man.render_extra_section(&mut page)?;
    }
    put(&page)
}

fn put(bytes: &[u8]) -> Result<Outcome, Failure> {
    let mut out = console::results();
    out.write_all(bytes)?;
    out.flush()?;
    Ok(Outcome::default())
}
