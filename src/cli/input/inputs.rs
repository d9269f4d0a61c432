//! The captures of a call: arguments, folders, lists and standard input.

use crate::cli::failure::Failure;
use crate::cli::identity::Identity;
use crate::load;
use crate::{Error, ErrorKind};
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read};
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
    let output = Identity::of_standard_output();
    if let Some(output) = &output
        && let Some(path) = named
            .iter()
            .find(|path| Identity::of(path).as_ref() == Some(output))
    {
        return Err(Failure::Usage(format!(
            "standard output goes to the input '{}'; let it go to another file",
            path.display()
        )));
    }
    Ok(named
        .iter()
        .flat_map(|path| expand(path, output.as_ref()))
        .collect())
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
    paths(reader).map_err(|e| unusable(&e))
}

/// Longest line of a list; no system takes a longer path.
const LINE_BYTES: u64 = 1 << 16;

/// The paths of a list, one a line, in whatever bytes the file system uses.
fn paths(mut list: impl BufRead) -> io::Result<Vec<PathBuf>> {
    let mut paths = Vec::new();
    let mut line = Vec::new();
    let mut first = true;
    loop {
        line.clear();
        if list
            .by_ref()
            .take(LINE_BYTES)
            .read_until(b'\n', &mut line)?
            == 0
        {
            return Ok(paths);
        }
        let mut name = line.strip_suffix(b"\n").unwrap_or(&line);
        name = name.strip_suffix(b"\r").unwrap_or(name);
        if name.len() as u64 >= LINE_BYTES - 2 {
            return Err(io::Error::other(
                "a line is longer than any path; is it a list?",
            ));
        }
        if first {
            name = name.strip_prefix(&BYTE_ORDER_MARK).unwrap_or(name);
            first = false;
        }
        if !name.trim_ascii().is_empty() {
            paths.push(path(name));
        }
    }
}

const BYTE_ORDER_MARK: [u8; 3] = [0xef, 0xbb, 0xbf];

#[cfg(unix)]
fn path(bytes: &[u8]) -> PathBuf {
    use std::os::unix::ffi::OsStrExt;
    PathBuf::from(std::ffi::OsStr::from_bytes(bytes))
}

#[cfg(not(unix))]
fn path(bytes: &[u8]) -> PathBuf {
    PathBuf::from(String::from_utf8_lossy(bytes).into_owned())
}

/// A folder as the captures below it, the file that takes the results left out.
fn expand(path: &Path, output: Option<&Identity>) -> Vec<Input> {
    if is_standard_input(path) || !path.is_dir() {
        return vec![Ok(path.to_path_buf())];
    }
    match load::find_captures(path) {
        Ok(found) if found.is_empty() => vec![Err((
            path.to_path_buf(),
            ErrorKind::NotFound
                .error("the folder holds no .csv, .txt, .tsv or .wav file")
                .in_file(path),
        ))],
        Ok(found) => found
            .into_iter()
            .filter(|path| output.is_none_or(|output| Identity::of(path).as_ref() != Some(output)))
            .map(Ok)
            .collect(),
        Err(error) => vec![Err((path.to_path_buf(), error))],
    }
}
