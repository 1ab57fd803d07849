//! One run as a row: means over its drying phase, water balance, alarms, flags with reasons.

use drydown_physics::heat;
use drydown_quantity::{OilType, RunId, Stamp};

use crate::cut::Cut;
use crate::history::{Registers, ReservoirAction, Sample, SensorPlace, UnitEventKind};
use crate::marks::{Marks, hours_between};
use crate::water::Water;
use crate::{Phase, Readings, Run, RunsConfig, SeriesPoint};

/// A run's readings with all that is derived from them.
#[derive(Debug)]
pub(crate) struct Work<'a> {
    pub(crate) readings: &'a Readings,
    pub(crate) marks: &'a Marks,
    pub(crate) cut: &'a Cut,
    /// Indexes of the working readings in the log, ascending.
    pub(crate) idx: Vec<usize>,
    /// One per working reading.
    pub(crate) phases: Vec<Phase>,
    pub(crate) water: Water,
}

/// Where a run lies among registers and samples.
#[derive(Debug)]
pub(crate) struct Setting<'a> {
    pub(crate) registers: &'a Registers,
    /// Those of the unit's reservoirs.
    pub(crate) samples: &'a [&'a Sample],
    pub(crate) oil_type: Option<OilType>,
    /// The run still goes on at as_of.
    pub(crate) open: bool,
}

/// The row of a run. Pump-down speed and base come later: see `Run::with_pump_down`.
pub(crate) fn describe(
    run_id: &RunId,
    work: &Work<'_>,
    series: &[SeriesPoint],
    setting: &Setting<'_>,
    config: &RunsConfig,
) -> Run {
    let Work {
        readings,
        marks,
        cut,
        ..
    } = work;
    let (started_at, ended_at) = span(work);
    let weights = drying_weights(work, config);
    let mean = |cell: &dyn Fn(usize) -> Option<f64>| weighted_mean(&weights, cell);
    let oil_degc = mean(&|i| marks.oil(i));
    let (first, last) = water_ends(series);
    Run {
        run_id: run_id.clone(),
        unit_id: readings.unit_id.clone(),
        reservoir_id: cut.reservoir.clone(),
        oil_type: setting.oil_type.clone(),
        started_at,
        ended_at,
        hours: cut.hours,
        flow_lpm: mean(&|i| readings.oil_flow_lpm.get(i)),
        oil_degc,
        chamber_kpa: mean(&|i| marks.chamber(i)),
        water_first_ppm: first,
        water_last_ppm: last,
        water_removed_kg: removed_kg(work, setting, oil_degc, first.zip(last)),
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: steady_kpa(work, &weights),
        ambient_kpa: mean(&|i| marks.ambient(i)),
        vent_open_pct: mean(&|i| readings.vent_open_pct.get(i)),
        vacuum_pump_degc: mean(&|i| readings.vacuum_pump_degc.get(i)),
        n_readings: cut.n_readings,
        n_samples: n_samples(work, setting, config),
        alarms: n_alarms(work, setting.registers),
        flags: flags(work, setting, series),
    }
}

fn span(work: &Work<'_>) -> (Stamp, Stamp) {
    let at = |i: usize| {
        work.readings
            .at
            .get(i)
            .copied()
            .unwrap_or(Stamp::from_micros(0))
    };
    (at(work.cut.first), at(work.cut.last))
}

/// Drying readings with the hours each stands for. A reading before unlogged time stands for no
/// more than the configured step. Where the run never dried, its whole working time counts.
fn drying_weights(work: &Work<'_>, config: &RunsConfig) -> Vec<(usize, f64)> {
    let most_h = config.unlogged_min / 60.0;
    let weight = |k: usize, i: usize| {
        let next = work
            .idx
            .get(k + 1)
            .map(|j| hours_between(&work.readings.at, i, *j));
        let before = k.checked_sub(1).and_then(|p| work.idx.get(p));
        let before = before.map(|j| hours_between(&work.readings.at, *j, i));
        next.or(before).unwrap_or(most_h).min(most_h)
    };
    let of = |wanted: &dyn Fn(Phase) -> bool| -> Vec<(usize, f64)> {
        let pairs = work.idx.iter().zip(&work.phases).enumerate();
        pairs
            .filter(|(_, (_, p))| wanted(**p))
            .map(|(k, (i, _))| (*i, weight(k, *i)))
            .collect()
    };
    let drying = of(&|phase| phase == Phase::Drying);
    if drying.is_empty() {
        of(&|_| true)
    } else {
        drying
    }
}

