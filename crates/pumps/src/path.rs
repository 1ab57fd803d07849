//! How the speed of a failing pump has moved since its onset, and how it goes on.
//!
//! When it began, whether as a step or as a ramp, and whether it gains pace is not known: every
//! way is followed by a Kalman filter of its own from what the sound pump was, and weighs what its
//! likelihood says (Bayesian model averaging). A path's drift works on a clock of its own (`pace`), so that wear
//! may go steadily or ever faster; or it goes by fits and starts, and its level wanders by more. Which is likely
//! beforehand, the pumps of the fleet that have failed tell (empirical Bayes).

use crate::base_path::ln_evidence;
use crate::filter::{Filter, Spread};
use crate::monitor::{Monitor, days_of};
use crate::pace::{MANNERS, PACES, Pace, WANDERS};

/// Courses that are no ramp.
const STEP_GOES_ON: usize = MANNERS;
const STEP_STAYS: usize = MANNERS + 1;
const UNCHANGED_COURSE: usize = MANNERS + 2;
/// Wear that stops and goes on again is ahead of its steady course, or behind it, by the fall of so many days
/// in as many (common practice, no source).
const HALT_DAYS: f64 = 15.0;
/// Onsets looked at, days from the estimated one.
const ONSETS: [f64; 11] = [
    -60.0, -40.0, -25.0, -15.0, -7.0, 0.0, 7.0, 15.0, 25.0, 40.0, 60.0,
];
/// … and days before now, where none of those comes near: slow wear that raised the alert long ago may have turned
/// into failing since.
const LATE_ONSETS: [f64; 7] = [8.0, 15.0, 25.0, 40.0, 60.0, 90.0, 130.0];
/// How likely beforehand: a ramp, a step that then goes on, a step that stays.
const RAMP: f64 = 0.7;
const STEP_AND_RAMP: f64 = 0.1;
const STEP: f64 = 0.2;
/// … and no change at all, where the speed itself raised no alert.
const UNCHANGED: f64 = 0.8;
/// Size of a step of ln speed, standard deviation (common practice).
const STEP_SD: f64 = 0.3;
/// An observation counts up to this many standard deviations.
const MOST_Z: f64 = 3.5;
/// Paths less likely than this beside the best are left out.
const LEAST_WEIGHT: f64 = 1e-3;

/// One way in which ln speed may have come to where it is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Path {
    /// Probability.
    pub(crate) weight: f64,
    /// ln relative speed now and its fall per day of the clock: means, standard deviations, and
    /// the covariance of level and drift (which is minus the fall).
    pub(crate) level: (f64, f64),
    pub(crate) drift: (f64, f64),
    pub(crate) level_drift: f64,
    /// Level of the sound pump at the onset.
    pub(crate) sound: f64,
    /// Day of the onset; None where nothing has changed.
    pub(crate) onset: Option<f64>,
    /// Day that the path is told of.
    pub(crate) now: f64,
    /// Wander of the level after a day beyond that of sound pumps, standard deviation.
    pub(crate) wander_sd: f64,
    pace: Pace,
    /// What kind of course it is: a ramp's manner, else one of the numbers after those.
    pub(crate) course: usize,
    /// Which of the outlook's bases go with it.
    pub(crate) bases: usize,
}

impl Path {
    /// A speed that nothing was seen of but what sound pumps of its kind do: level and drift, each
    /// mean and standard deviation.
    pub(crate) fn unseen(level: (f64, f64), drift: (f64, f64), now: f64) -> Self {
        Self {
            weight: 1.0,
            level,
            drift,
            level_drift: 0.0,
            sound: level.0,
            onset: None,
            now,
            wander_sd: 0.0,
            pace: Pace::STEADY,
            course: UNCHANGED_COURSE,
            bases: 0,
        }
    }

    /// ln speed lost so many days from now by a fall per day of the clock, from a level of ln speed now.
    pub(crate) fn lost_ahead(&self, fall: f64, level: f64, days: f64) -> f64 {
        let days = self.pace.days(self.onset, self.now, self.now + days);
        self.pace.lost(fall, days, (level - self.sound).exp())
    }

    /// ln speed lost between a day since the onset and now, by the drift alone.
    pub(crate) fn lost_since(&self, day: f64) -> f64 {
        let from = self.onset.map_or(day, |onset| onset.max(day));
        let days = self.pace.days(self.onset, from, self.now);
        let left = (self.level.0 - self.sound).exp();
        -self.pace.lost(-self.drift.0, -days, left)
    }
}

