//! Statistical alarm limits for what the laboratory measured beside water: percentiles of the fleet's own
//! results, and rates of change that are larger than the method repeats.
//!
//! In the manner of ASTM D7720 (percent cumulative distribution of the results of like equipment and oil)
//! and ASTM D7669 (trends, with limits further apart than the method repeats). They say what is unusual
//! in this fleet, not what is harmful: the equipment maker's limit comes first.

mod gather;
mod percentile;
mod strata;

use drydown_quantity::{ReservoirId, Stamp, words};
use drydown_runs::history::{Censor, Registers, Sample};

use gather::{Point, series};
use percentile::Seen;
use strata::{Strata, keys};

words! {
    /// How a reservoir's last result stands among those of its like.
    AlarmStatus {
        Normal = "normal", Watch = "watch", Caution = "caution", Alarm = "alarm",
        TooFewResults = "too_few_results", BoundOnly = "bound_only",
    }
}
words! {
    /// How the last change stands to what the method repeats and to the fleet's changes.
    ChangeStatus {
        NoPair = "no_pair", Within = "within_repeatability", Usual = "usual", Unusual = "unusual",
        TooFewChanges = "too_few_changes",
    }
}
words! {
    /// Whose results the limits come from.
    AlarmBasis { ServiceOil = "service_oil", Oil = "oil", Service = "service" }
}
words! {
    /// On which side of the middle the limits lie.
    AlarmSide { High = "high", Low = "low" }
}

/// Whatever else a laboratory measured on a sample: one row of `results`.
#[derive(Clone, Debug, PartialEq)]
pub struct LabResult {
    /// The laboratory.
    pub lab: String,
    /// Its number of the sample.
    pub sample_id: String,
    /// What was measured, as the laboratory names it.
    pub analyte: String,
    /// The value, in `unit`; None where there is none.
    pub value: Option<f64>,
    /// Whether the value is exact or a bound.
    pub censor: Option<Censor>,
    /// Unit of the value, as the laboratory writes it.
    pub unit: Option<String>,
    /// Test method.
    pub method: Option<String>,
    /// Detection limit, in `unit`.
    pub detection_limit: Option<f64>,
    /// Why there is no value.
    pub missing_reason: Option<String>,
}

/// The last result of one quantity in one reservoir against the fleet's: one row of `lab_alarms`.
#[derive(Clone, Debug, PartialEq)]
pub struct LabAlarm {
    /// The reservoir.
    pub reservoir_id: ReservoirId,
    /// What was measured, with unit and method where the laboratory states them: other methods do not compare.
    pub quantity: String,
    /// When the last sample with it was drawn.
    pub taken_at: Stamp,
    /// The laboratory.
    pub lab: String,
    /// The last result; a bound where `censor` says so.
    pub value: f64,
    /// Whether it is exact or a bound.
    pub censor: Censor,
    /// Whose results the limits come from.
    pub basis: AlarmBasis,
    /// Results, and reservoirs, behind the limits.
    pub n_results: i64,
    /// Reservoirs behind them.
    pub n_reservoirs: i64,
    /// Share of those results on the harmless side of this one, 0..1.
    pub share_beyond: Option<f64>,
    /// On which side the limits lie.
    pub side: AlarmSide,
    /// The first level; None with too few results.
    pub watch_limit: Option<f64>,
    /// The second level.
    pub caution_limit: Option<f64>,
    /// The third level.
    pub alarm_limit: Option<f64>,
    /// Where the last result stands.
    pub status: AlarmStatus,
    /// When the first of the unbroken row of results at this level or a higher one became known.
    pub since_at: Option<Stamp>,
    /// Last less previous result of the same laboratory and oil; None without such a pair.
    pub change: Option<f64>,
    /// The change per thirty days.
    pub change_per_30d: Option<f64>,
    /// What two results on the same oil may differ by in 95 of 100 cases.
    pub repeatability: Option<f64>,
    /// Change per thirty days that one in twenty of the fleet's exceeds, towards the harmful side.
    pub change_limit_per_30d: Option<f64>,
    /// How the change stands.
    pub change_status: ChangeStatus,
}

/// Results below which a percentile says too little (common practice: 30, better 100).
pub const FEWEST_RESULTS: usize = 30;
/// Shares of the results below the three levels (common practice: 70–85, 90–95 and 97–99 %).
const LEVELS: [f64; 3] = [0.85, 0.95, 0.98];

/// One row for every reservoir and quantity with a result known before `as_of`, by reservoir and quantity.
#[must_use]
pub fn lab_alarms(
    registers: &Registers,
    samples: &[Sample],
    results: &[LabResult],
    as_of: Stamp,
) -> Vec<LabAlarm> {
    let all = series(registers, samples, results, as_of);
    let mut rows = Vec::new();
    for (quantity, of_reservoirs) in &all {
        let strata = Strata::new(registers, of_reservoirs, quantity.bad);
        for (id, points) in of_reservoirs {
            rows.extend(judge(quantity, id, points, registers, &strata));
        }
    }
    rows.sort_by(|a, b| (&a.reservoir_id, &a.quantity).cmp(&(&b.reservoir_id, &b.quantity)));
    rows
}

/// A quantity's name and which way it is bad.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Quantity {
    pub(crate) name: String,
    pub(crate) bad: Bad,
}

/// Which way a quantity is bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Bad {
    High,
    Low,
    Both,
}

/// The change from the result before to one, where both are exact, of one laboratory and on one oil.
#[derive(Clone, Copy, Debug)]
struct Change {
    step: f64,
    per_30d: f64,
}

/// Results less than a day apart are two looks at one oil, not a rate.
const LEAST_DAYS: f64 = 1.0;

