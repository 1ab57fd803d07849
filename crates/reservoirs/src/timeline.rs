//! A reservoir's history as steps in time: what was seen, what was done.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_runs::history::{Censor, ReservoirAction, ReservoirEvent, Sample};

use crate::ReservoirsConfig;
use crate::history::{ReservoirHistory, RunEnd};

/// One thing that moves or informs the water in a reservoir.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// A laboratory result; `cv` beyond the laboratory's own; `width_h` of its time stamp.
    Sample {
        ppm: f64,
        censor: Censor,
        extra_cv: f64,
        width_h: f64,
        extra_sd_ppm: f64,
    },
    /// A sensor's value at a run's start.
    RunStart { ppm: f64, sd_ppm: f64 },
    /// A run ended: the level is what its end says.
    RunEnd { ppm: f64, sd_ppm: f64 },
    /// A run ended and nothing tells the level: the share of the water that was left, and its spread.
    Dried { left: f64, left_sd: f64 },
    /// A share of the oil replaced by oil of this content.
    Mix {
        share: f64,
        share_sd: f64,
        ppm: f64,
        sd_ppm: f64,
    },
    /// Bottoms drained; the water taken out where its amount is known.
    Drain { removed_ppm: Option<f64> },
    /// The ingress changed: how much of what was known of it still counts, 0..1.
    NewIngress { keep: f64 },
}

/// A step of the timeline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    /// Hours since the timeline's origin.
    pub(crate) at_h: f64,
    pub(crate) kind: Kind,
}

/// The steps of one reservoir, ascending, and the time of as_of on the same axis.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Timeline {
    pub(crate) steps: Vec<Step>,
    pub(crate) end_h: f64,
    pub(crate) n_samples: i64,
    pub(crate) n_run_ends: i64,
    /// Whether only bounds were seen, no value.
    pub(crate) only_censored: bool,
    /// Hours since the last sample that informs the water.
    pub(crate) sample_age_h: Option<f64>,
    /// Hour of the year at the origin.
    pub(crate) origin_h: f64,
}

impl Timeline {
    /// The same, begun some hours before.
    pub(crate) fn begin_earlier(&mut self, hours: f64) {
        for step in &mut self.steps {
            step.at_h += hours;
        }
        self.end_h += hours;
        self.origin_h -= hours;
    }

    /// The highest value seen, ppm; 0 where none was.
    pub(crate) fn highest_ppm(&self) -> f64 {
        let seen = self.steps.iter().map(|step| match step.kind {
            Kind::Sample { ppm, .. } | Kind::RunStart { ppm, .. } => ppm,
            _ => 0.0,
        });
        seen.fold(0.0, f64::max)
    }
}

/// Water in new oil that nobody measured: common practice for bulk oil, no source.
const NEW_OIL_PPM: (f64, f64) = (80.0, 60.0);

/// Share of the water that a run leaves, and its spread, where no run of the fleet tells: common
/// practice, no source; it counts as much as five runs.
const USUALLY_LEFT: (f64, f64, f64) = (0.45, 0.25, 5.0);