/// How speeds move: of sound pumps, and the fall per day of failing ones (mean, standard deviation).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moves {
    pub(crate) sound: Spread,
    pub(crate) fall: (f64, f64),
    /// How likely each manner of wear is beforehand.
    pub(crate) by_manner: [f64; MANNERS],
}

/// What was known of a level before its first point: day, mean, standard deviation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Begin {
    pub(crate) day: f64,
    pub(crate) level: f64,
    pub(crate) level_sd: f64,
}

/// One ln speed: day, value, own standard error.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Point {
    pub(crate) day: f64,
    pub(crate) y: f64,
    pub(crate) se: f64,
}

/// The points of a speed under watch and where they begin.
pub(crate) fn points_of(monitor: &Monitor) -> (Begin, Vec<Point>) {
    let start = monitor.start();
    let begin = Begin {
        day: start.day,
        level: start.level,
        level_sd: start.level_sd,
    };
    let points = monitor.seen.iter().map(|seen| Point {
        day: days_of(seen.at),
        y: seen.y,
        se: seen.se,
    });
    (begin, points.collect())
}

/// Ways of a speed and how likely each kind of them makes what was seen.
#[derive(Clone, Debug, Default)]
pub(crate) struct SpeedWays {
    pub(crate) ways: Vec<Path>,
    /// Log likelihood of no change, a ramp, a step; None where that was not asked.
    pub(crate) ln_evidence: [Option<f64>; 3],
}

/// The ways in which a speed under watch may have come to where it is on a day, by weight. `onset` is
/// the estimated day of the change (None: none is asked for), `changed` whether the speed itself
/// raised the alert.
pub(crate) fn paths(
    start: Begin,
    points: &[Point],
    now: f64,
    onset: Option<f64>,
    changed: bool,
    moves: &Moves,
) -> SpeedWays {
    let onsets = onset.map_or_else(Vec::new, |onset| {
        let near = ONSETS.iter().map(|away| onset + away);
        let last = ONSETS.last().map_or(onset, |away| onset + away);
        let late = LATE_ONSETS.iter().map(|ago| now - ago);
        let onsets = near.chain(late.filter(|at| *at > last + 3.0));
        let within = |at: &f64| *at > start.day && *at < now - 3.0 || (*at - onset).abs() < 1e-9;
        onsets.filter(within).collect()
    });
    paths_since(start, points, now, &onsets, changed, moves)
}

/// The like where the change may have come on any of some days; none are asked for where there is none.
fn paths_since(
    start: Begin,
    points: &[Point],
    now: f64,
    onsets: &[f64],
    changed: bool,
    moves: &Moves,
) -> SpeedWays {
    let sound = Filter::new(moves.sound, start.day, start.level, start.level_sd);
    let whole = Follow::new(sound).through(points, None, Pace::STEADY);
    let unchanged = whole.path(None, now, Pace::STEADY);
    if onsets.is_empty() {
        return SpeedWays {
            ways: vec![unchanged],
            ln_evidence: [Some(whole.ln_likelihood), None, None],
        };
    }
    let unchanged_prior = if changed { 1e-3 } else { UNCHANGED };
    let mut ways = vec![(unchanged_prior.ln() + whole.ln_likelihood, unchanged)];
    let changed_prior = (1.0 - unchanged_prior).ln();
    let (mut ramps, mut steps) = (Vec::new(), Vec::new());
    for at in onsets {
        let n = points.partition_point(|point| point.day < *at);
        let (before, after) = points.split_at(n);
        let mut begun = Follow::new(sound).through(before, None, Pace::STEADY);
        begun.filter.advance(*at);
        begun.sound = begun.filter.level().0;
        let each = changed_prior - (onsets.len() as f64).ln();
        let mut follow = |prior: f64, step: bool, manner: Option<usize>| {
            let mut way = begun;
            if step {
                way.filter.loosen(STEP_SD);
            }
            let mut wander_sd = 0.0;
            if let Some(manner) = manner {
                way.filter.redrift((-moves.fall.0, moves.fall.1));
                if manner == WANDERS {
                    wander_sd = moves.fall.0 * HALT_DAYS.sqrt();
                    way.filter.wander(wander_sd);
                }
            }
            let pace = manner.and_then(|manner| PACES.get(manner)).copied();
            let pace = pace.unwrap_or(Pace::STEADY);
            let way = way.through(after, Some(*at), pace);
            let path = Path {
                sound: begun.sound,
                wander_sd,
                course: match manner {
                    Some(manner) if !step => manner,
                    Some(_) => STEP_GOES_ON,
                    None => STEP_STAYS,
                },
                ..way.path(Some(*at), now, pace)
            };
            let ln_weight = each + prior.ln() + way.ln_likelihood;
            let class = if step { &mut steps } else { &mut ramps };
            class.push((ln_weight, (each + prior.ln()).exp()));
            ways.push((ln_weight, path));
        };
        for (manner, prior) in moves.by_manner.into_iter().enumerate() {
            follow(RAMP * prior, false, Some(manner));
        }
        follow(STEP_AND_RAMP, true, Some(0));
        follow(STEP, true, None);
    }
    SpeedWays {
        ways: weighed(ways),
        ln_evidence: [
            Some(whole.ln_likelihood),
            ln_evidence(&ramps),
            ln_evidence(&steps),
        ],
    }
}

