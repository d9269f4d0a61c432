//! The one error type of the library.

use serde::de::IntoDeserializer;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What went wrong. Its fixed name, as `Display` and JSON give it, is that of the variant in small letters: `not_found`.
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
    /// An option out of range, or options that do not go together.
    BadOption,
    /// More samples at the limit of the range than figures can be given from.
    TooClipped,
    /// An output that cannot be written.
    Unwritable,
    /// A fault of the program itself, or of a source that breaks its contract, in this capture.
    Internal,
}

impl ErrorKind {
    /// The kind of this fixed name; `None` where this version knows none.
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
            source: None,
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
///
/// As JSON it is `{"kind", "message", "file", "line", "column"}`, its place in the message too and left out where there is
/// none; read back, all but [`source`](std::error::Error::source) is as it was.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(from = "Written", into = "Written")]
pub struct Error {
    kind: ErrorKind,
    message: String,
    file: Option<Box<Path>>,
    line: Option<u64>,
    column: Option<u64>,
    source: Option<Arc<dyn std::error::Error + Send + Sync>>,
}

/// Two errors are equal where they say the same of the same place.
impl PartialEq for Error {
    fn eq(&self, other: &Self) -> bool {
        let said = |error: &Self| (error.kind, error.line, error.column);
        said(self) == said(other) && self.message == other.message && self.file == other.file
    }
}

impl Eq for Error {}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(self.source.as_ref()?.as_ref())
    }
}

impl Error {
    /// Adds what it follows from.
    pub(crate) fn from(mut self, source: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.source = Some(Arc::new(source));
        self
    }

    /// The same for where the file is told beside it.
    pub(crate) fn without_file(&self) -> Self {
        Self {
            file: None,
            ..self.clone()
        }
    }

    /// Adds the file, unless one is known already.
    #[must_use]
    pub fn in_file(mut self, file: impl AsRef<Path>) -> Self {
        self.file.get_or_insert_with(|| file.as_ref().into());
        self
    }

    /// Names `to` where the file is `from`: an output is written under another name until it is complete.
    #[must_use]
    pub fn moved(mut self, from: &Path, to: &Path) -> Self {
        if self.file.as_deref() == Some(from) {
            self.file = Some(to.into());
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

    /// The file, or the capture by its name; `None` where none is concerned.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        self.file.as_deref()
    }

    /// The 1-based line of the file; `None` where none is concerned.
    #[must_use]
    pub fn line(&self) -> Option<u64> {
        self.line
    }

    /// The 1-based column (cell of the line); `None` where none is concerned.
    #[must_use]
    pub fn column(&self) -> Option<u64> {
        self.column
    }

    /// Place and message without the file: what the JSON error object carries.
    #[must_use]
    pub fn message_with_position(&self) -> String {
        format!("{}{}", self.place(), self.message)
    }

    /// Line and column in front of the message.
    fn place(&self) -> String {
        match (self.line, self.column) {
            (Some(line), Some(column)) => format!("line {line}, column {column}: "),
            (Some(line), None) => format!("line {line}: "),
            (None, Some(column)) => format!("column {column}: "),
            (None, None) => String::new(),
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

/// An error as JSON holds it.
#[derive(Serialize, Deserialize)]
struct Written {
    kind: String,
    message: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    line: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    column: Option<u64>,
}

impl From<Error> for Written {
    fn from(error: Error) -> Self {
        Self {
            kind: error.kind.to_string(),
            message: error.message_with_position(),
            file: error.file.map(|file| file.display().to_string()),
            line: error.line,
            column: error.column,
        }
    }
}

impl From<Written> for Error {
    /// A kind that a later version has added is read as `Unreadable`.
    fn from(written: Written) -> Self {
        let kind = ErrorKind::from_name(&written.kind).unwrap_or(ErrorKind::Unreadable);
        let mut error = kind.error(written.message);
        error.file = written.file.map(|file| PathBuf::from(file).into());
        (error.line, error.column) = (written.line, written.column);
        if let Some(message) = error.message.strip_prefix(&error.place()) {
            error.message = message.to_owned();
        }
        error
    }
}
