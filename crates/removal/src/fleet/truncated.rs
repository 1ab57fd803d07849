//! A law of log removal per pass, cut where removal per pass would pass 1.

use drydown_stats::mixed::Predicted;

/// Quantile of exp(X) given X < 0, X as predicted; p in 0..1.
///
/// Where next to nothing of the law lies below 1 (volumes wrong all over), the answer sits just below 1.
pub(super) fn quantile_below_one(law: &Predicted, p: f64) -> f64 {
    const MOST: f64 = 0.999;
    let below = law.cdf(0.0);
    if below < 1e-6 {
        return MOST;
    }
    let value = law.quantile(p * below).exp();
    if value.is_finite() {
        value.min(MOST)
    } else {
        MOST
    }
}