/// Share of the water that a run leaves, and its spread, from the fleet's runs with a sensor.
pub(crate) fn usually_left(histories: &[ReservoirHistory<'_>]) -> (f64, f64) {
    let (mean, sd, n) = USUALLY_LEFT;
    let (mut count, mut sum, mut squares) = (n, n * mean, n * (mean * mean + sd * sd));
    for run in histories.iter().flat_map(|history| &history.run_ends) {
        let (Some(first), Some(last)) = (run.water_first_ppm, run.water_last_ppm) else {
            continue;
        };
        if first > 0.0 {
            let left = (last / first).clamp(0.0, 1.2);
            count += 1.0;
            sum += left;
            squares += left * left;
        }
    }
    let mean = sum / count;
    (mean, (squares / count - mean * mean).max(0.0).sqrt())
}

/// The timeline of a history. `oil_kg` turns drained litres of water into ppm.
pub(crate) fn to_timeline(
    history: &ReservoirHistory<'_>,
    oil_kg: Option<f64>,
    (as_of, left): (Stamp, (f64, f64)),
    config: &ReservoirsConfig,
) -> Timeline {
    let informing: Vec<&Sample> = history
        .samples
        .iter()
        .copied()
        .filter(|sample| sample.informs_reservoir() && sample.water_ppm.is_some())
        .collect();
    let main_lab = most_frequent_lab(&informing);
    let mut steps: Vec<(Stamp, u8, Kind)> = Vec::new();
    for sample in &informing {
        if let Some((at, kind)) = to_sample_step(sample, &informing, main_lab, history, config) {
            steps.push((at, 1, kind));
        }
    }
    for run in &history.run_ends {
        let sd = |ppm: f64, apart_ppm: f64| run.sd_ppm.hypot(run.cv * ppm).hypot(apart_ppm);
        if let Some(ppm) = run.water_first_ppm {
            steps.push((
                run.started_at,
                2,
                Kind::RunStart {
                    ppm,
                    sd_ppm: sd(ppm, run.first_apart_ppm),
                },
            ));
        }
        let end = run
            .water_last_ppm
            .map(|ppm| (ppm, sd(ppm, run.last_apart_ppm)));
        let end = end.or_else(|| last_sample_in(run, &informing, config));
        let dried = Kind::Dried {
            left: left.0,
            left_sd: left.1,
        };
        let kind = end.map_or(dried, |(ppm, sd_ppm)| Kind::RunEnd { ppm, sd_ppm });
        steps.push((run.ended_at, 0, kind));
    }
    let paper = history.reservoir.paper_insulated == Some(true);
    for event in history.events {
        let volume_l = history.reservoir.volume_l;
        let kind = to_event_step(event, volume_l, oil_kg);
        // another breather hardly moves oil that follows its paper
        let breather = |kind: &Kind| matches!(kind, Kind::NewIngress { keep } if *keep > 0.0);
        let kind = kind.filter(|kind| !(paper && breather(kind)));
        if let Some(kind) = kind {
            steps.push((event.at, 3, kind));
        }
    }
    steps.sort_by_key(|step| (step.0, step.1));
    let origin = steps.first().map_or(as_of, |step| step.0);
    let last_sample = informing.iter().filter_map(|sample| sample.taken_at).max();
    let exact =
        |sample: &&Sample| !matches!(sample.water_censor, Some(Censor::Below | Censor::Above));
    Timeline {
        steps: steps
            .into_iter()
            .map(|(at, _, kind)| Step {
                at_h: at.hours_after(origin),
                kind,
            })
            .collect(),
        end_h: as_of.hours_after(origin),
        n_samples: count(informing.len()),
        n_run_ends: count(
            history
                .run_ends
                .iter()
                .filter(|run| run.water_first_ppm.is_some() || run.water_last_ppm.is_some())
                .count(),
        ),
        only_censored: !informing.is_empty() && !informing.iter().any(exact),
        sample_age_h: last_sample.map(|at| as_of.hours_after(at)),
        origin_h: 24.0 * f64::from(origin.day().day_of_year())
            + origin.hours_after(origin.day().start()),
    }
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn most_frequent_lab<'a>(samples: &[&'a Sample]) -> Option<&'a str> {
    let mut tally: BTreeMap<&str, usize> = BTreeMap::new();
    for sample in samples {
        *tally.entry(sample.lab.as_str()).or_default() += 1;
    }
    // the first of equals, so that the order of rows does not matter
    tally
        .into_iter()
        .rev()
        .max_by_key(|(_, n)| *n)
        .map(|(lab, _)| lab)
}