/// A filter on its way through observations, and how likely it found them.
#[derive(Clone, Copy)]
struct Follow {
    filter: Filter,
    ln_likelihood: f64,
    /// Level of the sound pump.
    sound: f64,
}

impl Follow {
    fn new(filter: Filter) -> Self {
        Self {
            filter,
            ln_likelihood: 0.0,
            sound: filter.level().0,
        }
    }

    fn through(mut self, points: &[Point], onset: Option<f64>, pace: Pace) -> Self {
        for one in points {
            self.move_to(one.day, onset, pace);
            let expected = self.filter.expect(one.se);
            let z = ((one.y - expected.mean) / expected.sd).clamp(-MOST_Z, MOST_Z);
            self.ln_likelihood -= 0.5 * z * z + expected.sd.ln();
            self.filter.learn(expected.mean + z * expected.sd, one.se);
        }
        self
    }

    fn move_to(&mut self, day: f64, onset: Option<f64>, pace: Pace) {
        let from = self.filter.day();
        let days = pace.days(onset, from, day.max(from));
        let left = (self.filter.level().0 - self.sound).exp();
        let drift_days = pace.drift_days(-self.filter.drift().0, days, left);
        self.filter.advance_by(day, drift_days);
    }

    fn path(mut self, onset: Option<f64>, now: f64, pace: Pace) -> Path {
        self.move_to(now, onset, pace);
        Path {
            weight: 1.0,
            level: self.filter.level(),
            drift: self.filter.drift(),
            level_drift: self.filter.level_drift_covariance(),
            sound: self.filter.level().0,
            onset,
            now,
            wander_sd: 0.0,
            pace,
            course: UNCHANGED_COURSE,
            bases: 0,
        }
    }
}

/// How likely each manner of wear is by the finished course of a pump that failed, given how likely they
/// were beforehand; None where no ramp explains it. `onset` is the estimated day of the change.
pub(crate) fn manners_of(
    start: Begin,
    points: &[Point],
    onset: f64,
    moves: &Moves,
) -> Option<[f64; MANNERS]> {
    let now = points.last()?.day;
    let mut onsets: Vec<f64> = ONSETS.iter().map(|away| onset + away).collect();
    // A step between two of these days would pass for wear by fits and starts.
    let falls = points.windows(2).filter_map(|pair| match pair {
        [a, b] => Some((b.y - a.y, 0.5 * (a.day + b.day))),
        _ => None,
    });
    let steepest = falls.min_by(|a, b| a.0.total_cmp(&b.0));
    onsets.extend(steepest.map(|(_, day)| day));
    onsets.retain(|at| *at > start.day && *at < now - 3.0);
    let mut by = [0.0; MANNERS];
    for way in paths_since(start, points, now, &onsets, true, moves).ways {
        if let Some(cell) = by.get_mut(way.course) {
            *cell += way.weight;
        }
    }
    let total: f64 = by.iter().sum();
    (total > 0.5).then(|| by.map(|share| share / total))
}

