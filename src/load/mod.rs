//! Reading captures: text tables as any instrument, logger, meter or spreadsheet writes them, and WAV
//! recordings.
//!
//! [`open()`] takes a path, [`read()`] a stream, [`bytes()`] bytes: each gives sources that are read block by block.
//! [`load()`] reads a file into memory.
//!
//! A text table is understood from its own front: character encoding, delimiter and decimal mark from
//! the rows of numbers, names and units from the header, rate, range, coupling and scale from the
//! preamble's general words. Nothing depends on who wrote the file.
//!
//! Rules that decide where a file leaves room:
//! - The rate: the user's option, else the time column, else the preamble; a preamble that agrees with a
//!   coarse time column is the more precise.
//! - A stamp may lie half a sample interval off the even grid (beyond its own rounding) before reading
//!   stops; gaps of whole intervals are filled with missing samples, up to a tenth of the rows so far.
//! - Converter counts become volts as `(count - reference) * scale + offset`.
//! - The same names again, the time running on, are the head of a page; else a second record begins. Files of
//!   more than 32 MiB are not searched for further records.
//! - A prefix without its unit (`134.5m`) scales the number; units in the cells count row by row.
//! - Closing words and figures are left out, many of them with a warning that counts them; words with rows
//!   behind them are a fault, and so are rows that another mark parts than the rest.
//! - A column is a time base because a word or a unit in its own place says so; `x`, `t` and a name that ends
//!   in a unit of time must run on as times do.
//! - Lines of more than 16 MiB are refused, rates out of 1e-6 to 1e12 Hz likewise. Memory follows what is
//!   there, never what a header claims.
//! - Marks between thousands are read where the table cannot be read without them; where commas serve both
//!   as those and as delimiter the table is refused.

#[cfg(all(feature = "text", feature = "parallel"))]
mod ahead;
#[cfg(feature = "text")]
mod captures;
#[cfg(feature = "text")]
mod explanation;
#[cfg(feature = "files")]
mod folder;
mod open;
mod options;
mod origin;
#[cfg(feature = "text")]
mod preamble;
#[cfg(feature = "text")]
mod rows;
#[cfg(feature = "text")]
mod shown;
mod sniffing;
mod store;
#[cfg(feature = "text")]
mod table;
#[cfg(feature = "text")]
mod text;
#[cfg(feature = "text")]
mod text_capture;
#[cfg(feature = "text")]
mod time;
#[cfg(feature = "text")]
mod transposed;
mod unit;
#[cfg(feature = "text")]
mod value;
#[cfg(feature = "text")]
mod vocabulary;
#[cfg(feature = "wav")]
mod wav;

#[cfg(feature = "text")]
pub use explanation::Explanation;
#[cfg(feature = "files")]
pub use folder::find_captures;
#[cfg(feature = "files")]
pub(crate) use folder::names_capture;
#[cfg(feature = "text")]
pub use open::explain;
pub use open::{bytes, load, open, read};
pub use options::LoadOptions;
