//! Minimisers and root finders for a handful of unknowns.
//!
//! Objectives may return NaN or infinity where they are not defined: such points count as infinitely bad.

mod derivatives;
mod levenberg;
mod quasi_newton;
mod scalar;
mod simplex;

pub use derivatives::{fine_gradient, gradient, hessian, inverse_positive};
pub use levenberg::{LmConfig, LmFit, levenberg_marquardt};
pub(crate) use quasi_newton::update_inverse;
pub use quasi_newton::{MinimiseConfig, Minimum, descend, minimise};
pub use scalar::{brent_minimum, brent_root, expand_bracket};
pub use simplex::{SimplexConfig, nelder_mead};

/// NaN counts as infinitely bad.
pub(crate) fn sane(value: f64) -> f64 {
    if value.is_nan() { f64::INFINITY } else { value }
}
