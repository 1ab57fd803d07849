//! What is known of one reservoir before a time: its registers, samples, run ends and events.

use std::collections::BTreeMap;

use drydown_physics::solubility;
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
    /// Standard deviation of either: `sd_ppm` and `cv` of the value, and how far its two readings are
    /// apart, root sum of squares.
    pub sd_ppm: f64,
    pub cv: f64,
    /// How far two readings of the start are apart, ppm; 0 where one is enough.
    pub first_apart_ppm: f64,
    /// The same of the end.
    pub last_apart_ppm: f64,
    /// Working hours.
    pub hours: f64,
    /// Oil in the unit and the air about it at the start, °C; None where not logged.
    pub start_degc: Option<f64>,
    pub start_air_degc: Option<f64>,
}

/// The oil that a unit first saw of a reservoir: what a start of one of its runs logged.
#[derive(Clone, Debug, PartialEq)]
pub struct StartOil {
    pub run_id: RunId,
    pub started_at: Stamp,
    /// Temperature of the oil, °C.
    pub oil_degc: Option<f64>,
    /// Temperature of the air, °C.
    pub ambient_degc: Option<f64>,
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

/// Spread of a sensor's value at a run's end, ppm and relative: fitted through the run, or one bin of
/// the log. From common practice of in-line sensors, no source.
const FITTED: (f64, f64) = (3.0, 0.08);
const LOGGED: (f64, f64) = (8.0, 0.12);
/// What a sensor is off throughout a run, in activity: makers state some ±0.02 (common practice, no
/// source), read as a 90 % interval. In ppm it grows with what the warm oil can hold.
const SENSOR_ACTIVITY_SD: f64 = 0.012;
/// Oil in a unit at work where the run does not say, °C; common practice.
const WORKING_DEGC: f64 = 62.0;
/// What such oil holds where its register says nothing, ppm; a middling hydraulic oil, common practice.
const WORKING_SOLUBILITY_PPM: f64 = 800.0;

/// The history of every reservoir of the register, in the register's order.
///
/// Nothing stamped at or after `as_of` passes, whatever the caller hands in. `starts` tell how warm the
/// oil is in service: in any order, the first of each run counts.
#[must_use]
pub fn histories<'a>(
    registers: &'a Registers,
    samples: &'a [Sample],
    runs: &[Run],
    removal_runs: &[RemovalRun],
    starts: &[StartOil],
    as_of: Stamp,
) -> Vec<ReservoirHistory<'a>> {
    let fits: BTreeMap<&RunId, &RemovalRun> =
        removal_runs.iter().map(|row| (&row.run_id, row)).collect();
    let mut first_of: BTreeMap<&RunId, &StartOil> = BTreeMap::new();
    for start in starts {
        let first = first_of.entry(&start.run_id).or_insert(start);
        if start.started_at < first.started_at {
            *first = start;
        }
    }
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
            let start = first_of.get(&run.run_id);
            let end = RunEnd {
                start_degc: start.and_then(|start| start.oil_degc),
                start_air_degc: start.and_then(|start| start.ambient_degc),
                ..to_run_end(run, fits.get(&run.run_id).copied(), registers)
            };
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
    let (noise_ppm, cv) = if from_fit { FITTED } else { LOGGED };
    let oil = run.oil_type.as_ref().or_else(|| {
        let reservoir = registers.reservoir(run.reservoir_id.as_ref()?)?;
        reservoir.oil_type.as_ref()
    });
    let holds_ppm = oil
        .and_then(|oil| registers.oil(oil))
        .and_then(|oil| {
            let degc = run.oil_degc.unwrap_or(WORKING_DEGC);
            Some(solubility::ppm(
                oil.solubility_a?,
                oil.solubility_b_k?,
                degc,
            ))
        })
        .unwrap_or(WORKING_SOLUBILITY_PPM);
    let sd_ppm = noise_ppm.hypot(SENSOR_ACTIVITY_SD * holds_ppm);
    // over paper the fit may take what the paper gives back for oil that is badly mixed: either may be right
    let reservoir = run
        .reservoir_id
        .as_ref()
        .and_then(|id| registers.reservoir(id));
    let over_paper = reservoir.is_some_and(|reservoir| reservoir.paper_insulated == Some(true));
    let apart = |fitted: Option<f64>, logged: Option<f64>| {
        let both = fitted.zip(logged).filter(|_| over_paper);
        both.map_or(0.0, |(fitted, logged)| (fitted - logged).abs())
    };
    RunEnd {
        started_at: run.started_at,
        ended_at: run.ended_at,
        // behind the chamber a start is reckoned back through the removal, and over paper nothing denies it
        water_first_ppm: fitted
            .filter(|_| !(over_paper && place == Some(SensorPlace::Outlet)))
            .and_then(|fit| fit.start_ppm)
            .or(logged_first),
        water_last_ppm: fitted.and_then(|fit| fit.end_ppm).or(logged_last),
        sd_ppm,
        cv,
        first_apart_ppm: apart(fitted.and_then(|fit| fit.start_ppm), logged_first),
        last_apart_ppm: apart(fitted.and_then(|fit| fit.end_ppm), logged_last),
        hours: run.hours,
        start_degc: None,
        start_air_degc: None,
    }
}
