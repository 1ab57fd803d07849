//! Manners in which wear goes on: on which clock, and of what it takes.
//!
//! Wear may take the same share of what is left of the speed each day, or the same volume flow: what leaks back
//! through a clearance goes with its width and is taken off the speed, so that a clearance that opens steadily
//! leaves an ever larger share of less and less (slip flow, textbook). Either may gain pace with the days.

/// Days after the onset by which the fall of a day is meant: the pace there does not hang on the clock.
const CLOCK_DAYS: f64 = 100.0;
/// Less than this share of what was left is not looked at: the pump has stopped.
const STOPPED_SHARE: f64 = 0.02;

/// Clock of a drift, by days since the onset.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Clock {
    /// Days to this power.
    Power(f64),
    /// Days that grow by e in so many: wear that feeds on itself.
    Growing(f64),
}

/// How wear goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pace {
    clock: Clock,
    /// The fall is a volume flow, as a share of the sound pump's, and not a share of what is left.
    by_flow: bool,
}

/// How many manners there are.
pub(crate) const MANNERS: usize = 8;
/// Steadily, by a power of the days, ever faster by a share of itself, by fits and starts; and the speed itself,
/// steadily and by a power of the days.
pub(crate) const PACES: [Pace; MANNERS] = [
    Pace::STEADY,
    Pace::share(Clock::Power(1.5)),
    Pace::share(Clock::Power(2.0)),
    Pace::share(Clock::Growing(100.0)),
    Pace::share(Clock::Growing(45.0)),
    Pace::STEADY,
    Pace::flow(Clock::Power(1.0)),
    Pace::flow(Clock::Power(2.0)),
];
/// The manner by fits and starts.
pub(crate) const WANDERS: usize = 5;
/// How likely they are before a fleet has shown its own (common practice, no source: most wear is steady, by a
/// share more often than by a flow).
pub(crate) const BY_MANNER: [f64; MANNERS] = [0.58, 0.12, 0.04, 0.05, 0.03, 0.04, 0.09, 0.05];

impl Pace {
    pub(crate) const STEADY: Self = Self::share(Clock::Power(1.0));

    const fn share(clock: Clock) -> Self {
        let by_flow = false;
        Self { clock, by_flow }
    }

    const fn flow(clock: Clock) -> Self {
        let by_flow = true;
        Self { clock, by_flow }
    }

    /// Days of the clock between two days, since an onset.
    pub(crate) fn days(self, onset: Option<f64>, from: f64, to: f64) -> f64 {
        let Some(onset) = onset.filter(|_| self.clock != Clock::Power(1.0)) else {
            return to - from;
        };
        let at = |day: f64| {
            let days = (day - onset).max(0.0);
            CLOCK_DAYS
                * match self.clock {
                    Clock::Power(beta) => (days / CLOCK_DAYS).powf(beta),
                    Clock::Growing(by) => (days / by).exp_m1() / (CLOCK_DAYS / by).exp_m1(),
                }
        };
        at(to) - at(from)
    }

    /// ln speed lost over so many days of the clock (fewer than none: before), by a fall per day of it, from where
    /// the pump has a share `left` of its sound speed.
    pub(crate) fn lost(self, fall: f64, days: f64, left: f64) -> f64 {
        if !self.by_flow {
            return fall * days;
        }
        -(1.0 - fall * days / left).max(STOPPED_SHARE).ln()
    }

    /// Days of a steady clock that lose as much.
    pub(crate) fn drift_days(self, fall: f64, days: f64, left: f64) -> f64 {
        if !self.by_flow {
            return days;
        }
        if fall.abs() < 1e-9 {
            return days / left;
        }
        self.lost(fall, days, left) / fall
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flow_lost_steadily_takes_ever_more_of_what_is_left() {
        let [flow, gaining] = [PACES[6], PACES[7]];
        // A hundredth of the sound flow a day: from the whole to a half in 50 days, to a quarter in 25 more.
        assert!((flow.lost(0.01, 50.0, 1.0) - 2f64.ln()).abs() < 1e-12);
        assert!((flow.lost(0.01, 25.0, 0.5) - 2f64.ln()).abs() < 1e-12);
        // And back.
        assert!((flow.lost(0.01, -50.0, 0.5) + 2f64.ln()).abs() < 1e-12);
        // No pump loses more than it has.
        assert!((flow.lost(0.01, 200.0, 0.5) + STOPPED_SHARE.ln()).abs() < 1e-12);
        let days = flow.drift_days(0.01, 50.0, 1.0);
        assert!((0.01 * days - flow.lost(0.01, 50.0, 1.0)).abs() < 1e-12);
        assert!((flow.drift_days(0.0, 10.0, 0.5) - 20.0).abs() < 1e-9);
        // The clocks agree a hundred days after the onset.
        for pace in PACES {
            assert!((pace.days(Some(3.0), 3.0, 103.0) - 100.0).abs() < 1e-9);
        }
        assert!((gaining.days(Some(0.0), 0.0, 50.0) - 25.0).abs() < 1e-9);
        assert!((BY_MANNER.iter().sum::<f64>() - 1.0).abs() < 1e-9);
    }
}