fn weighted_mean(weights: &[(usize, f64)], cell: &dyn Fn(usize) -> Option<f64>) -> Option<f64> {
    let mut sum = 0.0;
    let mut total = 0.0;
    for (i, weight) in weights {
        if let Some(value) = cell(*i) {
            sum += weight * value;
            total += weight;
        }
    }
    (total > 0.0).then(|| sum / total)
}

/// Median pressure over the later half of the drying phase: what the pump holds under load.
fn steady_kpa(work: &Work<'_>, weights: &[(usize, f64)]) -> Option<f64> {
    let later = weights.get(weights.len() / 2..)?;
    let mut kpa: Vec<f64> = later
        .iter()
        .filter_map(|(i, _)| work.marks.chamber(*i))
        .collect();
    kpa.sort_unstable_by(f64::total_cmp);
    kpa.get(kpa.len() / 2).copied()
}

/// First and last water of the series outside pump-down, while oil flows where flow is logged: a
/// sensor in standing oil says nothing of the reservoir. A bin of a single reading gives way to one
/// of several close by. One bin alone tells how the run began and not how it ended.
fn water_ends(series: &[SeriesPoint]) -> (Option<f64>, Option<f64>) {
    /// A better bin farther off than this tells another time of the run, hours.
    const CLOSE_H: f64 = 0.5;
    let usable: Vec<&SeriesPoint> = series
        .iter()
        .filter(|p| p.water_ppm.is_some() && p.phase != Phase::PumpDown)
        .filter(|p| p.flow_lpm.is_none_or(|lpm| lpm > 0.0))
        .collect();
    let near = |end: &SeriesPoint, p: &SeriesPoint| {
        p.n_readings > 1 && p.at.hours_after(end.at).abs() <= CLOSE_H
    };
    let first = usable.first().map(|end| {
        let better = usable.iter().find(|p| near(end, p));
        *better.unwrap_or(end)
    });
    let last = usable.last().map(|end| {
        let better = usable.iter().rfind(|p| near(end, p));
        *better.unwrap_or(end)
    });
    let last = last.filter(|last| first.is_some_and(|first| first.at < last.at));
    (
        first.and_then(|p| p.water_ppm),
        last.and_then(|p| p.water_ppm),
    )
}

/// Water removed, kg: density · volume · fall of the water content. None where volume or oil is
/// unknown, or where the sensor sits at the outlet and never saw the reservoir.
fn removed_kg(
    work: &Work<'_>,
    setting: &Setting<'_>,
    oil_degc: Option<f64>,
    ends: Option<(f64, f64)>,
) -> Option<f64> {
    let registers = setting.registers;
    let place = registers
        .unit(&work.readings.unit_id)
        .and_then(|row| row.water_sensor_place);
    if place == Some(SensorPlace::Outlet) {
        return None;
    }
    let (first, last) = ends?;
    let volume_l = registers
        .reservoir(work.cut.reservoir.as_ref()?)?
        .volume_l?;
    let density_15c = registers
        .oil(setting.oil_type.as_ref()?)?
        .density_15c_kgm3?;
    let kgm3 = heat::oil_kgm3(oil_degc.unwrap_or(15.0), density_15c);
    Some(kgm3 * volume_l / 1000.0 * (first - last) * 1e-6)
}

fn n_samples(work: &Work<'_>, setting: &Setting<'_>, config: &RunsConfig) -> i64 {
    let Some(reservoir) = &work.cut.reservoir else {
        return 0;
    };
    let (start, end) = span(work);
    let (from, to) = (
        start.plus_hours(-config.sample_slack_h),
        end.plus_hours(config.sample_slack_h),
    );
    let within = |sample: &&&Sample| {
        sample.reservoir_id.as_ref() == Some(reservoir)
            && sample
                .taken_at
                .or(sample.reported_at)
                .is_some_and(|at| from <= at && at <= to)
    };
    i64::try_from(setting.samples.iter().filter(within).count()).unwrap_or(i64::MAX)
}

