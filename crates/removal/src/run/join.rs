//! One answer from fits of several laws that nothing tells apart.

use super::fit::{Fit, hold_rate};

/// Joins finished fits of laws that nothing tells apart: the first one's curve at the mean of their rates by the shares,
/// with an interval that holds all of theirs. None without any.
pub(super) fn join<'a>(fits: Vec<(Fit<'a>, f64)>) -> Option<Fit<'a>> {
    let rate = |fit: &Fit<'_>| fit.theta.first().copied().unwrap_or(0.0);
    let ln_rate: f64 = fits.iter().map(|(fit, share)| share * rate(fit)).sum();
    let least = |a: Option<f64>, b: Option<f64>| Some(a?.min(b?));
    let most = |a: Option<f64>, b: Option<f64>| Some(a?.max(b?));
    let mut fits = fits.into_iter();
    let (mut joined, _) = fits.next()?;
    let first = joined.model.shape;
    for (fit, share) in fits {
        // A run that cannot have one of the laws has the other twice.
        if fit.model.shape == first {
            continue;
        }
        let apart = rate(&fit) - rate(&joined);
        joined.ln_rate_lower = least(joined.ln_rate_lower, fit.ln_rate_lower);
        joined.ln_rate_upper = most(joined.ln_rate_upper, fit.ln_rate_upper);
        joined.ln_rate_se = most(joined.ln_rate_se, fit.ln_rate_se)
            .map(|se| se.hypot(apart * (share * (1.0 - share)).sqrt()));
        joined.ln_end_sd = None;
        joined.joined.push(fit.model.shape);
    }
    if !joined.joined.is_empty() {
        hold_rate(&mut joined, ln_rate.exp());
    }
    Some(joined)
}
