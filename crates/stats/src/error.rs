//! Why a calculation could not be carried out.

/// The one error of this crate: the input cannot be worked on at all.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// Two inputs that must be equally long are not.
    #[error("{what}: expected {expected} values, found {found}")]
    Length {
        /// Which input.
        what: &'static str,
        /// Values needed.
        expected: usize,
        /// Values given.
        found: usize,
    },
    /// Not enough observations for the number of unknowns.
    #[error("too few observations: expected at least {needed}, found {found}")]
    TooFew {
        /// Observations needed.
        needed: usize,
        /// Observations given.
        found: usize,
    },
    /// The columns of a design repeat each other, so that the answer is not unique.
    #[error("column {column} of the design depends on the others")]
    RankDeficient {
        /// First column found to depend on those before it.
        column: usize,
    },
    /// A value that must be finite (or positive, or in range) is not.
    #[error("{what}: found {value}, which is out of range")]
    OutOfRange {
        /// Which input.
        what: &'static str,
        /// The value.
        value: f64,
    },
    /// An iteration did not come to an end.
    #[error("{what} did not converge in {iterations} iterations")]
    NotConverged {
        /// Which iteration.
        what: &'static str,
        /// Iterations spent.
        iterations: usize,
    },
    /// A library that carries the calculation refused it.
    #[error("{what}: {message}")]
    Library {
        /// Which calculation.
        what: &'static str,
        /// What the library said.
        message: String,
    },
}

/// Checks that two inputs are equally long.
pub(crate) fn check_length(
    what: &'static str,
    expected: usize,
    found: usize,
) -> Result<(), StatsError> {
    if expected == found {
        Ok(())
    } else {
        Err(StatsError::Length {
            what,
            expected,
            found,
        })
    }
}

/// Checks that all values are finite.
pub(crate) fn check_finite(what: &'static str, values: &[f64]) -> Result<(), StatsError> {
    match values.iter().find(|v| !v.is_finite()) {
        None => Ok(()),
        Some(&value) => Err(StatsError::OutOfRange { what, value }),
    }
}