/// A sample as a step; None where it was drawn inside a run whose end speaks for itself.
fn to_sample_step(
    sample: &Sample,
    all: &[&Sample],
    main_lab: Option<&str>,
    history: &ReservoirHistory<'_>,
    config: &ReservoirsConfig,
) -> Option<(Stamp, Kind)> {
    let (taken, ppm) = (sample.taken_at?, sample.water_ppm?);
    let width_h = if is_date_only(sample, all) { 24.0 } else { 0.0 };
    let middle = taken.plus_hours(width_h / 2.0);
    let until = taken.plus_hours(width_h);
    let touching = |run: &&RunEnd| run.started_at < until && run.ended_at > taken;
    let runs: Vec<&RunEnd> = history.run_ends.iter().filter(touching).collect();
    let surely_inside = runs
        .iter()
        .any(|run| run.started_at <= taken && run.ended_at >= until);
    if surely_inside {
        return None;
    }
    // somewhere in a day in which a run began or ended: before or after is not known
    let extra_sd_ppm = runs
        .iter()
        .filter_map(|run| Some(0.5 * (run.water_first_ppm? - run.water_last_ppm?).abs()))
        .fold(0.0, f64::max);
    let foreign = main_lab.is_some_and(|lab| lab != sample.lab);
    let extra_cv = if foreign { config.other_lab_cv } else { 0.0 };
    let censor = sample.water_censor.unwrap_or(Censor::Exact);
    Some((
        middle,
        Kind::Sample {
            ppm,
            censor,
            extra_cv,
            width_h,
            extra_sd_ppm,
        },
    ))
}

/// Whether a laboratory states days, not times: all its stamps here fall on one or two whole hours.
///
/// Midnight of a zone with daylight saving is two hours in UTC.
fn is_date_only(sample: &Sample, all: &[&Sample]) -> bool {
    let second_of_day = |at: Stamp| at.seconds_after(at.day().start());
    let mut hours: Vec<i64> = Vec::new();
    for other in all.iter().filter(|other| other.lab == sample.lab) {
        let Some(at) = other.taken_at else { continue };
        let second = second_of_day(at).round() as i64;
        if second % 3600 != 0 {
            return false;
        }
        if !hours.contains(&(second / 3600)) {
            hours.push(second / 3600);
        }
    }
    hours.len() <= 2
}

/// The last exact sample drawn in a run, where no sensor tells the run's end.
fn last_sample_in(
    run: &RunEnd,
    samples: &[&Sample],
    config: &ReservoirsConfig,
) -> Option<(f64, f64)> {
    let inside = |at: Stamp| run.started_at <= at && at <= run.ended_at;
    let last = samples.iter().rev().find(|sample| {
        sample.taken_at.is_some_and(inside)
            && matches!(sample.water_censor, None | Some(Censor::Exact))
    })?;
    let (ppm, taken) = (last.water_ppm?, last.taken_at?);
    // what went on drying after the sample widens the end
    let since = run.ended_at.hours_after(taken) / run.ended_at.hours_after(run.started_at).max(0.1);
    let sd = (config.lab_cv + 0.5 * since.clamp(0.0, 1.0)) * ppm + config.lab_floor_ppm;
    Some((ppm, sd))
}

fn to_event_step(
    event: &ReservoirEvent,
    volume_l: Option<f64>,
    oil_kg: Option<f64>,
) -> Option<Kind> {
    let (ppm, sd_ppm) = event
        .water_ppm
        .map_or(NEW_OIL_PPM, |ppm| (ppm, 5.0 + 0.1 * ppm));
    let share_of = |litres: f64| {
        volume_l
            .filter(|v| *v > 0.0)
            .map(|v| (litres / v).clamp(0.0, 1.0))
    };
    match event.action {
        ReservoirAction::TopUp => {
            let share = event.volume_l.and_then(share_of);
            // an unknown top-up is a tenth of the oil, give or take as much
            let (share, share_sd) = share.map_or((0.1, 0.1), |share| (share, 0.2 * share));
            Some(Kind::Mix {
                share,
                share_sd,
                ppm,
                sd_ppm,
            })
        }
        // some of the old oil stays in lines and dead corners
        ReservoirAction::OilChange => Some(Kind::Mix {
            share: 0.93,
            share_sd: 0.05,
            ppm,
            sd_ppm,
        }),
        ReservoirAction::BottomDrain => {
            let removed_ppm = match (event.volume_l, oil_kg) {
                (Some(litres), Some(kg)) if kg > 0.0 => Some(litres * 1e6 / kg),
                _ => None,
            };
            Some(Kind::Drain { removed_ppm })
        }
        ReservoirAction::LeakRepair => Some(Kind::NewIngress { keep: 0.0 }),
        ReservoirAction::Breather => Some(Kind::NewIngress { keep: 0.3 }),
        ReservoirAction::Other => None,
    }
}
