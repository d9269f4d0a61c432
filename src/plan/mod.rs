//! Planning.
