//! Output files: proved writable before the work starts, complete or absent after it.

use super::failure::Failure;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::{Builder, NamedTempFile, TempPath};

/// A file that comes to be only when it is complete.
#[derive(Debug)]
pub struct OutputFile {
    target: PathBuf,
    temporary: TempPath,
}

impl OutputFile {
    /// Proves that `target` can be written by making a temporary file beside it.
    pub fn prove(target: &Path) -> Result<Self, Failure> {
        let unusable = |reason: String| {
            Failure::Usage(format!(
                "the output '{}' cannot be written: {reason}",
                target.display()
            ))
        };
        // A link is followed, so that the file behind it is replaced and the link stays.
        let target = fs::canonicalize(target).unwrap_or_else(|_| target.to_path_buf());
        if target.is_dir() {
            return Err(unusable("it is a folder; name a file".into()));
        }
        if target.exists() && !target.is_file() {
            return Err(unusable("it is no ordinary file".into()));
        }
        let folder = match target.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if let Ok(metadata) = fs::metadata(&target)
            && metadata.permissions().readonly()
        {
            return Err(unusable("it exists and is read-only".into()));
        }
        let ending = target
            .extension()
            .map(|ending| format!(".{}", ending.to_string_lossy()))
            .unwrap_or_default();
        let temporary = builder(&ending)
            .tempfile_in(folder)
            .map_err(|error| unusable(error.to_string()))?;
        Ok(Self {
            target,
            temporary: NamedTempFile::into_temp_path(temporary),
        })
    }

    /// Where to write meanwhile; it has the ending of the target.
    pub fn path(&self) -> &Path {
        &self.temporary
    }

    /// Puts the complete file in its place.
    pub fn keep(self) -> Result<(), Failure> {
        let target = self.target;
        self.temporary
            .persist(&target)
            .map_err(|failed| Failure::Output(failed.error))
    }
}

fn builder(ending: &str) -> Builder<'_, '_> {
    let mut builder = Builder::new();
    builder.prefix(".humsieve-").suffix(ending);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Those of an ordinary new file; the umask takes its part.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder
}
