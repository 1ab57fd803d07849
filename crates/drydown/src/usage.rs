//! The error of a command line that asks for something that cannot be done as written.

/// The command line asks for something that cannot be done as written. Exit status 2.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct UsageError(pub(crate) String);
