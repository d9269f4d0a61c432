//! Captures below a folder.

use crate::{Error, ErrorKind};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// Endings of the files that a folder stands for.
const ENDINGS: [&str; 4] = ["csv", "txt", "tsv", "wav"];

/// All `.csv`, `.txt`, `.tsv` and `.wav` files below a folder, in capitals too, sorted by path; empty where there is none.
///
/// Links are followed; a loop of links is entered once, and what is neither a file nor a folder
/// (pipes, devices, sockets) or cannot be read is passed over, as is every name that begins with a dot.
///
/// # Errors
/// `NotFound` or `Unreadable` where the folder itself cannot be read.
pub fn find_captures(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let entries = std::fs::read_dir(folder).map_err(|error| {
        ErrorKind::of_reading(&error)
            .error(format!("the folder cannot be read: {error}"))
            .in_file(folder)
            .from(error)
    })?;
    drop(entries);
    let mut captures: Vec<PathBuf> = walkdir::WalkDir::new(folder)
        .follow_links(true)
        .into_iter()
        .filter_entry(|entry| entry.depth() == 0 || !is_hidden(entry.file_name()))
        .filter_map(Result::ok)
        .filter(|entry| entry.file_type().is_file() && has_ending(entry.path()))
        .map(walkdir::DirEntry::into_path)
        .collect();
    captures.sort();
    Ok(captures)
}

/// Whether a file at this place below a folder is one of its captures by its name: see [`find_captures`].
#[must_use]
pub fn names_capture(below: &Path) -> bool {
    has_ending(below) && !below.iter().any(is_hidden)
}

fn is_hidden(name: &OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

fn has_ending(path: &Path) -> bool {
    path.extension()
        .and_then(|ending| ending.to_str())
        .is_some_and(|ending| {
            ENDINGS
                .iter()
                .any(|known| ending.eq_ignore_ascii_case(known))
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_capture_by_example() {
        assert!(names_capture("bench/floor.CSV".as_ref()));
        assert!(!names_capture(".part/floor.csv".as_ref()));
    }
}
