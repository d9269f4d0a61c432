//! Output files: proved writable before the work starts, complete or absent after it.

use super::scratch::Scratch;
use crate::ErrorKind;
use crate::cli::failure::Failure;
use crate::cli::identity::Identity;
use std::ffi::OsString;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// What an output must not destroy.
#[derive(Debug, Clone, Copy)]
pub struct Guard<'a> {
    /// Files that the run reads.
    pub inputs: &'a [PathBuf],
    /// Overwrites them nevertheless.
    pub force: bool,
}

impl Guard<'_> {
    fn check(&self, target: &Path) -> Result<(), Failure> {
        let identity = Identity::of(target);
        let read = |input: &&PathBuf| {
            identity.is_some() && Identity::of(input) == identity || input.as_path() == target
        };
        match self.inputs.iter().find(read) {
            Some(input) if !self.force => Err(Failure::Usage(format!(
                "the output '{}' is the input '{}'; name another file, or give --force to lose the input",
                target.display(),
                input.display()
            ))),
            _ => Ok(()),
        }
    }
}

/// Files that come to be together, and only when all are complete.
#[derive(Debug)]
pub struct Outputs {
    scratch: Scratch,
    files: Vec<Pending>,
}

/// One of them: where it is written meanwhile, and where it goes.
#[derive(Debug)]
struct Pending {
    temporary: PathBuf,
    target: PathBuf,
}

impl Outputs {
    /// Proves that `target` can be written by making a folder for it beside it.
    pub fn prove(target: &Path, guard: &Guard<'_>) -> Result<Self, Failure> {
        let place = usable(target, guard)?;
        let scratch =
            Scratch::within(folder(&place)).map_err(|error| unwritable(target, &error))?;
        let mut outputs = Self {
            scratch,
            files: Vec::new(),
        };
        outputs.add(place);
        Ok(outputs)
    }

    /// One more file, in the folder of the first; where to write it meanwhile.
    pub fn beside(&mut self, target: &Path, guard: &Guard<'_>) -> Result<PathBuf, Failure> {
        let place = usable(target, guard)?;
        Ok(self.add(place))
    }

    fn add(&mut self, target: PathBuf) -> PathBuf {
        // A number of its own: names of several may differ in their folder only.
        let mut name = OsString::from(format!("{}", self.files.len()));
        if let Some(ending) = target.extension() {
            name.push(".");
            name.push(ending);
        }
        let temporary = self.scratch.path().join(name);
        self.files.push(Pending {
            temporary: temporary.clone(),
            target,
        });
        temporary
    }

    /// Where to write the first meanwhile; it has the ending of the target.
    pub fn path(&self) -> &Path {
        self.files
            .first()
            .map_or(Path::new(""), |file| &file.temporary)
    }

    /// Where the first goes.
    pub fn target(&self) -> &Path {
        self.files
            .first()
            .map_or(Path::new(""), |file| &file.target)
    }

    /// Puts the complete files in their places, the first one last; where one cannot be, what stood in the
    /// places before stands there again.
    pub fn keep(self) -> Result<(), Failure> {
        self.scratch.uninterrupted(|| {
            let mut undo: Vec<(PathBuf, Option<PathBuf>)> = Vec::new();
            for (index, file) in self.files.iter().enumerate().rev() {
                let former = self.scratch.path().join(format!("former-{index}"));
                // After the first, which goes last, there is nothing to undo.
                match replace(file, (index > 0).then_some(former.as_path())) {
                    Ok(stood) => undo.push((file.target.clone(), stood.then_some(former))),
                    Err(error) => {
                        for (target, former) in undo.into_iter().rev() {
                            let _ = match former {
                                Some(former) => fs::rename(former, target),
                                None => fs::remove_file(target),
                            };
                        }
                        return Err(unwritable(&file.target, &error));
                    }
                }
            }
            Ok(())
        })
    }
}

/// Puts one file in its place; whether one stood there, which is then found at `former`, if that is named.
///
/// The place is never without a file: the former one keeps its name until the new one takes it.
fn replace(file: &Pending, former: Option<&Path>) -> io::Result<bool> {
    let stood = match fs::metadata(&file.target) {
        Ok(metadata) => {
            fs::set_permissions(&file.temporary, metadata.permissions())?;
            if let Some(former) = former {
                fs::hard_link(&file.target, former)
                    .or_else(|_| fs::copy(&file.target, former).map(drop))?;
            }
            true
        }
        Err(_) => false,
    };
    fs::rename(&file.temporary, &file.target)?;
    Ok(stood)
}

/// Where the file goes, if one may be there.
fn usable(target: &Path, guard: &Guard<'_>) -> Result<PathBuf, Failure> {
    guard.check(target)?;
    let refused = |reason: &str| Err(unwritable(target, &reason));
    // A link is followed, so that the file behind it is replaced and the link stays.
    let place = fs::canonicalize(target).unwrap_or_else(|_| target.to_path_buf());
    match fs::metadata(&place) {
        Ok(found) if found.is_dir() => refused("it is a folder; name a file"),
        Ok(found) if !found.is_file() => refused("it is no ordinary file"),
        Ok(found) if found.permissions().readonly() => refused("it exists and is read-only"),
        _ => Ok(place),
    }
}

/// The error of an output, as it is told.
pub fn unwritable(target: &Path, reason: &impl ToString) -> Failure {
    Failure::File(
        ErrorKind::Unwritable
            .error(format!(
                "the output cannot be written: {}",
                reason.to_string()
            ))
            .in_file(target),
    )
}

/// The folder of a file.
pub fn folder(target: &Path) -> &Path {
    match target.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}
