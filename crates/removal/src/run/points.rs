//! Which bins and samples speak for a run, why the others do not, and the clock they share.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_runs::Phase;
use drydown_runs::history::{Censor, Sample, SamplePoint, SensorPlace};

use super::RunInput;
use super::bottom::{Says, mark_bottom};
use super::clock::WorkClock;
use super::conditions::Conditions;
use super::curve::Step;
use super::marks::{mark_spikes, mark_stuck};
use crate::config::RunFitConfig;

const MICROS_PER_DAY: i64 = 86_400_000_000;

/// One sensor value at a node.
#[derive(Clone, Copy, Debug)]
pub(super) struct SensorPoint {
    pub(super) node: usize,
    pub(super) water_ppm: f64,
    pub(super) says: Says,
    /// Hours since the run's start on the wall clock: errors correlate in it.
    pub(super) clock_h: f64,
}

/// One laboratory value at a node.
#[derive(Clone, Copy, Debug)]
pub(super) struct LabPoint {
    pub(super) node: usize,
    pub(super) water_ppm: f64,
    pub(super) censor: Censor,
    /// Drawn at the unit's outlet, not from the reservoir.
    pub(super) outlet: bool,
    /// Standard deviation that the time outside the run adds to the logarithm.
    pub(super) extra_log_sd: f64,
    /// Hours after the run's end; 0 within it and before.
    pub(super) after_h: f64,
    /// Its place among the samples that were handed in.
    pub(super) idx: usize,
    /// When it speaks.
    pub(super) at: Stamp,
}

/// What a run's fit works on.
#[derive(Clone, Debug, Default)]
pub(super) struct Points {
    /// `steps[i]` leads to node i; the first starts at the run's start.
    pub(super) steps: Vec<Step>,
    /// Node of the run's end; nodes behind it belong to samples after the stop.
    pub(super) end_node: usize,
    /// Node of the next start on the reservoir, where the points reach so far.
    pub(super) next_node: Option<usize>,
    pub(super) sensor: Vec<SensorPoint>,
    pub(super) lab: Vec<LabPoint>,
    /// Width of one step of the sensor series, hours.
    pub(super) bin_h: f64,
    pub(super) work_hours: f64,
    /// The sensor sits in the stream that leaves the unit.
    pub(super) sensor_at_outlet: bool,
    /// Sensor ppm come from activity.
    pub(super) from_activity: bool,
    /// No exact sensor value lies clearly above solubility: the sensor sees dissolved water only.
    pub(super) dissolved_only: bool,
    /// Bins and samples offered.
    pub(super) n_bins: usize,
    pub(super) n_samples: usize,
    /// How many bins and samples were left out, by reason.
    pub(super) left_out: BTreeMap<&'static str, usize>,
    /// Bins behind one merged sensor point.
    pub(super) merged: usize,
    /// For each bin and each sample as handed in: why it was left out, None where it speaks.
    pub(super) bins_why_not: Vec<Option<&'static str>>,
    pub(super) samples_why_not: Vec<Option<&'static str>>,
    /// From here on the bins tell only, an hour at a time, on which side of the sensor's bottom the oil lay.
    pub(super) sides_from: Option<Stamp>,
    /// Node of each bin.
    pub(super) bin_nodes: Vec<usize>,
}

impl Points {
    pub(super) fn n_used(&self) -> usize {
        self.sensor.len() * self.merged.max(1) + self.lab.len()
    }

    /// Adds a node for the next start, so many hours after the run's end; none before a sample of the time between.
    pub(super) fn reach(&mut self, hours: f64) {
        let sampled_h = self
            .lab
            .iter()
            .map(|point| point.after_h)
            .fold(0.0, f64::max);
        let Some(last) = self.steps.last().copied().filter(|_| hours > sampled_h) else {
            return;
        };
        self.next_node = Some(self.steps.len());
        self.steps.push(Step {
            hours: 0.0,
            idle_hours: hours - sampled_h,
            to_go: 0.0,
            ..last
        });
    }

    pub(super) fn leave_out(&mut self, reason: &'static str) {
        *self.left_out.entry(reason).or_default() += 1;
    }
}

/// Gathers the points of a run.
pub(super) fn to_points(input: &RunInput<'_>, config: &RunFitConfig) -> Points {
    let mut points = Points {
        n_bins: input.series.len(),
        n_samples: input.samples.len(),
        from_activity: input.series.iter().any(|point| point.from_activity),
        sensor_at_outlet: input
            .unit
            .and_then(|unit| unit.water_sensor_place)
            .is_some_and(|place| place == SensorPlace::Outlet),
        ..Points::default()
    };
    let bins = used_bins(input, &mut points);
    let bins = mark_bottom(bins, config, &mut points);
    let drying = input
        .series
        .iter()
        .filter(|point| point.phase == Phase::Drying)
        .count();
    points.merged = drying.div_ceil(config.max_bins.max(1)).max(1);
    let clock = WorkClock::from_run(input.run, input.series);
    points.work_hours = clock.total_hours();
    points.bin_h = clock.bin_hours() * points.merged as f64;
    let bins = merge(&bins, points.merged);
    let samples = used_samples(input, config, &mut points);
    lay_out(input, config, &clock, &bins, &samples, &mut points);
    points
}

