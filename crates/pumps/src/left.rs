//! When a pump's limit is passed, as that stands at a time after the run that was judged.
//!
//! `days_to_limit` runs from a row's own `at`. The laws of speed and leak go by the calendar, with the work that
//! the unit has had of late: a day between two runs counts like any other. So what is left at a later time is less
//! by the days gone by, whether or not the unit ran, and the dates stay what they were. A unit that stood idle wears
//! less than that: the dates then lie on the early side, which is the safe one.

use std::fmt::Write as _;

use drydown_quantity::Stamp;

use crate::{DaysStatus, PumpHealth};

/// Days to the limit below which it counts as passed.
const PASSED_DAYS: f64 = 1.0;
/// Days past which a row names none.
const BEYOND_DAYS: f64 = 365.0;

/// Where a pump stands against its limit at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitStanding {
    /// At the run that was judged it could no longer hold it.
    Passed,
    /// The date by which it is passed in 9 of 10 cases is over: probably passed since that run.
    PassedSince,
    /// The date of even odds is over: more likely than not passed since that run.
    LikelySince,
    /// The odds are below even that it is passed.
    Ahead,
    /// The row names no day at all.
    NoDay(DaysStatus),
}

/// The limit of one pump, by the row of its latest run, at a later time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitOutlook {
    /// See there.
    pub standing: LimitStanding,
    /// Days from the later time by which it is passed in 1 of 10 cases; 0 where that date is over, None where it lies
    /// past what the row foretells.
    pub p10: Option<f64>,
    /// In half of them.
    pub p50: Option<f64>,
    /// In 9 of 10.
    pub p90: Option<f64>,
    /// The date of `p10`, which does not move while no run comes.
    pub p10_at: Option<Stamp>,
    /// The date of `p50`.
    pub p50_at: Option<Stamp>,
    /// The date of `p90`.
    pub p90_at: Option<Stamp>,
    /// The run that was judged.
    pub seen_at: Stamp,
    as_of: Stamp,
}

impl PumpHealth {
    /// When the limit is passed as it stands at `as_of`, which is not before the row's own `at`.
    #[must_use]
    pub fn limit_as_of(&self, as_of: Stamp) -> LimitOutlook {
        let gone = as_of.days_after(self.at).max(0.0);
        let left = |days: Option<f64>| days.map(|days| (days - gone).max(0.0));
        let date = |days: Option<f64>| days.map(|days| self.at.plus_days(days));
        let [p10, p50, p90] = [
            self.days_to_limit_p10,
            self.days_to_limit_p50,
            self.days_to_limit_p90,
        ];
        let is_over = |days: Option<f64>| days.is_some_and(|days| days <= gone);
        let standing = match (p10, p50, p90) {
            (None, None, None) => LimitStanding::NoDay(self.days_to_limit_status),
            (_, Some(middle), _) if middle < PASSED_DAYS => LimitStanding::Passed,
            _ if is_over(p90) => LimitStanding::PassedSince,
            _ if is_over(p50) => LimitStanding::LikelySince,
            _ => LimitStanding::Ahead,
        };
        LimitOutlook {
            standing,
            p10: left(p10),
            p50: left(p50),
            p90: left(p90),
            p10_at: date(p10),
            p50_at: date(p50),
            p90_at: date(p90),
            seen_at: self.at,
            as_of,
        }
    }
}

impl LimitOutlook {
    /// Whether it is passed by even odds at least, then or since.
    #[must_use]
    pub const fn is_passed(&self) -> bool {
        matches!(
            self.standing,
            LimitStanding::Passed | LimitStanding::PassedSince | LimitStanding::LikelySince
        )
    }

    /// The day up to which it holds in 9 of 10 cases at least, where that lies past what the row foretells; None else.
    #[must_use]
    pub fn not_before(&self) -> Option<Stamp> {
        (self.standing == LimitStanding::NoDay(DaysStatus::Beyond))
            .then(|| self.seen_at.plus_days(BEYOND_DAYS))
    }

    /// The dates, in words: `between 2026-10-29 and 2026-11-13 (1 in 10 sooner, 1 in 10 later; even odds by 2026-11-05)`.
    /// None where there are none.
    #[must_use]
    pub fn dates(&self) -> Option<String> {
        let is_open = |at: &Stamp| *at > self.as_of;
        let early = self.p10_at?;
        let mut text = match (is_open(&early), self.p90_at) {
            (true, Some(late)) => format!(
                "between {} and {} (1 in 10 sooner, 1 in 10 later",
                early.day(),
                late.day()
            ),
            (true, None) => format!("not before {} (1 in 10 sooner", early.day()),
            (false, Some(late)) => format!("by {} (1 in 10 later", late.day()),
            (false, None) => format!("from {} on (1 in 10 sooner", early.day()),
        };
        if let Some(middle) = self.p50_at {
            // Writing to a String cannot fail.
            let _ = write!(text, "; even odds by {}", middle.day());
        }
        text.push(')');
        Some(text)
    }