fn change(points: &[Point], later: usize) -> Option<Change> {
    let (before, now) = (points.get(later.checked_sub(1)?)?, points.get(later)?);
    let days = now.taken_at.hours_after(before.taken_at) / 24.0;
    let exact = now.censor == Censor::Exact && before.censor == Censor::Exact;
    let comparable = exact && now.lab == before.lab && now.oil == before.oil;
    (comparable && days >= LEAST_DAYS).then(|| Change {
        step: now.value - before.value,
        per_30d: 30.0 * (now.value - before.value) / days,
    })
}

/// Limits of one side.
#[derive(Clone, Copy, Debug)]
struct Limits {
    side: AlarmSide,
    levels: [f64; 3],
}

impl Limits {
    /// The level (0 none, 3 the highest) of a result, as far as it is further from the middle than the
    /// method repeats.
    fn level(&self, value: f64, middle: f64, repeatability: f64) -> usize {
        let beyond = |limit: &&f64| match self.side {
            AlarmSide::High => value > **limit,
            AlarmSide::Low => value < **limit,
        };
        if (value - middle).abs() <= repeatability {
            return 0;
        }
        self.levels.iter().filter(beyond).count()
    }
}

fn judge(
    quantity: &Quantity,
    id: &ReservoirId,
    points: &[Point],
    registers: &Registers,
    strata: &Strata,
) -> Option<LabAlarm> {
    let last = points.last()?;
    let (basis, stratum) = strata.of(&keys(registers, id, quantity.bad))?;
    let middle = stratum.seen.quantile(0.5);
    let side = match (quantity.bad, middle) {
        (Bad::Low, _) => AlarmSide::Low,
        (Bad::Both, Some(middle)) if last.value < middle => AlarmSide::Low,
        _ => AlarmSide::High,
    };
    let enough = stratum.seen.len() >= FEWEST_RESULTS;
    let limits = enough
        .then(|| limits(quantity.bad, side, &stratum.seen))
        .flatten();
    let repeats = |value: f64| gather::repeatability(&quantity.name, value, stratum.scatter_sd);
    let level = |point: &Point| {
        let (limits, middle) = (limits?, middle?);
        Some(limits.level(point.value, middle, repeats(point.value).unwrap_or(0.0)))
    };
    // a bound says something only on its own side of the limits
    let open = match (side, last.censor) {
        (AlarmSide::High, Censor::Below) | (AlarmSide::Low, Censor::Above) => {
            limits.is_some_and(|limits| limits.level(last.value, f64::NAN, 0.0) > 0)
        }
        _ => false,
    };
    let status = match level(last) {
        None => AlarmStatus::TooFewResults,
        Some(_) if open => AlarmStatus::BoundOnly,
        Some(0) => AlarmStatus::Normal,
        Some(1) => AlarmStatus::Watch,
        Some(2) => AlarmStatus::Caution,
        Some(_) => AlarmStatus::Alarm,
    };
    let reached = level(last).filter(|level| *level > 0 && !open);
    let since_at = reached.and_then(|reached| {
        let row = points.iter().rev();
        let row = row.take_while(|point| level(point).is_some_and(|level| level >= reached));
        row.last().map(|point| point.known_at)
    });
    let change = change(points, points.len() - 1);
    let change_limit = stratum.change_limit(side);
    let repeatability = repeats(last.value);
    let harmful = |x: f64| match (quantity.bad, side) {
        (Bad::Both, _) => x.abs(),
        (_, AlarmSide::Low) => -x,
        _ => x,
    };
    let change_status = match (change, repeatability, change_limit) {
        (None, _, _) => ChangeStatus::NoPair,
        (Some(change), Some(r), _) if change.step.abs() <= r => ChangeStatus::Within,
        (Some(_), _, None) => ChangeStatus::TooFewChanges,
        (Some(change), _, Some(limit)) if harmful(change.per_30d) > harmful(limit) => {
            ChangeStatus::Unusual
        }
        _ => ChangeStatus::Usual,
    };
    let [watch, caution, alarm] = limits.map_or([None; 3], |limits| limits.levels.map(Some));
    let below = enough
        .then(|| stratum.seen.share_below(last.value))
        .flatten();
    Some(LabAlarm {
        reservoir_id: id.clone(),
        quantity: quantity.name.clone(),
        taken_at: last.taken_at,
        lab: last.lab.clone(),
        value: last.value,
        censor: last.censor,
        basis,
        n_results: i64::try_from(stratum.seen.len()).unwrap_or(i64::MAX),
        n_reservoirs: i64::try_from(stratum.n_reservoirs).unwrap_or(i64::MAX),
        share_beyond: below.map(|below| match side {
            AlarmSide::High => below,
            AlarmSide::Low => 1.0 - below,
        }),
        side,
        watch_limit: watch,
        caution_limit: caution,
        alarm_limit: alarm,
        status,
        since_at,
        change: change.map(|change| change.step),
        change_per_30d: change.map(|change| change.per_30d),
        repeatability,
        change_limit_per_30d: change_limit,
        change_status,
    })
}

/// The share of the results that lies beyond a level on one side; half on each where both are bad.
fn tail(bad: Bad, level: f64) -> f64 {
    match bad {
        Bad::Both => 0.5 * (1.0 - level),
        _ => 1.0 - level,
    }
}

fn limits(bad: Bad, side: AlarmSide, seen: &Seen) -> Option<Limits> {
    let at = |level: f64| {
        let beyond = tail(bad, level);
        seen.quantile(if side == AlarmSide::High {
            1.0 - beyond
        } else {
            beyond
        })
    };
    let [watch, caution, alarm] = LEVELS.map(at);
    Some(Limits {
        side,
        levels: [watch?, caution?, alarm?],
    })
}

#[cfg(test)]
mod tests;
