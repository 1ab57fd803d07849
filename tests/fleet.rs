//! The real binary at work.
