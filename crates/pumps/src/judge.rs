//! One unit's pump, run by run: state, cause, days to the limit.
//!
//! Events are taken in time, so that a row knows nothing that came after its run.

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{Maintenance, Unit};

use crate::beyond_load::{Vents, beyond_load};
use crate::cause::{Circumstance, causes_of_alert, explanations};
use crate::evidence;
use crate::limit::{Days, own_pressure_past};
use crate::outlook::{Ways, days_to_limit, outlook, ways as ways_of};
use crate::prior::FleetPrior;
use crate::spans::{Renewal, renewal_of_row};
use crate::testimony::{gauge_off, stands, testimony};
use crate::watch::Watch;
use crate::{Cause, DaysStatus, PumpCause, PumpHealth, PumpStart, PumpState, PumpsConfig};

/// What the pumps stage gives for one unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitHealth {
    /// One per run, by the run's end.
    pub health: Vec<PumpHealth>,
    /// Probabilities of the causes, for runs that have any.
    pub causes: Vec<PumpCause>,
}

/// A unit's own records, and those of frames that its pumps came from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct UnitRecords<'a> {
    pub(crate) starts: &'a [PumpStart],
    pub(crate) maintenance: &'a [Maintenance],
}

/// Judges a unit's pump at the end of each of its runs, from data before that end alone.
///
/// `runs` are one unit's. `unit` may be missing from the register: levels are then learnt from the
/// data, and days to the limit stay unjudged where neither a speed in m³/h nor a rating is known, unless
/// the runs themselves lie past it. `starts` and
/// `maintenance` may hold rows of other units: they serve the history of pumps that came from
/// there (`frames_of` names whose rows those are). One health row per run, by the run's end.
#[must_use]
pub fn judge_unit(
    unit: Option<&Unit>,
    starts: &[PumpStart],
    runs: &[Run],
    maintenance: &[Maintenance],
    prior: &FleetPrior,
    config: &PumpsConfig,
) -> UnitHealth {
    let mut out = UnitHealth::default();
    let mut runs: Vec<&Run> = runs.iter().collect();
    runs.sort_by_key(|run| run.ended_at);
    let Some(first) = runs.first() else {
        return out;
    };
    let (unit_id, begins) = (first.unit_id.clone(), first.started_at);
    let records = UnitRecords {
        starts,
        maintenance,
    };
    let mut watch = Watch::new(&unit_id, unit, begins, prior, config);
    let mut events = events_of(&unit_id, &records, begins);
    let mut past: Vec<&Run> = Vec::new();
    for run in runs {
        while events.last().is_some_and(|event| event.at <= run.ended_at) {
            match events.pop().map(|event| event.what) {
                Some(What::Renewal(Renewal::SomeFilter, _)) if !stopped(&out) => {}
                Some(What::Renewal(renewal, row)) => watch.renew(renewal, row, &records),
                Some(What::Start(start)) if start.accepted => watch.take_start(start),
                Some(What::Start(start)) => watch.refuse(start),
                None => break,
            }
        }
        watch.take_run(run);
        past.push(run);
        let (row, causes) = judge_run(run, &watch, &past, config);
        let likely = causes.into_iter().filter(|(_, p)| *p >= 0.01);
        out.causes
            .extend(likely.map(|(cause, probability)| PumpCause {
                run_id: run.run_id.clone(),
                cause,
                probability,
            }));
        out.health.push(row);
    }
    out
}

/// A filter of which nobody wrote which it was is the pump's where a restriction was at least so likely at the
/// last run: the oil's own filters are changed far more often (common practice).
const STOPPED: f64 = 0.3;

/// Whether something stood in the pump's way at the last run.
fn stopped(out: &UnitHealth) -> bool {
    let Some(last) = out.health.last().filter(|row| row.onset_at.is_some()) else {
        return false;
    };
    let of_last = out
        .causes
        .iter()
        .rev()
        .take_while(|c| c.run_id == last.run_id);
    of_last
        .filter(|c| c.cause == Cause::Restriction)
        .any(|c| c.probability >= STOPPED)
}

struct Event<'a> {
    at: Stamp,
    what: What<'a>,
}

enum What<'a> {
    Renewal(Renewal, &'a Maintenance),
    Start(&'a PumpStart),
}

/// The unit's renewals and starts, latest first (they are taken from the end).
fn events_of<'a>(unit_id: &UnitId, records: &UnitRecords<'a>, begins: Stamp) -> Vec<Event<'a>> {
    let renewals = records
        .maintenance
        .iter()
        .filter(|row| &row.unit_id == unit_id && row.at >= begins)
        .filter_map(|row| {
            Some(Event {
                at: row.at,
                what: What::Renewal(renewal_of_row(row)?, row),
            })
        });
    let starts = records
        .starts
        .iter()
        .filter(|start| &start.unit_id == unit_id)
        .map(|start| Event {
            at: start.started_at,
            what: What::Start(start),
        });
    let mut events: Vec<Event<'a>> = renewals.chain(starts).collect();
    let order = |event: &Event<'_>| (event.at, u8::from(matches!(event.what, What::Start(_))));
    events.sort_by_key(|event| std::cmp::Reverse(order(event)));
    events
}

