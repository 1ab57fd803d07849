//! Whether a run's residuals look like the errors that its model speaks of.

use drydown_stats::residuals::{
    Normality, Outlying, Portmanteau, SignRuns, anderson_darling, ljung_box, outlying, sign_runs,
};
use drydown_stats::trend::{MannKendall, mann_kendall};

/// Fewer residuals than this are not checked: the tests' large-sample laws do not hold for them.
const N_MIN: usize = 12;
/// Residuals further than this from zero count as outlying.
const FAR: f64 = 3.0;
/// A chance below this is worth a word: of 150 simulated sound runs 4 got a word.
const SMALL: f64 = 0.01;

/// Checks of the innovations of a fit: standard normal and independent if the model holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResidualChecks {
    /// Residuals checked.
    pub n: usize,
    /// Memory left over (Ljung & Box 1978); its `lag_one` is the autocorrelation at lag one.
    pub memory: Portmanteau,
    /// Stretches on one side of the curve (Wald & Wolfowitz 1940).
    pub sides: SignRuns,
    /// Trend in time (Mann 1945, Kendall 1975).
    pub trend: MannKendall,
    /// Normality (Anderson & Darling; Stephens 1974).
    pub normality: Normality,
    /// Residuals beyond three standard deviations against the normal law's 0.27 % (binomial tail).
    pub outlying: Outlying,
}

impl ResidualChecks {
    /// What is odd, in a few words each; empty where the residuals look as they should (each test at 1 %).
    #[must_use]
    pub fn odd(&self) -> Vec<&'static str> {
        [
            (self.memory.p_value, "residuals remember each other"),
            (
                self.sides.p_value,
                "residuals stay on one side of the curve, or change sides, too often",
            ),
            (self.trend.p_value, "residuals have a trend in time"),
            (self.normality.p_value, "residuals are not normal"),
            (self.outlying.p_value, "too many residuals lie far out"),
        ]
        .into_iter()
        .filter(|(p_value, _)| *p_value < SMALL)
        .map(|(_, words)| words)
        .collect()
    }
}

/// Checks innovations in time order; None where they are too few.
pub(super) fn check_residuals(innovations: &[f64]) -> Option<ResidualChecks> {
    if innovations.len() < N_MIN {
        return None;
    }
    let n_lags = (innovations.len() / 4).clamp(2, 5);
    Some(ResidualChecks {
        n: innovations.len(),
        // The errors' memory was fitted to the same values.
        memory: ljung_box(innovations, n_lags, 1).ok()?,
        sides: sign_runs(innovations, 0.0).ok()?,
        trend: mann_kendall(innovations).ok()?,
        normality: anderson_darling(innovations).ok()?,
        outlying: outlying(innovations, FAR).ok()?,
    })
}
