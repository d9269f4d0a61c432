//! The `humsieve` command.

fn main() -> std::process::ExitCode {
    humsieve::command()
}
