//! Where runs begin and end.
//!
//! A run ends at a stop or gap of at least the configured length, or where the unit is moved to
//! another reservoir. Where an hour counter or totaliser is logged, an unlogged stretch counts
//! as a stop only for the hours that the counter did not count.

use drydown_quantity::ReservoirId;

use crate::marks::{Marks, Working, counted_hours, hours_between};
use crate::places::Places;
use crate::{Readings, RunsConfig};

/// One run as a stretch of the log; its readings are those of `first..=last` that work.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Cut {
    pub(crate) first: usize,
    pub(crate) last: usize,
    pub(crate) reservoir: Option<ReservoirId>,
    /// Working hours, stops excluded.
    pub(crate) hours: f64,
    pub(crate) n_readings: i64,
    /// Readings at which the machine started: the first, and restarts after a stop.
    pub(crate) starts: Vec<Start>,
    /// The file named another reservoir than the deployment.
    pub(crate) conflict: bool,
    pub(crate) gap: bool,
    pub(crate) clock_jump: bool,
}

/// A start and how long the unit had rested.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Start {
    pub(crate) idx: usize,
    pub(crate) idle_h: Option<f64>,
}

/// What lies between two working readings.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Between {
    /// Hours without work.
    stopped_h: f64,
    /// Hours worked.
    worked_h: f64,
    restarted: bool,
    unlogged: bool,
    clock_jump: bool,
}

/// Cuts a marked log into runs, in time.
pub(crate) fn cut_log(
    readings: &Readings,
    marks: &Marks,
    places: &Places,
    config: &RunsConfig,
) -> Vec<Cut> {
    let mut cuts: Vec<Cut> = Vec::new();
    let mut last_work: Option<usize> = None;
    let mut stop_seen = false;
    for idx in 0..readings.len() {
        match marks.working.get(idx) {
            Some(Working::Yes) => {}
            Some(Working::No) => {
                stop_seen = true;
                continue;
            }
            _ => continue,
        }
        let (reservoir, conflict) = reservoir_of(readings, marks, places, idx);
        let step = last_work.map(|from| between(readings, marks, from, idx, stop_seen, config));
        extend(&mut cuts, idx, reservoir, conflict, step, config);
        last_work = Some(idx);
        stop_seen = false;
    }
    cuts
}

fn extend(
    cuts: &mut Vec<Cut>,
    idx: usize,
    reservoir: Option<ReservoirId>,
    conflict: bool,
    step: Option<Between>,
    config: &RunsConfig,
) {
    let moved =
        |cut: &Cut| matches!((&cut.reservoir, &reservoir), (Some(from), Some(to)) if from != to);
    if let (Some(cut), Some(step)) = (cuts.last_mut(), step)
        && step.stopped_h < config.stop_ends_run_h
        && !moved(cut)
    {
        cut.last = idx;
        cut.hours += step.worked_h;
        cut.n_readings += 1;
        cut.conflict |= conflict;
        cut.gap |= step.unlogged;
        cut.clock_jump |= step.clock_jump;
        if cut.reservoir.is_none() {
            cut.reservoir = reservoir;
        }
        if step.restarted {
            cut.starts.push(Start {
                idx,
                idle_h: Some(step.stopped_h),
            });
        }
        return;
    }
    let idle_h = step.map(|s| s.stopped_h);
    cuts.push(Cut {
        first: idx,
        last: idx,
        reservoir,
        hours: 0.0,
        n_readings: 1,
        starts: vec![Start { idx, idle_h }],
        conflict,
        gap: false,
        clock_jump: step.is_some_and(|s| s.clock_jump),
    });
}

/// The deployment's reservoir, else the file's; and whether the two disagree.
fn reservoir_of(
    readings: &Readings,
    marks: &Marks,
    places: &Places,
    idx: usize,
) -> (Option<ReservoirId>, bool) {
    let place = marks
        .place
        .get(idx)
        .and_then(|place| places.get(*place as usize));
    let deployed = place.and_then(|place| place.reservoir.as_ref());
    let stated = readings.reservoir_id.get(idx).and_then(Option::as_ref);
    let conflict = deployed.zip(stated).is_some_and(|(a, b)| a != b);
    (deployed.or(stated).cloned(), conflict)
}

fn between(
    readings: &Readings,
    marks: &Marks,
    from: usize,
    to: usize,
    stop_seen: bool,
    config: &RunsConfig,
) -> Between {
    let wall_h = hours_between(&readings.at, from, to);
    let counted_h = counted_hours(readings, from, to);
    let clock_jump = clock_jumped(readings, marks, from, to, wall_h, counted_h);
    if stop_seen {
        return Between {
            stopped_h: wall_h,
            worked_h: 0.0,
            restarted: true,
            unlogged: false,
            clock_jump,
        };
    }
    if wall_h * 60.0 <= config.unlogged_min {
        return Between {
            stopped_h: 0.0,
            worked_h: wall_h,
            restarted: false,
            unlogged: false,
            clock_jump,
        };
    }
    let began_at_ambient =
        marks.ratio(to).is_some_and(|r| r > 0.8) && marks.ratio(from).is_some_and(|r| r < 0.8);
    let worked_h = match counted_h {
        Some(hours) => hours.min(wall_h),
        None if began_at_ambient || wall_h >= config.stop_ends_run_h => 0.0,
        None => wall_h,
    };
    let stopped_h = wall_h - worked_h;
    // A counter that stood still while the machine held its vacuum: the clock moved, not the machine.
    let stopped_h = if clock_jump && !began_at_ambient {
        0.0
    } else {
        stopped_h
    };
    Between {
        stopped_h,
        worked_h,
        restarted: began_at_ambient,
        unlogged: true,
        clock_jump,
    }
}

/// A counter that ran faster than the clock (clock set back), or a clock that leapt while pressure,
/// temperature and counter stood as they were (clock set forward).
fn clock_jumped(
    readings: &Readings,
    marks: &Marks,
    from: usize,
    to: usize,
    wall_h: f64,
    counted_h: Option<f64>,
) -> bool {
    let meter = readings
        .run_hours_h
        .get(to)
        .zip(readings.run_hours_h.get(from));
    // One step of the counter, and a little.
    let slack_h = 1.05 * meter.map_or(0.0, |(b, a)| counter_step_h(a).min(counter_step_h(b)));
    // More than two days at once is a counter that was replaced, not a clock.
    if meter.is_some_and(|(b, a)| (wall_h + slack_h.max(0.2)..48.0).contains(&(b - a))) {
        return true;
    }
    let unchanged = |a: Option<f64>, b: Option<f64>, within: f64| {
        a.zip(b).is_some_and(|(x, y)| (x - y).abs() <= within)
    };
    wall_h > 0.5
        && counted_h.is_some_and(|hours| wall_h - hours > slack_h.max(0.8 * wall_h))
        && unchanged(marks.chamber(from), marks.chamber(to), 2.0)
        && unchanged(marks.oil(from), marks.oil(to), 1.0)
        && marks.ratio(to).is_some_and(|r| r < 0.8)
}

/// Hour counters count in whole hours or in tenths; which one, their digits tell.
fn counter_step_h(value: f64) -> f64 {
    if value.fract() > 0.01 { 0.1 } else { 1.0 }
}
