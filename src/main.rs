//! The `humsieve` command.

fn main() {}
