//! See the crate list in DEVELOPERS.md.
