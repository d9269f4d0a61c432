//! The bytes of a capture: opened, kept, read again.

use crate::{Error, ErrorKind};
use std::fs::File;
use std::io::Read;
use std::path::Path;
use tempfile::{SpooledData, SpooledTempFile};

/// Bytes that can be read again from any place: those of a file as they were when it was opened, or bytes in
/// memory.
#[derive(Debug)]
pub(crate) struct Store {
    content: Content,
    length: u64,
}

#[derive(Debug)]
enum Content {
    File(File),
    Memory(Vec<u8>),
}

impl Store {
    /// Bytes in memory.
    pub fn of_bytes(bytes: Vec<u8>) -> Self {
        Self {
            length: bytes.len() as u64,
            content: Content::Memory(bytes),
        }
    }

    /// A file up to its present end.
    pub fn of_file(file: File) -> Result<Self, Error> {
        let length = file.metadata().map_err(unreadable)?.len();
        Ok(Self {
            length,
            content: Content::File(file),
        })
    }

    /// Number of bytes.
    pub fn length(&self) -> u64 {
        self.length
    }

    /// Fills `buffer` from a place on as far as the bytes go, whatever other readers do. What a file has
    /// gained since it was opened is not seen; that it has lost some is an error.
    pub fn read_at(&self, buffer: &mut [u8], position: u64) -> Result<usize, Error> {
        let left = self.length.saturating_sub(position);
        let wanted = buffer
            .len()
            .min(usize::try_from(left).unwrap_or(usize::MAX));
        let buffer = &mut buffer[..wanted];
        let count = match &self.content {
            Content::File(file) => read_file_at(file, buffer, position).map_err(unreadable)?,
            Content::Memory(bytes) => {
                let at = usize::try_from(position).unwrap_or(usize::MAX);
                if let Some(held) = bytes.get(at..).and_then(|rest| rest.get(..wanted)) {
                    buffer.copy_from_slice(held);
                }
                wanted
            }
        };
        if count < wanted {
            return Err(ErrorKind::Unreadable.error(format!(
                    "the file has become shorter while it was read: it held {} bytes and now ends at {}; wait until nothing writes to it",
                    self.length,
                    position + count as u64
                ),
            ));
        }
        Ok(count)
    }

    /// The first bytes, at most so many.
    pub fn front(&self, most: usize) -> Result<Vec<u8>, Error> {
        let held = usize::try_from(self.length).unwrap_or(usize::MAX);
        let mut front = vec![0; most.min(held)];
        self.read_at(&mut front, 0)?;
        Ok(front)
    }
}

/// Fills `buffer` from a place in the file.
fn read_file_at(file: &File, buffer: &mut [u8], position: u64) -> std::io::Result<usize> {
    #[cfg(unix)]
    use std::os::unix::fs::FileExt;
    #[cfg(windows)]
    use std::os::windows::fs::FileExt;
    let mut filled = 0;
    while filled < buffer.len() {
        #[cfg(unix)]
        let result = file.read_at(&mut buffer[filled..], position + filled as u64);
        #[cfg(windows)]
        let result = file.seek_read(&mut buffer[filled..], position + filled as u64);
        match result {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// An i/o failure as an error of the library.
pub(crate) fn unreadable(error: std::io::Error) -> Error {
    ErrorKind::of_reading(&error)
        .error(format!("cannot be read: {error}"))
        .from(error)
}

/// Opens a capture, refusing what is no regular file; `-` is standard input, spooled.
pub(crate) fn open(path: &Path) -> Result<Store, Error> {
    if path.as_os_str() == "-" {
        return spool(std::io::stdin().lock());
    }
    let metadata = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => ErrorKind::NotFound.error("no such file; check the path"),
        _ => unreadable(error),
    })?;
    if metadata.is_dir() {
        return Err(ErrorKind::Unreadable
            .error("is a folder where a capture file is wanted; name a file in it"));
    }
    if !metadata.is_file() {
        return Err(ErrorKind::Unreadable.error(
            "is no regular file but a device, pipe or socket; copy its data to a file, or pass it \
             on standard input as '-'",
        ));
    }
    let file = File::open(path).map_err(unreadable)?;
    Store::of_file(file)
}

/// Bytes of a file that are looked at first.
pub(crate) const HEAD_BYTES: usize = 1 << 16;

/// What is held in memory of a stream; the rest goes to an unnamed temporary file.
pub(crate) const SPOOLED_IN_MEMORY: usize = 1 << 20;

/// Keeps a stream, so that it can be read twice.
pub(crate) fn spool(mut input: impl Read) -> Result<Store, Error> {
    let mut kept = SpooledTempFile::new(SPOOLED_IN_MEMORY);
    std::io::copy(&mut input, &mut kept).map_err(unreadable)?;
    kept_in(kept)
}

pub(crate) fn kept_in(kept: SpooledTempFile) -> Result<Store, Error> {
    match kept.into_inner() {
        SpooledData::InMemory(bytes) => Ok(Store::of_bytes(bytes.into_inner())),
        SpooledData::OnDisk(file) => Store::of_file(file),
    }
}
