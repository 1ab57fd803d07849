//! What may lift a base beside lost speed once its own chart raised an alert: leaks, clearances, water.

use crate::base_filter::{Extra, LEAK_WANDER_KPA, SMOOTH_KPA, WET_WANDER_KPA, What};
use crate::base_path::{Question, Wet};
use crate::leak_back::LEAST_LOST;

/// How likely beforehand once the base's chart raised an alert: a leak, water in what seals the pump,
/// clearances that open by the days (common practice). Beside a fall of speed, which says what they do:
const BESIDE_WEAR: [f64; 3] = [0.12, 0.05, 0.05];
/// … where starts show that the speed has not fallen;
const SPEED_STANDS: [f64; 3] = [0.5, 0.25, 0.07];
/// … the like of a pump whose gas slips back through clearances that nothing seals: its base goes first;
const SPEED_STANDS_SLIPS: [f64; 3] = [0.4, 0.0, 0.35];
/// … and where no start shows the speed, and wear is seen by the base alone.
const SPEED_UNSEEN: [f64; 3] = [0.35, 0.2, 0.35];
/// Water in the oil gathers by so much a day, kPa at 40 °C: mean and standard deviation (common practice).
const GATHERS_KPA: (f64, f64) = (0.1, 0.1);
/// Days in which a pump that works warm, its gas ballast open, has dried its oil to 1/e: some tens of hours of
/// work (common practice).
const DRIES_DAYS: f64 = 4.0;
/// Size of a leak that comes at once, kPa at the sound speed, standard deviation (common practice).
const STEP_KPA: f64 = 5.0;

/// Days before the base's alert on which a growth may have begun (the slower at first, the later it is
/// seen), and the wander of a leak that did, kPa after a day.
const BEFORE: [(f64, f64); 4] = [
    (90.0, SMOOTH_KPA),
    (45.0, LEAK_WANDER_KPA),
    (15.0, SMOOTH_KPA),
    (0.0, LEAK_WANDER_KPA),
];

/// How water comes into the oil: days before the alert, size at once, kPa, pace, wander, how likely, days in
/// which it dries. At once, and for long or until the warm pump has dried its oil again; day by day; or ever slower
/// until the oil is as wet as it gets.
type Course = (f64, f64, f64, f64, f64, Option<f64>);
const OIL_COURSES: [Course; 4] = [
    (0.0, STEP_KPA, 1.0, WET_WANDER_KPA, 0.2, None),
    (0.0, STEP_KPA, 1.0, SMOOTH_KPA, 0.2, Some(DRIES_DAYS)),
    (20.0, 0.0, 1.0, WET_WANDER_KPA, 0.3, None),
    (20.0, 0.0, 0.5, SMOOTH_KPA, 0.3, None),
];
/// How seal water gets warm: its supply at once; a cooler day by day, or ever faster, for the saturation pressure
/// does.
const SEAL_COURSES: [Course; 4] = [
    (0.0, STEP_KPA, 1.0, WET_WANDER_KPA, 0.2, None),
    (0.0, STEP_KPA, 1.0, SMOOTH_KPA, 0.3, None),
    (20.0, 0.0, 1.0, WET_WANDER_KPA, 0.2, None),
    (45.0, 0.0, 2.0, WET_WANDER_KPA, 0.3, None),
];

/// Leaks, clearances and water that the base's own alert may mean.
pub(crate) fn extras(ask: &Question<'_>, lost_now: f64, logged: bool) -> Vec<Extra> {
    let mut extras = Vec::new();
    let Some(onset) = ask.base_onset else {
        return extras;
    };
    let [leaks, wets, clearances] = match (lost_now > 0.05, ask.speed_seen) {
        (true, _) => BESIDE_WEAR,
        (false, true) if ask.slips => SPEED_STANDS_SLIPS,
        (false, true) => SPEED_STANDS,
        (false, false) => SPEED_UNSEEN,
    };
    let mut extra = |extra: Extra| extras.push(extra);
    let leak = |since: f64, step_sd: f64, growth, pace: f64, share: f64| Extra {
        what: What::Leak,
        with_saturation: false,
        goes_with_oil: false,
        since,
        step_sd,
        growth,
        pace,
        wander_kpa: LEAK_WANDER_KPA,
        dries_days: None,
        prior: leaks * share,
    };
    extra(leak(onset, STEP_KPA, None, 1.0, 0.1));
    // A hole that stays as it is.
    extra(Extra {
        wander_kpa: SMOOTH_KPA,
        ..leak(onset, STEP_KPA, None, 1.0, 0.1)
    });
    extra(leak(onset, STEP_KPA, Some(ask.growth), 1.0, 0.3));
    let each = 1.0 / BEFORE.len() as f64;
    // Each leak beside lost speed costs a course for every law of leak-back: the later ones will do there.
    let left_out = if lost_now > LEAST_LOST { 2 } else { 0 };
    let growth = Some(ask.growth);
    for (n, (before, wander_kpa)) in BEFORE.into_iter().enumerate() {
        let grows = |pace: f64, share: f64| Extra {
            wander_kpa,
            ..leak(onset - before, 0.0, growth, pace, share * each)
        };
        if n >= left_out {
            let each = BEFORE.len() as f64 / (BEFORE.len() - left_out) as f64;
            for (pace, share) in [(0.4, 0.13), (1.0, 0.25), (2.0, 0.12)] {
                extra(grows(pace, share * each));
            }
        }
        for (pace, share) in [(1.5, 0.3), (2.0, 0.4), (3.0, 0.3)] {
            extra(Extra {
                what: What::Clearance,
                wander_kpa: SMOOTH_KPA,
                prior: clearances * share * each,
                ..grows(pace, share)
            });
        }
    }
    let Some(wet) = ask.wet else {
        return extras;
    };
    // Where the pump's temperature is logged, water mostly goes with it.
    let steady = if logged { 0.2 } else { 1.0 };
    for (with_saturation, share) in [(true, 1.0 - steady), (false, steady)] {
        if share <= 0.0 {
            continue;
        }
        let courses = match wet {
            Wet::Oil => OIL_COURSES,
            Wet::Seal => SEAL_COURSES,
        };
        for (before, step_sd, pace, wander_kpa, part, dries_days) in courses {
            extra(Extra {
                what: What::Wet,
                with_saturation,
                goes_with_oil: wet == Wet::Oil,
                since: onset - before,
                step_sd,
                growth: Some(GATHERS_KPA).filter(|_| step_sd <= 0.0),
                pace,
                wander_kpa,
                dries_days,
                prior: wets * share * part,
            });
        }
    }
    extras
}