/// Alarms and trips of a run: onsets in the alarm column, or the controller's own events where it
/// reported more (the same alarm often stands in both).
fn n_alarms(work: &Work<'_>, registers: &Registers) -> i64 {
    let (start, end) = span(work);
    let mut onsets = 0;
    let mut active: Option<&str> = None;
    for i in work.cut.first..=work.cut.last {
        let text = work.readings.alarm.get(i).and_then(Option::as_deref);
        let text = text.map(str::trim).filter(|t| !t.is_empty());
        if text.is_some() && text != active {
            onsets += 1;
        }
        active = text;
    }
    let reported = registers
        .unit_events_of(&work.readings.unit_id)
        .iter()
        .filter(|event| start <= event.at && event.at <= end)
        .filter(|event| {
            matches!(
                event.kind,
                Some(UnitEventKind::Trip | UnitEventKind::AlarmOn)
            )
        })
        .count();
    onsets.max(i64::try_from(reported).unwrap_or(i64::MAX))
}

fn flags(work: &Work<'_>, setting: &Setting<'_>, series: &[SeriesPoint]) -> Vec<String> {
    let Work { cut, water, .. } = work;
    let registers = setting.registers;
    let place = registers
        .unit(&work.readings.unit_id)
        .and_then(|row| row.water_sensor_place);
    let saturated = water
        .saturated
        .iter()
        .zip(&water.ppm)
        .any(|(s, ppm)| *s && !ppm.is_nan());
    let no_pressure = !work.idx.iter().any(|i| work.marks.chamber(*i).is_some());
    let words = [
        (cut.clock_jump, "clock_jump"),
        (cut.gap, "gap"),
        (no_pressure, "no_pressure"),
        (cut.reservoir.is_none(), "no_reservoir"),
        (!water.logged, "no_water_sensor"),
        (setting.open, "open"),
        (
            place == Some(SensorPlace::Outlet) && water.logged,
            "outlet_sensor",
        ),
        (pressure_stuck(work), "pressure_stuck"),
        (refilled(work, registers), "refilled"),
        (cut.conflict, "reservoir_conflict"),
        (saturated, "sensor_saturated"),
        (water.spiking, "sensor_spiking"),
        (water.stuck, "sensor_stuck"),
        (cut.n_readings == 1, "single_reading"),
        (
            work.idx.len() > 1 && series.iter().all(|p| p.phase != Phase::Drying),
            "never_dried",
        ),
    ];
    let mut flags: Vec<String> = words
        .into_iter()
        .filter(|(holds, _)| *holds)
        .map(|(_, word)| word.to_owned())
        .collect();
    flags.sort_unstable();
    flags
}

/// Whether oil was topped up or changed while the run was on: its water balance is then not the
/// machine's alone.
fn refilled(work: &Work<'_>, registers: &Registers) -> bool {
    let (start, end) = span(work);
    work.cut.reservoir.as_ref().is_some_and(|reservoir| {
        registers
            .reservoir_events_of(reservoir)
            .iter()
            .any(|event| {
                start <= event.at
                    && event.at <= end
                    && matches!(
                        event.action,
                        ReservoirAction::TopUp | ReservoirAction::OilChange
                    )
            })
    })
}

/// A pressure that repeats one value for hours while the oil temperature moves. A gauge that shows
/// coarse steps may rightly stand still and is not judged.
fn pressure_stuck(work: &Work<'_>) -> bool {
    const COARSE_KPA: f64 = 0.2;
    let mut start: Option<(usize, f64)> = None;
    let mut oil: Option<(f64, f64)> = None;
    let mut step_kpa = f64::INFINITY;
    let mut stuck = false;
    for i in &work.idx {
        let Some(kpa) = work.marks.chamber(*i) else {
            continue;
        };
        let step = start.map_or(f64::INFINITY, |(_, value)| (value - kpa).abs());
        if start.is_none() || step > 0.0 {
            step_kpa = step_kpa.min(step);
            start = Some((*i, kpa));
            oil = None;
        }
        if let Some(degc) = work.marks.oil(*i) {
            oil = Some(oil.map_or((degc, degc), |(low, high)| (low.min(degc), high.max(degc))));
        }
        let long = start.is_some_and(|(from, _)| hours_between(&work.readings.at, from, *i) >= 3.0);
        stuck |= long && oil.is_some_and(|(low, high)| high - low > 1.0);
    }
    stuck && !(COARSE_KPA..f64::INFINITY).contains(&step_kpa)
}
