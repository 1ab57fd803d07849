//! See the crates.