/// A bin as far as the fit needs it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bin {
    pub(super) at: Stamp,
    pub(super) water_ppm: f64,
    pub(super) says: Says,
}

fn used_bins(input: &RunInput<'_>, points: &mut Points) -> Vec<Bin> {
    let spikes = mark_spikes(input.series);
    let stuck = mark_stuck(input.series);
    let mut bins = Vec::new();
    let mut why_not = Vec::with_capacity(input.series.len());
    for (idx, point) in input.series.iter().enumerate() {
        let flagged = |marks: &[bool]| marks.get(idx).copied().unwrap_or(false);
        let reason = match (point.phase, point.water_ppm) {
            (Phase::PumpDown, _) => Some("pump-down"),
            (Phase::Heating, _) => Some("heating"),
            (Phase::CoolDown, _) => Some("cool-down"),
            (Phase::Drying, None) => Some("no water value"),
            (Phase::Drying, Some(water)) if !water.is_finite() || water < 0.0 => {
                Some("no water value")
            }
            (Phase::Drying, _) if flagged(&stuck) => Some("sensor stuck"),
            (Phase::Drying, _) if flagged(&spikes) => Some("spike"),
            (Phase::Drying, _) => None,
        };
        why_not.push(reason);
        match (reason, point.water_ppm) {
            (None, Some(water_ppm)) => {
                let says = if point.water_censor == Some(Censor::Above) {
                    Says::AtTop
                } else {
                    Says::Level
                };
                bins.push(Bin {
                    at: point.at,
                    water_ppm,
                    says,
                });
            }
            (reason, _) => points.leave_out(reason.unwrap_or("no water value")),
        }
    }
    points.bins_why_not = why_not;
    bins
}

/// Means of `n` bins each; bins at the sensor's top stay as they are and do not mix with others.
fn merge(bins: &[Bin], n: usize) -> Vec<Bin> {
    if n <= 1 {
        return bins.to_vec();
    }
    let mut out = Vec::with_capacity(bins.len() / n + 1);
    for group in bins.chunk_by(|a, b| a.says == b.says) {
        let n = if group.first().is_some_and(|bin| bin.says.is_side()) {
            1
        } else {
            n
        };
        for part in group.chunks(n) {
            let (Some(first), Some(last)) = (part.first(), part.last()) else {
                continue;
            };
            let mean = part.iter().map(|bin| bin.water_ppm).sum::<f64>() / part.len() as f64;
            let middle = i64::midpoint(first.at.micros(), last.at.micros());
            let water_ppm = if first.says == Says::AtTop {
                last.water_ppm
            } else {
                mean
            };
            out.push(Bin {
                at: Stamp::from_micros(middle),
                water_ppm,
                says: first.says,
            });
        }
    }
    out
}

fn used_samples<'a>(
    input: &RunInput<'a>,
    config: &RunFitConfig,
    points: &mut Points,
) -> Vec<UsedSample<'a>> {
    let (start, end) = (input.run.started_at, input.run.ended_at);
    let mut used = Vec::new();
    let mut why_not = Vec::with_capacity(input.samples.len());
    for (idx, sample) in input.samples.iter().copied().enumerate() {
        let at_unit = matches!(
            sample.sample_point,
            Some(SamplePoint::UnitInlet | SamplePoint::UnitOutlet)
        );
        let other_unit = sample
            .unit_id
            .as_ref()
            .is_some_and(|unit| *unit != input.run.unit_id);
        let placed = if at_unit && other_unit {
            Err("sample at another unit")
        } else {
            place_in_run(sample, start, end, config)
        };
        why_not.push(placed.err());
        match placed {
            Ok((at, extra_log_sd)) => used.push(UsedSample {
                at,
                sample,
                extra_log_sd,
                idx,
            }),
            Err(reason) => points.leave_out(reason),
        }
    }
    points.samples_why_not = why_not;
    used.sort_by(|a, b| (a.at, &a.sample.sample_id).cmp(&(b.at, &b.sample.sample_id)));
    used
}

/// A sample that speaks for the run.
struct UsedSample<'a> {
    /// When it speaks.
    at: Stamp,
    sample: &'a Sample,
    extra_log_sd: f64,
    /// Its place among the samples that were handed in.
    idx: usize,
}

