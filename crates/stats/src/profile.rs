//! Profile-likelihood interval of one value of interest.
//!
//! The interval is where minus twice the profiled log-likelihood lies less than a chi-square(1)
//! quantile above its minimum (Venzon & Moolgavkar 1988; Bates & Watts 1988). An end that is not
//! reached within the bounds is open, and is reported so.

use crate::normal::chi_square_quantile;
use crate::optimise::{brent_minimum, brent_root, expand_bracket};
use drydown_quantity::Interval;

/// A profile interval; an end is None where the likelihood never falls far enough (open).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProfileInterval {
    /// Probability content, 0 to 1.
    pub level: f64,
    /// Position of the minimum used, which may be better than the one handed in.
    pub at: f64,
    /// Lower end; None where open.
    pub lower: Option<f64>,
    /// Upper end; None where open.
    pub upper: Option<f64>,
}

impl ProfileInterval {
    /// As an interval whose open ends are infinite.
    #[must_use]
    pub fn interval(&self) -> Interval {
        Interval::new(
            self.level,
            self.lower.unwrap_or(f64::NEG_INFINITY),
            self.upper.unwrap_or(f64::INFINITY),
        )
    }

    /// Whether both ends are closed.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.lower.is_some() && self.upper.is_some()
    }

    /// Width over twice the normal quantile: a standard error from a closed interval, else None.
    #[must_use]
    pub fn standard_error(&self) -> Option<f64> {
        let z = crate::normal::quantile(0.5 + 0.5 * self.level);
        Some((self.upper? - self.lower?) / (2.0 * z))
    }
}

/// Where to look for the ends of a profile interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProfileSearch {
    /// Position of the minimum.
    pub at: f64,
    /// First step away from it (a guess of the standard error).
    pub step: f64,
    /// Furthest values considered; an end beyond them is open.
    pub bounds: (f64, f64),
    /// Probability content, 0 to 1.
    pub level: f64,
}

/// Interval from `objective`, minus twice the log-likelihood with everything else maximised out.
///
/// The minimum is refined near `search.at` first: a profile that starts from a poor optimum would
/// give ends that are too narrow.
#[must_use]
pub fn profile_interval(objective: impl Fn(f64) -> f64, search: &ProfileSearch) -> ProfileInterval {
    profile_interval_cut(objective, search, chi_square_quantile(search.level, 1.0))
}

/// As `profile_interval`, with the height of the cut given (for F-based intervals of least squares).
#[must_use]
pub fn profile_interval_cut(
    objective: impl Fn(f64) -> f64,
    search: &ProfileSearch,
    cut: f64,
) -> ProfileInterval {
    let step = if search.step > 0.0 && search.step.is_finite() {
        search.step
    } else {
        1e-3
    };
    let (low, high) = search.bounds;
    let near = ((search.at - step).max(low), (search.at + step).min(high));
    let given = objective(search.at);
    let (refined, value) = brent_minimum(&objective, near.0, near.1, 1e-7 * step);
    let (at, minimum) = if value < given {
        (refined, value)
    } else {
        (search.at, given)
    };
    let above = |x: f64| objective(x) - minimum - cut;
    let find = |direction: f64, limit: f64| {
        let stride = direction * step * cut.max(0.01).sqrt();
        let (inside, outside) = expand_bracket(above, at, stride, limit)?;
        brent_root(above, inside, outside, 1e-9 * step)
    };
    ProfileInterval {
        level: search.level,
        at,
        lower: find(-1.0, low),
        upper: find(1.0, high),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn search(bounds: (f64, f64)) -> ProfileSearch {
        ProfileSearch {
            at: 1.0,
            step: 0.5,
            bounds,
            level: 0.9,
        }
    }

    #[test]
    fn a_parabola_gives_the_normal_interval() {
        let p = profile_interval(|x| ((x - 1.0) / 0.5).powi(2), &search((-100.0, 100.0)));
        let half = 0.5 * 1.644_853_626_951_472_6;
        assert!((p.lower.unwrap() - (1.0 - half)).abs() < 1e-8);
        assert!((p.upper.unwrap() - (1.0 + half)).abs() < 1e-8);
        assert!((p.standard_error().unwrap() - 0.5).abs() < 1e-8 && p.is_closed());
    }

    #[test]
    fn open_ends_stay_open() {
        let p = profile_interval(
            |x| 2.0 * (1.0 - (-(x - 1.0).abs()).exp()) * if x > 1.0 { 1.0 } else { 5.0 },
            &search((-50.0, 50.0)),
        );
        assert!(p.lower.is_some() && p.upper.is_none() && p.standard_error().is_none());
        assert!(p.interval().upper.is_infinite());
    }

    #[test]
    fn a_poor_start_is_improved() {
        let p = profile_interval(|x| (x - 1.2).powi(2), &search((-9.0, 9.0)));
        assert!((p.at - 1.2).abs() < 1e-4 && p.interval().contains(1.2));
    }

    #[test]
    fn undefined_far_regions_leave_the_end_open() {
        let p = profile_interval(
            |x| if x > 1.5 { f64::NAN } else { (x - 1.0).powi(2) },
            &search((-9.0, 9.0)),
        );
        assert!(p.upper.is_none() && p.lower.is_some());
    }
}
