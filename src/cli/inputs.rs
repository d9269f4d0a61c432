//! The captures of a call: arguments, folders, lists and standard input.

use super::failure::Failure;
use humsieve::load;
use humsieve::{Error, ErrorKind};
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

/// A capture to read, or an argument that led to none.
pub type Input = Result<PathBuf, (PathBuf, Error)>;

/// Every capture named, in order: a folder stands for those below it.
pub fn find(captures: &[PathBuf], list: Option<&Path>) -> Result<Vec<Input>, Failure> {
    let mut named = captures.to_vec();
    if let Some(list) = list {
        named.extend(listed(list)?);
    }
    if named.is_empty() {
        return Err(Failure::Usage(match list {
            Some(list) => format!("no capture is named in '{}'", list.display()),
            None => "no capture is named; a file, a folder or - would do".into(),
        }));
    }
    let standard_input = named.iter().filter(|path| is_standard_input(path)).count();
    let list_is_standard_input = usize::from(list.is_some_and(is_standard_input));
    if standard_input + list_is_standard_input > 1 {
        return Err(Failure::Usage(
            "standard input (-) can be read only once".into(),
        ));
    }
    Ok(named.iter().flat_map(|path| expand(path)).collect())
}

/// A capture shorter than this is measured before a second thread would be awake.
const SHORT_BYTES: u64 = 1 << 18;

/// Threads for captures: no more than there are captures where all are short.
pub fn threads<'a>(mut captures: impl ExactSizeIterator<Item = &'a Input>, jobs: usize) -> usize {
    let short = |input: &Input| match input {
        Ok(path) => {
            fs::metadata(path).is_ok_and(|file| file.is_file() && file.len() <= SHORT_BYTES)
        }
        Err(_) => true,
    };
    let count = captures.len().max(1);
    if count < jobs && captures.all(short) {
        count
    } else {
        jobs
    }
}

/// Whether the path stands for standard input.
pub fn is_standard_input(path: &Path) -> bool {
    path.as_os_str() == "-"
}

fn listed(list: &Path) -> Result<Vec<PathBuf>, Failure> {
    let unusable = |error: &io::Error| {
        Failure::Usage(format!(
            "the list of captures '{}' cannot be read: {error}",
            list.display()
        ))
    };
    let reader: Box<dyn BufRead> = if is_standard_input(list) {
        Box::new(io::stdin().lock())
    } else {
        Box::new(BufReader::new(File::open(list).map_err(|e| unusable(&e))?))
    };
    let mut paths = Vec::new();
    for line in reader.lines() {
        let line = line.map_err(|e| unusable(&e))?;
        let name = line.trim_end_matches('\r');
        if !name.trim().is_empty() {
            paths.push(PathBuf::from(name));
        }
    }
    Ok(paths)
}

fn expand(path: &Path) -> Vec<Input> {
    if is_standard_input(path) || !path.is_dir() {
        return vec![Ok(path.to_path_buf())];
    }
    match load::find_captures(path) {
        Ok(found) if found.is_empty() => vec![Err((
            path.to_path_buf(),
            Error::new(
                ErrorKind::NotFound,
                "the folder holds no .csv, .txt, .tsv or .wav file",
            )
            .in_file(path),
        ))],
        Ok(found) => found.into_iter().map(Ok).collect(),
        Err(error) => vec![Err((path.to_path_buf(), error))],
    }
}
