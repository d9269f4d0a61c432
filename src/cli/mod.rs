//! The command: arguments as typed, as meant, and what is done with them.

mod arguments;
mod batch;
mod command;
mod compare;
mod console;
mod drawing;
mod failure;
mod identity;
mod input;
mod manual;
mod measure;
mod output;
mod plan;
mod report;
mod separate;
mod session;

pub use command::command;