    /// Days from then, before the dates.
    fn days(&self) -> Option<String> {
        let early = self.p10?;
        Some(match self.p90 {
            _ if early <= 0.0 => "any day now, ".to_owned(),
            Some(late) => format!("in {early:.0} to {late:.0} days, "),
            None => format!("in {early:.0} days or later, "),
        })
    }

    /// When it can no longer hold its limit, as the end of a sentence on the pump; None where nothing is foretold.
    ///
    /// `it can no longer hold the limit`, `it ceases to hold the limit in 28 to 68 days, between …`, ….
    #[must_use]
    pub fn said(&self) -> Option<String> {
        let seen = self.seen_at.day();
        match self.standing {
            LimitStanding::Passed => Some("it can no longer hold the limit".to_owned()),
            LimitStanding::PassedSince => Some(format!(
                "it has probably passed the limit since its run of {seen} (1 in 10 that it has not)"
            )),
            LimitStanding::LikelySince => Some(format!(
                "it has more likely than not passed the limit since its run of {seen}: {}",
                self.dates()?
            )),
            LimitStanding::Ahead => Some(format!(
                "it ceases to hold the limit {}{}",
                self.days()?,
                self.dates()?,
            )),
            LimitStanding::NoDay(DaysStatus::Beyond) => Some(format!(
                "it holds the limit until {} at least (1 in 10 sooner)",
                self.not_before()?.day()
            )),
            LimitStanding::NoDay(DaysStatus::Unjudged) => {
                Some("how long it will hold the limit is not known".to_owned())
            }
            LimitStanding::NoDay(DaysStatus::Within | DaysStatus::NotDegrading) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::PumpState;

    fn row(days: [Option<f64>; 3], status: DaysStatus) -> PumpHealth {
        PumpHealth {
            run_id: "U-1@20260830T000000Z".into(),
            unit_id: "U-1".into(),
            at: "2026-08-30".parse().unwrap(),
            indicator: None,
            expected: None,
            lower_90: None,
            upper_90: None,
            state: PumpState::Alert,
            cause: None,
            cause_probability: None,
            days_to_limit_p10: days[0],
            days_to_limit_p50: days[1],
            days_to_limit_p90: days[2],
            days_to_limit_status: status,
            onset_at: None,
            gauge_off_kpa: None,
            gauge_off_since_at: None,
            evidence: String::new(),
        }
    }

    #[track_caller]
    fn check(days: [Option<f64>; 3], as_of: &str, left: [Option<f64>; 3], said: &str) {
        let found = row(days, DaysStatus::Within).limit_as_of(as_of.parse().unwrap());
        assert_eq!([found.p10, found.p50, found.p90], left, "{as_of}");
        assert_eq!(found.said().as_deref(), Some(said), "{as_of}");
    }

    #[test]
    fn days_left_go_down_and_the_dates_stay() {
        let days = [Some(60.0), Some(75.0), Some(100.0)];
        let said = |days: &str| {
            format!(
                "it ceases to hold the limit in {days} days, between 2026-10-29 and 2026-12-08 (1 in 10 sooner, 1 in 10 later; even odds by 2026-11-13)"
            )
        };
        check(days, "2026-08-30", days, &said("60 to 100"));
        let left = [Some(28.0), Some(43.0), Some(68.0)];
        check(days, "2026-10-01", left, &said("28 to 68"));
        check(
            days,
            "2026-11-03",
            [Some(0.0), Some(10.0), Some(35.0)],
            "it ceases to hold the limit any day now, by 2026-12-08 (1 in 10 later; even odds by 2026-11-13)",
        );
        check(
            days,
            "2026-11-20",
            [Some(0.0), Some(0.0), Some(18.0)],
            "it has more likely than not passed the limit since its run of 2026-08-30: by 2026-12-08 (1 in 10 later; even odds by 2026-11-13)",
        );
        check(
            days,
            "2026-12-08",
            [Some(0.0); 3],
            "it has probably passed the limit since its run of 2026-08-30 (1 in 10 that it has not)",
        );
        check(
            [Some(0.0), Some(0.0), Some(3.0)],
            "2026-12-08",
            [Some(0.0); 3],
            "it can no longer hold the limit",
        );
    }

    #[test]
    fn what_lies_past_a_year_has_no_date() {
        let days = [Some(300.0), None, None];
        let said = "it ceases to hold the limit in 268 days or later, not before 2027-06-26 (1 in 10 sooner)";
        check(days, "2026-10-01", [Some(268.0), None, None], said);
        let as_of: Stamp = "2026-10-01".parse().unwrap();
        let none = [None; 3];
        for (status, said) in [
            (
                DaysStatus::Beyond,
                Some("it holds the limit until 2027-08-30 at least (1 in 10 sooner)"),
            ),
            (DaysStatus::NotDegrading, None),
            (
                DaysStatus::Unjudged,
                Some("how long it will hold the limit is not known"),
            ),
        ] {
            let found = row(none, status).limit_as_of(as_of);
            assert_eq!(found.standing, LimitStanding::NoDay(status));
            assert_eq!(found.said().as_deref(), said);
            assert!(!found.is_passed());
        }
    }
}
