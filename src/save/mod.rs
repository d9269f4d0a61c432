//! Writing captures to files, which are complete or absent.

mod csv_file;
mod file_sink;
mod wave_file;

pub use file_sink::FileSink;
