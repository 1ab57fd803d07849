//! One job: a unit is brought to a reservoir, works in one or more runs, and leaves.

use crate::calendar::HOUR;
use crate::drying::{Setting, Work};
use crate::fleet::Fleet;
use crate::lab::{self, Point};
use crate::log::{Deployed, Log, UnitEvent};
use crate::machine::Machine;
use crate::row::{Cell, Row};
use crate::tank::{Drawn, Tank};

/// A job as the planner gives it out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct JobPlan {
    pub(crate) reservoir: usize,
    pub(crate) from: i64,
    pub(crate) to: i64,
}

/// What a job needs and changes.
#[derive(Debug)]
pub(crate) struct Stage<'a> {
    pub(crate) fleet: &'a Fleet,
    pub(crate) machine: &'a mut Machine,
    pub(crate) tank: &'a mut Tank,
    pub(crate) log: &'a mut Log,
    pub(crate) rows: &'a mut Vec<Row>,
}

/// A stop at least this long ends a run, as in the contract, s.
const STOP_ENDS_RUN_S: i64 = 2 * HOUR;

/// Carry out a job. Rows go to the unit's log; the reservoir is left as the job leaves it.
pub(crate) fn work(stage: &mut Stage<'_>, plan: JobPlan) {
    let fleet = stage.fleet;
    let end = plan.to.min(fleet.calendar.end);
    stage.log.deployed.push(Deployed {
        unit: stage.machine.idx,
        reservoir: plan.reservoir,
        from: plan.from,
        to: plan.to,
    });
    let setup_s = (stage.machine.draw.uniform(1.0, 3.0) * 3600.0) as i64;
    let mut at = plan.from + setup_s;
    stage.tank.advance(fleet, at.min(end), stage.log);
    if stage.machine.draw.chance(0.55) {
        sample(stage, Point::Mid, None);
    }
    if stage.machine.draw.chance(0.012) {
        stage.machine.wet_oil = 0.8;
    }
    let mut setting = Setting::new(stage, plan.reservoir);
    let mut work = Work::new(stage.tank);
    while at + HOUR < end {
        let segment_end = segment_end(stage, at, end);
        let done = run_segment(stage, &setting, &mut work, (at, segment_end));
        let stop_s = stop_length(stage);
        at = (done + stop_s).min(end);
        if stop_s >= STOP_ENDS_RUN_S || at + HOUR >= end {
            work.close(stage, &setting);
            setting = Setting::new(stage, plan.reservoir);
        }
        stopped_rows(stage, done, at);
    }
    work.close(stage, &setting);
    stage.tank.advance(fleet, end, stage.log);
    if end < fleet.calendar.end && stage.machine.draw.chance(0.55) {
        sample(stage, Point::Mid, None);
    }
    stage.machine.last_worked = stage.machine.last_worked.max(at);
}

/// When a stretch of work will stop: by itself, for a repair, or at the end of the job.
fn segment_end(stage: &mut Stage<'_>, at: i64, end: i64) -> i64 {
    let hours = stage.machine.draw.wait(34.0).max(2.5);
    let planned = at + (hours * 3600.0) as i64;
    let repair = stage
        .machine
        .pump
        .episode
        .and_then(|episode| episode.repaired);
    let stop = match repair {
        Some(done) if at < done - HOUR && done - HOUR < planned => done - HOUR,
        _ => planned,
    };
    stop.min(end - HOUR / 4)
}

fn stop_length(stage: &mut Stage<'_>) -> i64 {
    let hours = if stage.machine.draw.chance(0.6) {
        stage.machine.draw.uniform(0.3, 1.7)
    } else {
        stage.machine.draw.uniform(3.0, 15.0)
    };
    (hours * 3600.0) as i64
}

/// One stretch of work between a start and a stop; returns when it stopped.
fn run_segment(
    stage: &mut Stage<'_>,
    setting: &Setting,
    work: &mut Work,
    (from, to): (i64, i64),
) -> i64 {
    event(stage, from, "R100", "start", None);
    let mut at = work.pump_down(stage, setting, from, to);
    event(
        stage,
        at,
        "V210",
        "vent",
        Some((setting.vent_pct * 10.0).round() / 10.0),
    );
    let step = stage.fleet.units[stage.machine.idx].log_step_s;
    let pair_at = from + (stage.machine.draw.uniform(1.0, 20.0) * 3600.0) as i64;
    let mut pair_due = stage.machine.draw.chance(0.25);
    let mut alarm_on: u8 = 0;
    while at + step < to {
        at += step;
        let outlet_ppm = work.step(stage, setting, step);
        let Some(row) = stage.rows.last() else { break };
        let (alarm, chamber) = (row.alarm, row.get(Cell::Chamber));
        if alarm != alarm_on {
            let code = ["A300", "A301", "A302", "A303", "A304"];
            let (kind, idx) = if alarm > 0 {
                ("alarm_on", alarm)
            } else {
                ("alarm_off", alarm_on)
            };
            event(stage, at, code[usize::from(idx) % code.len()], kind, None);
            alarm_on = alarm;
        }
        if pair_due && at >= pair_at {
            pair_due = false;
            let unit = Some(stage.machine.idx);
            sample(stage, Point::UnitInlet, unit);
            let drawn = Drawn {
                point: Point::UnitOutlet,
                water_ppm: outlet_ppm,
                unit,
            };
            lab::send(stage.fleet, stage.tank, drawn, stage.log);
        }
        if chamber > 65.0 && stage.machine.draw.chance(0.01) {
            event(stage, at, "T401", "trip", Some(chamber.round()));
            break;
        }
    }
    event(stage, at, "R101", "stop", None);
    stage.machine.last_worked = at;
    at
}

/// Rows while the unit stands switched on but does not work.
fn stopped_rows(stage: &mut Stage<'_>, from: i64, to: i64) {
    let mut at = from;
    while at + 1800 < to {
        at += 1800;
        stage.tank.advance(stage.fleet, at, stage.log);
        let row = crate::drying::stopped_row(stage, at);
        stage.rows.push(row);
    }
    stage.tank.advance(stage.fleet, to, stage.log);
}

fn sample(stage: &mut Stage<'_>, point: Point, unit: Option<usize>) {
    let reservoir = &stage.fleet.reservoirs[stage.tank.idx];
    let water_ppm = stage.tank.at_point(reservoir, point);
    lab::send(
        stage.fleet,
        stage.tank,
        Drawn {
            point,
            water_ppm,
            unit,
        },
        stage.log,
    );
}

pub(crate) fn event(
    stage: &mut Stage<'_>,
    at: i64,
    code: &'static str,
    kind: &'static str,
    value: Option<f64>,
) {
    let unit = stage.machine.idx;
    stage.log.unit_events.push(UnitEvent {
        unit,
        at,
        code,
        kind,
        value,
    });
}
