//! The test report of a bench session: one page as HTML, Markdown or JSON.
//!
//! The page is built once ([`Page`]); the formats only dress it. Everything that comes from files
//! is escaped, and the HTML loads nothing from outside.

mod captures;
mod document;
mod escape;
mod instrument;
mod json;
mod lines;
mod method;
mod outlook;
mod pictures;
mod summary;
mod tables;
#[cfg(test)]
mod whole_session;

pub use document::Page;
pub(crate) use escape::{HtmlEscaper, MarkdownEscaper};
pub use json::write_json;