/// Log weights to probabilities, the likeliest first.
fn weighed(mut ways: Vec<(f64, Path)>) -> Vec<Path> {
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    let top = ways.first().map_or(0.0, |way| way.0);
    ways.retain(|way| way.0 > top + LEAST_WEIGHT.ln());
    let total: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    ways.into_iter()
        .map(|(ln_weight, path)| Path {
            weight: (ln_weight - top).exp() / total,
            ..path
        })
        .collect()
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::covariates::Slopes;
    use crate::monitor::{Observation, Rule, Setting};
    use crate::pace::BY_MANNER;
    use drydown_quantity::Stamp;
    use drydown_stats::rng::{seeded, standard_normal};

    /// A speed known exactly that falls steadily.
    pub(crate) fn known(level: f64, fall: f64) -> Path {
        Path {
            weight: 1.0,
            level: (level, 0.0),
            drift: (-fall, 0.0),
            level_drift: 0.0,
            sound: level,
            onset: None,
            now: 0.0,
            wander_sd: 0.0,
            pace: Pace::STEADY,
            course: UNCHANGED_COURSE,
            bases: 0,
        }
    }

    /// A pump seen every other day for 200 days whose ln speed falls by so much since day 100.
    fn seen(loss: impl Fn(f64) -> f64) -> Monitor {
        let spread = Spread {
            noise_sd: 0.02,
            shared_sd: 0.01,
            phi_per_day: 0.4,
            diffusion_sd: 0.001,
            drift_mean: -2e-4,
            drift_sd: 1e-4,
        };
        let setting = Setting {
            spread,
            slopes: Slopes::default(),
            rule: Rule {
                worse: -1.0,
                allowance: 0.25,
                limit: 10.0,
                least_shift: 0.05,
                least: 4,
                least_before: 0,
            },
            level: (0.0, 0.1),
        };
        let day = |k: u32| Stamp::from_micros(0).plus_days(f64::from(k));
        let mut rng = seeded(3, "paths");
        let mut monitor = Monitor::new(setting, day(0));
        for k in (0..200).step_by(2) {
            let lost = loss((f64::from(k) - 100.0).max(0.0));
            monitor.observe(Observation {
                at: day(k),
                raw: -lost + 0.02 * standard_normal(&mut rng),
                x: [0.0; 5],
                se: 0.0,
                shared_sd: 0.0,
                datum: None,
            });
        }
        monitor
    }

    /// ln speed expected to be lost in the next fifty days, over all ways.
    fn next_loss(monitor: &Monitor) -> f64 {
        let moves = Moves {
            sound: monitor.spread(),
            fall: (0.008, 0.008),
            by_manner: BY_MANNER,
        };
        let onset = monitor.onset.map(days_of);
        assert!(onset.is_some());
        let (begin, points) = points_of(monitor);
        let ways = paths(begin, &points, 200.0, onset, true, &moves).ways;
        let total: f64 = ways.iter().map(|way| way.weight).sum();
        assert!((total - 1.0).abs() < 1e-9);
        ways.iter()
            .map(|way| way.weight * way.lost_ahead(-way.drift.0, way.level.0, 50.0))
            .sum()
    }

    #[test]
    fn steady_wear_goes_on_steadily_and_wear_that_gains_pace_gains_more() {
        // The same loss of 0.8 by day 200 on both; in the fifty days after it 0.4 and 1.0.
        let steady = next_loss(&seen(|x| 0.008 * x));
        let gaining = next_loss(&seen(|x| 0.8 * (x / 100.0).powi(2)));
        assert!((steady - 0.4).abs() < 0.06, "{steady}");
        assert!((gaining - 1.0).abs() < 0.2, "{gaining}");
        // A step that stays is no way to the limit.
        let step = next_loss(&seen(|x| if x > 0.0 { 0.3 } else { 0.0 }));
        assert!(step < 0.06, "{step}");
    }
    #[test]
    fn a_finished_course_tells_its_manner() {
        let moves = || Moves {
            sound: seen(|_| 0.0).spread(),
            fall: (0.008, 0.008),
            by_manner: BY_MANNER,
        };
        let manners = |loss: fn(f64) -> f64| {
            let (begin, points) = points_of(&seen(loss));
            manners_of(begin, &points, 105.0, &moves()).unwrap()
        };
        let steady = manners(|x| 0.012 * x);
        let growing = manners(|x| 0.15 * (x / 45.0).exp_m1());
        assert!(steady[0] > BY_MANNER[0], "{steady:?}");
        assert!(
            growing[0] < 0.05 && growing[3] + growing[4] > 0.3,
            "{growing:?}"
        );
        let halting = manners(|x| {
            if x < 30.0 {
                0.02 * x
            } else {
                0.6f64.max(0.02 * (x - 40.0))
            }
        });
        assert!(halting[WANDERS] > 0.5, "{halting:?}");
        // A step is no wear by fits and starts, on whatever day it came.
        for day in [2.0, 9.0, 17.0, 31.0] {
            let monitor = seen(|x| if x > day { 0.36 + 0.002 * x } else { 0.0 });
            let (begin, points) = points_of(&monitor);
            assert_eq!(manners_of(begin, &points, 95.0, &moves()), None);
        }
    }
}