/// When within the run a sample speaks, and the spread that time outside the run adds; else why it does not.
fn place_in_run(
    sample: &Sample,
    start: Stamp,
    end: Stamp,
    config: &RunFitConfig,
) -> Result<(Stamp, f64), &'static str> {
    let taken = sample.taken_at.ok_or("sample without a time")?;
    match (sample.water_ppm, sample.water_censor) {
        (None, _) => return Err("sample without a water value"),
        (Some(water), _) if !(water.is_finite() && water > 0.0) => {
            return Err("sample without a water value");
        }
        _ => {}
    }
    match sample.sample_point {
        Some(SamplePoint::ReservoirMid | SamplePoint::Line | SamplePoint::UnitInlet) => {}
        Some(SamplePoint::UnitOutlet) if start <= taken && taken <= end => {}
        _ => return Err("sample not of the oil in use"),
    }
    let day_only = taken.micros().rem_euclid(MICROS_PER_DAY) == 0;
    let latest = if day_only {
        taken.plus_hours(24.0)
    } else {
        taken
    };
    if latest <= start {
        let age_h = start.hours_after(taken).max(0.0);
        if age_h > config.sample_before_h {
            return Err("sample too long before the run");
        }
        return Ok((start, config.sample_log_sd_per_day * age_h / 24.0));
    }
    if taken >= end {
        let age_h = latest.hours_after(end);
        if age_h > config.sample_after_h + if day_only { 24.0 } else { 0.0 } {
            return Err("sample too long after the run");
        }
        // Its own time: the stretch between is ingress and mixing, not drying.
        let at = if day_only { latest } else { taken };
        return Ok((at, config.sample_log_sd_per_day * age_h / 24.0));
    }
    if day_only {
        return Err("sample time known to the day only");
    }
    Ok((taken, 0.0))
}

/// Puts bins and samples on one ladder of nodes and gives each step its conditions.
fn lay_out(
    input: &RunInput<'_>,
    config: &RunFitConfig,
    clock: &WorkClock,
    bins: &[Bin],
    samples: &[UsedSample<'_>],
    points: &mut Points,
) {
    let run = input.run;
    let mut times: Vec<Stamp> = input.series.iter().map(|point| point.at).collect();
    times.extend(bins.iter().map(|bin| bin.at));
    times.extend(samples.iter().map(|used| used.at));
    times.extend([run.started_at, run.ended_at]);
    for at in &mut times {
        *at = (*at).clamp(run.started_at, run.ended_at.max(run.started_at));
    }
    times.sort_unstable();
    times.dedup();
    let conditions = Conditions::of(input, config);
    let total_h = clock.total_hours().max(f64::MIN_POSITIVE);
    let mut worked = 0.0;
    let mut before = run.started_at;
    for at in &times {
        let now = clock.worked_at(*at);
        let mut step = conditions.step(*at, now - worked);
        step.idle_hours = (at.hours_after(before) - step.hours).max(0.0);
        step.to_go = (1.0 - 0.5 * (worked + now) / total_h).clamp(0.0, 1.0);
        points.steps.push(step);
        (worked, before) = (now, *at);
    }
    points.end_node = times.len().saturating_sub(1);
    let mut after: Vec<Stamp> = samples.iter().map(|used| used.at).collect();
    after.retain(|at| *at > run.ended_at);
    after.sort_unstable();
    after.dedup();
    for at in &after {
        let mut step = conditions.step(*at, 0.0);
        step.idle_hours = at.hours_after(before).max(0.0);
        points.steps.push(step);
        before = *at;
    }
    conditions.warm_reservoir(&mut points.steps);
    let node = |at: Stamp| {
        times
            .binary_search(&at.clamp(run.started_at, run.ended_at.max(run.started_at)))
            .unwrap_or_else(|idx| idx.min(times.len().saturating_sub(1)))
    };
    points.bin_nodes = input.series.iter().map(|point| node(point.at)).collect();
    points.sensor = bins
        .iter()
        .map(|bin| SensorPoint {
            node: node(bin.at),
            water_ppm: bin.water_ppm,
            says: bin.says,
            clock_h: bin.at.hours_after(run.started_at),
        })
        .collect();
    points.dissolved_only = points
        .sensor
        .iter()
        .filter(|point| point.says.is_level())
        .all(|point| {
            points
                .steps
                .get(point.node)
                .is_none_or(|step| point.water_ppm <= 1.1 * step.solubility_ppm)
        });
    points.lab = samples
        .iter()
        .filter_map(|used| {
            let (at, sample) = (used.at, used.sample);
            Some(LabPoint {
                node: after
                    .binary_search(&at)
                    .map_or_else(|_| node(at), |idx| points.end_node + 1 + idx),
                after_h: at.hours_after(run.ended_at).max(0.0),
                water_ppm: sample.water_ppm?,
                censor: sample.water_censor.unwrap_or(Censor::Exact),
                outlet: sample.sample_point == Some(SamplePoint::UnitOutlet),
                extra_log_sd: used.extra_log_sd,
                idx: used.idx,
                at,
            })
        })
        .collect();
}
