//! The one error type of the library.

use serde::de::IntoDeserializer;
use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};
use std::fmt;
use std::path::{Path, PathBuf};

/// What went wrong; shown under its fixed name in the JSON output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ErrorKind {
    /// No such file or folder.
    NotFound,
    /// The file exists but cannot be read (permission, device, i/o failure).
    Unreadable,
    /// Not a text table or a WAV file of a kind that is understood.
    UnsupportedFormat,
    /// The file holds no samples.
    NoSamples,
    /// Nothing tells the sample rate.
    NoSampleRate,
    /// A cell or sample that is no number, or one that contradicts the rest.
    BadValue,
    /// The time column is uneven beyond the stated limit.
    UnevenSampling,
    /// Too few samples for what was asked.
    TooShort,
    /// A channel that was asked for is not there.
    NoSuchChannel,
    /// An option out of range.
    BadOption,
    /// More samples at the limit of the range than figures can be given from.
    TooClipped,
    /// An output that cannot be written.
    Unwritable,
    /// A fault of the program itself in this capture.
    Internal,
}

impl ErrorKind {
    /// The kind of this fixed name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        let kind: Result<_, serde::de::value::Error> = Self::deserialize(name.into_deserializer());
        kind.ok()
    }

    /// The kind of a failure to read.
    pub(crate) fn of_reading(error: &std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::NotFound => Self::NotFound,
            _ => Self::Unreadable,
        }
    }

    /// An error of this kind; the message says what was found and what to do.
    #[must_use]
    pub fn error(self, message: impl Into<String>) -> Error {
        Error {
            kind: self,
            message: message.into(),
            file: None,
            line: None,
            column: None,
        }
    }
}

impl fmt::Display for ErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

/// An error with its kind, its place in the input and what to do about it.
///
/// ```
/// use humsieve::ErrorKind;
/// let error = ErrorKind::BadValue
///     .error("found 'abc' where a number should stand; delete the row")
///     .in_file("floor.csv")
///     .at_line(17)
///     .at_column(2);
/// assert_eq!(
///     error.to_string(),
///     "floor.csv: line 17, column 2: found 'abc' where a number should stand; delete the row"
/// );
/// ```
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Error {
    kind: ErrorKind,
    message: String,
    file: Option<PathBuf>,
    line: Option<u64>,
    column: Option<u64>,
}

impl Error {
    /// Adds the file, unless one is known already.
    #[must_use]
    pub fn in_file(mut self, file: impl AsRef<Path>) -> Self {
        self.file.get_or_insert_with(|| file.as_ref().to_path_buf());
        self
    }

    /// Names `to` where the file is `from`: an output is written under another name until it is complete.
    #[must_use]
    pub fn moved(mut self, from: &Path, to: &Path) -> Self {
        if self.file.as_deref() == Some(from) {
            self.file = Some(to.to_path_buf());
        }
        self
    }

    /// The same at its place in other words.
    pub(crate) fn reworded(self, message: String) -> Self {
        Self { message, ..self }
    }

    /// Adds the 1-based line.
    #[must_use]
    pub fn at_line(mut self, line: u64) -> Self {
        self.line = Some(line);
        self
    }

    /// Adds the 1-based column (cell of the line).
    #[must_use]
    pub fn at_column(mut self, column: u64) -> Self {
        self.column = Some(column);
        self
    }

    /// What went wrong.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        self.kind
    }

    /// What was found and what to do, without the place.
    #[must_use]
    pub fn message(&self) -> &str {
        &self.message
    }

    /// The file, where one is concerned.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        self.file.as_deref()
    }

    /// The 1-based line, where one is concerned.
    #[must_use]
    pub fn line(&self) -> Option<u64> {
        self.line
    }

    /// The 1-based column (cell of the line), where one is concerned.
    #[must_use]
    pub fn column(&self) -> Option<u64> {
        self.column
    }

    /// Place and message without the file: what the JSON error object carries.
    #[must_use]
    pub fn message_with_position(&self) -> String {
        match (self.line, self.column) {
            (Some(line), Some(column)) => format!("line {line}, column {column}: {}", self.message),
            (Some(line), None) => format!("line {line}: {}", self.message),
            (None, Some(column)) => format!("column {column}: {}", self.message),
            (None, None) => self.message.clone(),
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(file) = &self.file {
            write!(f, "{}: ", file.display())?;
        }
        f.write_str(&self.message_with_position())
    }
}

/// Kind and message with its place, as the JSON output carries them.
impl Serialize for Error {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut object = to.serialize_struct("Error", 2)?;
        object.serialize_field("kind", &self.kind)?;
        object.serialize_field("message", &self.message_with_position())?;
        object.end()
    }
}
