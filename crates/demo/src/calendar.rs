//! The fleet's calendar in seconds since the epoch; it ends at 2026-10-01T00:00Z.

use drydown_quantity::{Day, Stamp};

/// Days after the end for which the future without any unit is worked out.
pub(crate) const HORIZON_DAYS: usize = 60;

pub(crate) const HOUR: i64 = 3600;
pub(crate) const DAY: i64 = 24 * HOUR;

/// The months of history.
#[derive(Clone, Debug)]
pub(crate) struct Calendar {
    pub(crate) start: i64,
    pub(crate) end: i64,
    /// Start of each month, and the end.
    pub(crate) months: Vec<i64>,
}

impl Calendar {
    pub(crate) fn new(n_months: usize) -> Self {
        let (end_year, end_month) = (2026_i64, 10_i64);
        let months: Vec<i64> = (0..=n_months as i64)
            .rev()
            .map(|back| {
                let number = end_year * 12 + (end_month - 1) - back;
                let (year, month) = (number.div_euclid(12), number.rem_euclid(12) + 1);
                seconds(Day::from_civil(year as i16, month as i8, 1).start())
            })
            .collect();
        let end = months.last().copied().unwrap_or(0);
        Self {
            start: months.first().copied().unwrap_or(end),
            end,
            months,
        }
    }

    /// Whole days from the start to the end of the horizon, and one to spare.
    pub(crate) fn days_with_horizon(&self) -> usize {
        ((self.end - self.start) / DAY) as usize + HORIZON_DAYS + 1
    }

    /// Day number since the start, never below zero.
    pub(crate) fn day_of(&self, at: i64) -> usize {
        ((at - self.start).max(0) / DAY) as usize
    }

    pub(crate) fn years(&self) -> f64 {
        (self.end - self.start) as f64 / DAY as f64 / 365.25
    }
}

/// Seconds since the epoch.
pub(crate) fn seconds(stamp: Stamp) -> i64 {
    stamp.micros().div_euclid(1_000_000)
}

/// A stamp from seconds since the epoch.
pub(crate) const fn stamp(at: i64) -> Stamp {
    Stamp::from_seconds(at)
}

/// Phase of the year as an angle: 0 in mid January, π in mid July.
pub(crate) fn season_angle(at: i64) -> f64 {
    // The epoch is a 1 January; mid January is a fortnight on.
    (at as f64 / DAY as f64 - 14.5) / 365.2425 * std::f64::consts::TAU
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eighteen_months_before_october_is_april_of_the_year_before() {
        let calendar = Calendar::new(18);
        assert_eq!(stamp(calendar.start).rfc3339(), "2025-04-01T00:00:00Z");
        assert_eq!(stamp(calendar.end).rfc3339(), "2026-10-01T00:00:00Z");
        assert_eq!(calendar.months.len(), 19);
    }
}
