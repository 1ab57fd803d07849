//! Statistics on plain numbers: slices in, numbers out.
//!
//! Least squares, censored likelihood, profile intervals, crossed random effects with known
//! variances, state-space level and trend, control charts, first passage, checks of residuals, scores and
//! robust summaries. The crate knows no word of the trade it serves, reads no clock, and draws random
//! numbers only from a seed that is handed in.

#![allow(
    clippy::neg_cmp_op_on_partial_ord,
    clippy::nonminimal_bool,
    reason = "`!(x > 0.0)` is meant: it is true for NaN as well, which must be refused too"
)]
#![allow(
    clippy::needless_range_loop,
    reason = "matrix code reads best with the indices of its formulas"
)]

pub mod ar1;
pub mod cells;
pub mod censored;
pub mod cusum;
mod error;
pub mod kalman;
pub mod linear;
pub mod mixed;
pub mod normal;
pub mod optimise;
pub mod passage;
pub mod profile;
pub mod regress;
pub mod relaxation;
pub mod residuals;
pub mod rng;
pub mod robust;
pub mod scores;
pub mod survival;
pub mod trend;

pub use error::StatsError;