fn judge_run(
    run: &Run,
    watch: &Watch<'_>,
    past: &[&Run],
    config: &PumpsConfig,
) -> (PumpHealth, Vec<(Cause, f64)>) {
    let judged = watch.is_judged(run.ended_at);
    let by_work = judged && by_work(run, watch, past, config);
    let onset = watch
        .onset()
        .filter(|_| by_work || (judged && watch.pump_alert(run.ended_at)));
    let of = |onset| {
        judged
            .then(|| ways_of(watch, past, onset, config))
            .flatten()
    };
    // A gauge that shows as much of the vented chamber is no pump that changed, whether or not starts speak.
    let stood = onset.or(watch
        .steady
        .onset
        .filter(|_| judged && watch.steady_alert()));
    let off = stood.and_then(|onset| gauge_off(watch, onset));
    let ways = of(onset);
    // Runs that hold more because they gave off more gas are no alert of the pump.
    let by_itself = watch.starts_alert() || watch.set_point.lost_since().is_some();
    let borne_out = by_itself || ways.as_ref().is_none_or(Ways::slowed);
    // Nor is a base that no longer stands above its level.
    let borne_out = borne_out && onset.is_none_or(|onset| stands(watch, onset));
    let (onset, ways) = match onset {
        Some(_) if !borne_out => (None, of(None)),
        _ => (onset, ways),
    };
    let (onset, ways) = match off {
        Some(_) => (None, of(None)),
        None => (onset, ways),
    };
    let alert = onset.is_some();
    let outlook = ways
        .as_ref()
        .and_then(|ways| outlook(watch, ways, past, by_work && alert, config));
    let reckoned = match off {
        // What the gauge adds to the base is no way to the limit.
        Some(_) => Days::none(DaysStatus::NotDegrading),
        None => days_to_limit(outlook.as_ref(), onset, &watch.draws, config),
    };
    // What the gauge shows goes before what is reckoned from speed and base, but not where a vent that nobody
    // logged may have stood open.
    let held = own_pressure_past(past, onset, config)
        .filter(|held| alert && (held.vent_logged || reckoned.p50.is_none()));
    // The limit is meant for a vent that is shut, and air let in there is no load of it: where starts tell speed and
    // base, they say more of it than a pressure at work with the vent open as ever.
    let told = watch.speed.is_judged() && reckoned.p50.is_some();
    let passed = held.is_some_and(|held| held.vent_shut || !told);
    let days = if passed { reckoned.or_now() } else { reckoned };
    let near = passed || days.passed || days.p10.is_some_and(|days| days <= config.alarm_days);
    let state = match (judged, alert, near) {
        (false, _, _) => PumpState::Unjudged,
        (_, false, _) => PumpState::Normal,
        (_, true, false) => PumpState::Alert,
        (_, true, true) => PumpState::Alarm,
    };
    let causes = match onset {
        Some(onset) => ways.as_ref().map_or_else(Vec::new, |ways| {
            causes_of_alert(&testimony(watch, ways, run, (onset, by_work)))
        }),
        None if off.is_some() || (judged && watch.steady_alert()) => explanations(&Circumstance {
            gauge_off: off.is_some(),
            ..circumstance(run, past, watch, config)
        }),
        None => Vec::new(),
    };
    let view = watch.view_of(run);
    let gauge = evidence::Gauge { held, passed, off };
    let row = PumpHealth {
        run_id: run.run_id.clone(),
        unit_id: run.unit_id.clone(),
        at: run.ended_at,
        indicator: view.map(|v| v.indicator),
        expected: view.map(|v| v.expected),
        lower_90: view.map(|v| v.expected - 1.645 * v.sd),
        upper_90: view.map(|v| v.expected + 1.645 * v.sd),
        state,
        cause: causes.first().map(|(cause, _)| *cause),
        cause_probability: causes.first().map(|(_, p)| *p),
        days_to_limit_p10: days.p10,
        days_to_limit_p50: days.p50,
        days_to_limit_p90: days.p90,
        days_to_limit_status: days.status,
        onset_at: onset,
        gauge_off_kpa: off.map(|off| off.kpa),
        gauge_off_since_at: off.map(|off| off.since),
        evidence: evidence::sentence(watch, state, &causes, outlook.as_ref(), &gauge, config),
    };
    (row, causes)
}

/// Whether it is what the runs hold at work that tells of the pump, and not its starts: more than their load can
/// explain, the vent logged shut.
fn by_work(run: &Run, watch: &Watch<'_>, past: &[&Run], config: &PumpsConfig) -> bool {
    let onset = watch.steady.onset.filter(|_| watch.steady_alert());
    let sound = watch.starts_speak(run.ended_at) && !watch.starts_alert();
    let told = sound && watch.set_point.held_kpa().is_none();
    let beyond = |onset| beyond_load(watch, past, onset, Vents::LoggedShut, config);
    told && onset.is_some_and(beyond)
}

fn circumstance(run: &Run, past: &[&Run], watch: &Watch<'_>, config: &PumpsConfig) -> Circumstance {
    let earlier = past.len().saturating_sub(1);
    let before: Vec<&&Run> = past.iter().take(earlier).rev().take(12).collect();
    let mean = |of: &dyn Fn(&Run) -> Option<f64>| {
        let values: Vec<f64> = before.iter().filter_map(|run| of(run)).collect();
        drydown_stats::robust::mean(&values)
    };
    let rate = |run: &Run| Some(run.water_removed_kg? / run.hours).filter(|kg| *kg > 0.0);
    Circumstance {
        vent_more_pct: run
            .vent_open_pct
            .zip(mean(&|r| r.vent_open_pct))
            .map(|(now, was)| now - was),
        ln_vapour_more: rate(run)
            .zip(mean(&rate))
            .map(|(now, was)| (now / was).ln()),
        gauge_work: watch
            .gauge_at
            .is_some_and(|at| run.ended_at.days_after(at) < 14.0),
        gauge_off: false,
        beyond_load: watch
            .steady
            .onset
            .is_some_and(|onset| beyond_load(watch, past, onset, Vents::Any, config)),
        alarms: run.alarms,
    }
}
