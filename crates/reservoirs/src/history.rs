//! What is known of one reservoir before a time: its registers, samples, run ends and events.

use std::collections::BTreeMap;

use drydown_quantity::{ReservoirId, RunId, Stamp};
use drydown_removal::{RemovalRun, RunStatus};
use drydown_runs::Run;
use drydown_runs::history::{Oil, Registers, Reservoir, ReservoirEvent, Sample, SensorPlace, Site};

/// The two ends of one run, as far as they tell the water in the reservoir.
#[derive(Clone, Debug, PartialEq)]
pub struct RunEnd {
    pub started_at: Stamp,
    pub ended_at: Stamp,
    /// Water in the reservoir at the start; None where no sensor tells.
    pub water_first_ppm: Option<f64>,
    /// Water in the reservoir at the end.
    pub water_last_ppm: Option<f64>,
    /// Standard deviation of either: `sd_ppm` and `cv` of the value, root sum of squares.
    pub sd_ppm: f64,
    pub cv: f64,
    /// Working hours.
    pub hours: f64,
}

/// Everything that informs one reservoir before `as_of`.
#[derive(Clone, Debug)]
pub struct ReservoirHistory<'a> {
    pub reservoir: &'a Reservoir,
    pub site: Option<&'a Site>,
    pub oil: Option<&'a Oil>,
    /// Samples known before as_of, by time of taking; other sample points than mid and line included.
    pub samples: Vec<&'a Sample>,
    /// Runs begun before as_of, by start.
    pub run_ends: Vec<RunEnd>,
    /// Events before as_of, by time.
    pub events: &'a [ReservoirEvent],
}

/// Spread of a sensor's value at a run's end: fitted through the run, or one bin of the log.
/// From common practice of in-line sensors, no source.
const FITTED: (f64, f64) = (6.0, 0.06);
const LOGGED: (f64, f64) = (12.0, 0.12);

/// The history of every reservoir of the register, in the register's order.
///
/// Nothing stamped at or after `as_of` passes, whatever the caller hands in.
#[must_use]
pub fn histories<'a>(
    registers: &'a Registers,
    samples: &'a [Sample],
    runs: &[Run],
    removal_runs: &[RemovalRun],
    as_of: Stamp,
) -> Vec<ReservoirHistory<'a>> {
    let fits: BTreeMap<&RunId, &RemovalRun> =
        removal_runs.iter().map(|row| (&row.run_id, row)).collect();
    let mut samples_of: BTreeMap<&ReservoirId, Vec<&Sample>> = BTreeMap::new();
    for sample in samples {
        let known = sample.taken_at.is_some() && sample.known_at().is_some_and(|at| at < as_of);
        if let Some(id) = sample.reservoir_id.as_ref().filter(|_| known) {
            samples_of.entry(id).or_default().push(sample);
        }
    }
    let mut runs_of: BTreeMap<&ReservoirId, Vec<RunEnd>> = BTreeMap::new();
    for run in runs
        .iter()
        .filter(|run| run.started_at < as_of && run.ended_at < as_of)
    {
        if let Some(id) = &run.reservoir_id {
            let end = to_run_end(run, fits.get(&run.run_id).copied(), registers);
            runs_of.entry(id).or_default().push(end);
        }
    }
    registers
        .reservoirs
        .iter()
        .map(|reservoir| {
            let id = &reservoir.reservoir_id;
            let mut samples = samples_of.remove(id).unwrap_or_default();
            samples.sort_by(|a, b| {
                (a.taken_at, &a.lab, &a.sample_id).cmp(&(b.taken_at, &b.lab, &b.sample_id))
            });
            let mut run_ends = runs_of.remove(id).unwrap_or_default();
            run_ends.sort_by_key(|run| (run.started_at, run.ended_at));
            let events = registers.reservoir_events_of(id);
            let before = events.partition_point(|event| event.at < as_of);
            ReservoirHistory {
                reservoir,
                site: reservoir
                    .site_id
                    .as_ref()
                    .and_then(|site| registers.site(site)),
                oil: reservoir
                    .oil_type
                    .as_ref()
                    .and_then(|oil| registers.oil(oil)),
                samples,
                run_ends,
                events: events.get(..before).unwrap_or(&[]),
            }
        })
        .collect()
}

/// The ends of a run: from the removal fit where there is one, else from the log.
///
/// An outlet sensor does not read the reservoir, and a saturated one only bounds it: their logged
/// ends are left out.
fn to_run_end(run: &Run, fit: Option<&RemovalRun>, registers: &Registers) -> RunEnd {
    let fitted = fit.filter(|fit| {
        !matches!(
            fit.status,
            RunStatus::Spoiled | RunStatus::Saturated | RunStatus::NoContrast
        )
    });
    let place = registers
        .unit(&run.unit_id)
        .and_then(|unit| unit.water_sensor_place);
    let saturated = run.flags.iter().any(|flag| flag == "sensor_saturated");
    let stuck = run.flags.iter().any(|flag| flag == "sensor_stuck");
    let logs = place != Some(SensorPlace::Outlet) && !stuck;
    let logged_first = run.water_first_ppm.filter(|_| logs && !saturated);
    let logged_last = run.water_last_ppm.filter(|_| logs);
    let from_fit = fitted.is_some_and(|fit| fit.end_ppm.is_some());
    let (sd_ppm, cv) = if from_fit { FITTED } else { LOGGED };
    RunEnd {
        started_at: run.started_at,
        ended_at: run.ended_at,
        water_first_ppm: fitted.and_then(|fit| fit.start_ppm).or(logged_first),
        water_last_ppm: fitted.and_then(|fit| fit.end_ppm).or(logged_last),
        sd_ppm,
        cv,
        hours: run.hours,
    }
}
