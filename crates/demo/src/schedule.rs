//! The planner: which unit goes where and when, over the whole calendar.

use crate::calendar::{DAY, HOUR};
use crate::config::DemoConfig;
use crate::fleet::{Fleet, Reservoir, Unit};
use crate::job::{JobPlan, Stage, work};
use crate::log::Log;
use crate::machine::Machine;
use crate::row::Row;
use crate::tank::Tank;

/// Share of time that units stand at a reservoir.
const UTILISATION: f64 = 0.45;
const JOB_DAYS: (f64, f64) = (1.0, 6.0);

/// Takes a unit's rows of one month, in the order of the months: unit, month, rows.
pub(crate) type RowSink<'a> = dyn FnMut(usize, usize, Vec<Row>) + 'a;

/// Play the whole calendar. Rows leave month by month, so that memory holds little more than one.
pub(crate) fn simulate(config: &DemoConfig, fleet: &Fleet, sink: &mut RowSink<'_>) -> Outcome {
    let mut log = Log::default();
    let mut machines: Vec<Machine> = (0..fleet.units.len())
        .map(|idx| Machine::new(config, fleet, idx))
        .collect();
    let mut tanks: Vec<Tank> = (0..fleet.reservoirs.len())
        .map(|idx| Tank::new(fleet, idx, config.seed))
        .collect();
    let mut rows: Vec<Vec<Row>> = vec![Vec::new(); machines.len()];
    let mut busy_until = vec![fleet.calendar.start; tanks.len()];
    let mut month = 0;
    loop {
        let next = machines
            .iter()
            .map(|machine| (machine.free_at, machine.idx))
            .min();
        let Some((now, idx)) = next.filter(|(now, _)| *now < fleet.calendar.end) else {
            break;
        };
        while fleet
            .calendar
            .months
            .get(month + 1)
            .is_some_and(|end| *end <= now)
        {
            flush(fleet, month, &mut rows, sink);
            month += 1;
        }
        let machine = &mut machines[idx];
        let unit = &fleet.units[idx];
        machine.serve(unit, now, &mut log);
        let chosen = choose(fleet, machine, (&mut tanks, &busy_until), &mut log);
        let Some(reservoir) = chosen else {
            machine.free_at = now + DAY;
            continue;
        };
        let to = now + job_length(fleet, machine, &tanks[reservoir]);
        let plan = JobPlan {
            reservoir,
            from: now - now.rem_euclid(60),
            to: to - to.rem_euclid(60),
        };
        busy_until[reservoir] = plan.to;
        let tank = &mut tanks[reservoir];
        let mut stage = Stage {
            fleet,
            machine,
            tank,
            log: &mut log,
            rows: &mut rows[idx],
        };
        work(&mut stage, plan);
        let mean_gap = (plan.to - plan.from) as f64 * (1.0 - UTILISATION) / UTILISATION;
        machine.free_at = plan.to + 8 * HOUR + machine.draw.wait(mean_gap - 8.0 * 3600.0) as i64;
    }
    for tank in &mut tanks {
        tank.advance(fleet, fleet.calendar.end, &mut log);
    }
    for machine in &mut machines {
        machine.serve(
            &fleet.units[machine.idx],
            fleet.calendar.end - HOUR,
            &mut log,
        );
        if let Some(since) = machine.wet_since.take() {
            log.wet_spells
                .push((machine.idx, since, fleet.calendar.end));
        }
    }
    for month in month..fleet.calendar.months.len().saturating_sub(1) {
        flush(fleet, month, &mut rows, sink);
    }
    Outcome { log, machines }
}

/// What is left when the calendar ends.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub(crate) log: Log,
    pub(crate) machines: Vec<Machine>,
}

fn flush(fleet: &Fleet, month: usize, rows: &mut [Vec<Row>], sink: &mut RowSink<'_>) {
    let Some(end) = fleet.calendar.months.get(month + 1) else {
        return;
    };
    for (unit, rows) in rows.iter_mut().enumerate() {
        let split = rows.partition_point(|row| row.at < *end);
        let later = rows.split_off(split);
        sink(unit, month, std::mem::replace(rows, later));
    }
}

/// The reservoir a unit is sent to: the wet ones that suit its size come first.
fn choose(
    fleet: &Fleet,
    machine: &mut Machine,
    (tanks, busy_until): (&mut [Tank], &[i64]),
    log: &mut Log,
) -> Option<usize> {
    let unit = &fleet.units[machine.idx];
    let now = machine.free_at;
    let mut weights = vec![0.0; tanks.len()];
    for (idx, tank) in tanks.iter_mut().enumerate() {
        let reservoir = &fleet.reservoirs[idx];
        if busy_until[idx] > now || !fleet.may_serve(unit, reservoir) {
            continue;
        }
        tank.advance(fleet, now, log);
        let wet = (tank.water.all_ppm() / reservoir.limit_ppm).clamp(0.05, 6.0);
        weights[idx] = wet.powf(2.0) * size_fit(unit, reservoir);
    }
    machine.draw.weighted(&weights)
}

fn size_fit(unit: &Unit, reservoir: &Reservoir) -> f64 {
    let (low, high) = unit.size.volume_l;
    let off = (low / reservoir.true_volume_l)
        .max(reservoir.true_volume_l / high)
        .max(1.0);
    off.powf(-1.5)
}

/// How long the planner gives a job, s.
fn job_length(fleet: &Fleet, machine: &mut Machine, tank: &Tank) -> i64 {
    let reservoir = &fleet.reservoirs[tank.idx];
    let dried_flow = fleet.dried_flow_lpm[machine.idx][reservoir.oil];
    let rate = dried_flow * 60.0 / reservoir.true_volume_l;
    let target = 0.25 * reservoir.limit_ppm;
    let turns = (tank.water.all_ppm() / target).max(1.2).ln();
    let needed = (turns / rate + 8.0) / 24.0 * machine.draw.lognormal(1.2, 0.25);
    // Transport is dear: a unit stays some days even where one would do.
    let days = needed.max(machine.draw.lognormal(2.7, 0.45));
    (days.clamp(JOB_DAYS.0, JOB_DAYS.1) * DAY as f64) as i64
}
