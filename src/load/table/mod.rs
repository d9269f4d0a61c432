//! How a table is built: its header, its columns and what they are taken for.

pub(crate) mod body;
pub(crate) mod columns;
pub(crate) mod kinds;
pub(crate) mod labels;
pub(crate) mod layout;
pub(crate) mod names;
pub(crate) mod probe;
pub(crate) mod refusal;
pub(crate) mod roles;
pub(crate) mod time_claims;
pub(crate) mod understanding;
