//! What the fleet says of pumps before one of its rows is judged.
//!
//! One era per quarter, each from data before its own start, so that no row is judged with what
//! came later. With few data the values are those of common practice, and the era says so.

use std::collections::BTreeMap;

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{Maintenance, PumpKind, Registers, Unit};
use drydown_stats::cusum::design_limit;
use drydown_stats::trend::theil_sen;

use crate::covariates::{Covariates, Slopes, fit_slopes, of_base, of_speed, of_steady};
use crate::filter::Spread;
use crate::monitor::days_of;
use crate::spans::{Renewal, renewal_of};
use crate::spread::{Point, fit_spread, shrunk};
use crate::{PumpStart, PumpsConfig};

/// Everything the fleet has on record about its pumps.
#[derive(Clone, Copy, Debug)]
struct Fleet<'a> {
    units: &'a [Unit],
    starts: &'a [PumpStart],
    runs: &'a [Run],
    maintenance: &'a [Maintenance],
}

/// One witness: its spread, its level in a sound pump (mean, standard deviation), its covariates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WitnessPrior {
    pub spread: Spread,
    pub level_mean: f64,
    pub level_sd: f64,
    pub slopes: Slopes,
}

/// What is known of pumps of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KindPrior {
    /// ln of relative speed; its level is ln of effective over rated speed.
    pub speed: WitnessPrior,
    /// Base pressure, kPa.
    pub base: WitnessPrior,
    /// ln of the steady pressure in kPa.
    pub steady: WitnessPrior,
    /// Fall of ln speed per day of a failing pump: mean and standard deviation.
    pub failing_drift: (f64, f64),
    /// Rise of the base of a failing pump, kPa per day: mean and standard deviation.
    pub failing_base_drift: (f64, f64),
    /// Units and starts behind it.
    pub n_units: usize,
    pub n_starts: usize,
}

/// The fleet as known from a time on.
#[derive(Clone, Debug, PartialEq)]
pub struct Era {
    pub from: Stamp,
    pub any_kind: KindPrior,
    pub by_kind: BTreeMap<PumpKind, KindPrior>,
    /// Accepted starts and runs per unit and year.
    pub starts_per_year: f64,
    pub runs_per_year: f64,
    /// Limits of the control charts, in standard deviations, for the budget and these rates.
    pub limits: ChartLimits,
}

/// Limits of the three control charts of a unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChartLimits {
    pub speed: f64,
    pub base: f64,
    pub steady: f64,
}

/// Shares of the false-alarm budget: speed and base pressure are the pump's own witnesses, steady
/// pressure speaks only where there are no starts.
const BUDGET_SHARES: (f64, f64, f64) = (0.4, 0.4, 0.2);

impl ChartLimits {
    /// From run-length theory for independent innovations: the mean run length between false
    /// alarms is the observations per year over the alarms allowed per year.
    fn design(starts_per_year: f64, runs_per_year: f64, config: &PumpsConfig) -> Self {
        let budget = config.false_alerts_per_unit_year;
        // Where theory gives none (a budget beyond one alarm per observation) a start that is off
        // by two standard deviations is enough.
        let limit = |allowance: f64, share: f64, rate: f64| {
            design_limit(allowance, share * budget, rate).unwrap_or(2.0)
        };
        Self {
            speed: limit(config.ramp_allowance, BUDGET_SHARES.0, starts_per_year),
            base: limit(config.step_allowance, BUDGET_SHARES.1, starts_per_year),
            steady: limit(config.ramp_allowance, BUDGET_SHARES.2, runs_per_year),
        }
    }
}

/// Eras of one fleet, by start; never empty.
#[derive(Clone, Debug, PartialEq)]
pub struct FleetPrior {
    eras: Vec<Era>,
}

impl FleetPrior {
    /// Values of common practice alone (no source; wide).
    #[must_use]
    pub fn common_practice(config: &PumpsConfig) -> Self {
        Self {
            eras: vec![common_era(config)],
        }
    }

    /// What was known at a time.
    #[must_use]
    pub fn era_at(&self, at: Stamp) -> Option<&Era> {
        self.eras
            .iter()
            .rev()
            .find(|era| era.from <= at)
            .or_else(|| self.eras.first())
    }
}

impl Era {
    /// The prior of a kind of pump, else of any kind.
    #[must_use]
    pub fn kind(&self, kind: Option<PumpKind>) -> &KindPrior {
        kind.and_then(|kind| self.by_kind.get(&kind))
            .unwrap_or(&self.any_kind)
    }
}

const COMMON_RATES: (f64, f64) = (80.0, 40.0);

fn common_era(config: &PumpsConfig) -> Era {
    let (starts_per_year, runs_per_year) = COMMON_RATES;
    Era {
        from: Stamp::from_micros(i64::MIN),
        any_kind: common_kind(),
        by_kind: BTreeMap::new(),
        starts_per_year,
        runs_per_year,
        limits: ChartLimits::design(starts_per_year, runs_per_year, config),
    }
}

/// All values: common practice, no source.
fn common_kind() -> KindPrior {
    let witness = |spread: Spread, level: (f64, f64)| WitnessPrior {
        spread,
        level_mean: level.0,
        level_sd: level.1,
        slopes: Slopes::default(),
    };
    let speed = Spread {
        noise_sd: 0.025,
        shared_sd: 0.015,
        phi_per_day: 0.4,
        diffusion_sd: 0.002,
        drift_mean: -2e-4,
        drift_sd: 2e-4,
    };
    let base = Spread {
        noise_sd: 0.2,
        shared_sd: 0.15,
        phi_per_day: 0.6,
        diffusion_sd: 0.02,
        drift_mean: 0.0,
        drift_sd: 0.002,
    };
    let steady = Spread {
        noise_sd: 0.15,
        shared_sd: 0.10,
        phi_per_day: 0.8,
        diffusion_sd: 0.01,
        drift_mean: 0.0,
        drift_sd: 2e-4,
    };
    KindPrior {
        speed: witness(speed, (-0.05, 0.15)),
        base: witness(base, (2.0, 1.5)),
        steady: witness(steady, (20f64.ln(), 0.5)),
        failing_drift: (0.006, 0.006),
        failing_base_drift: (0.05, 0.1),
        n_units: 0,
        n_starts: 0,
    }
}

/// The fleet's prior at every quarter before a time, from starts alone: the spread of steady
/// pressures is then that of common practice. See [`fleet_prior_with_runs`].
#[must_use]
pub fn fleet_prior(
    starts: &[PumpStart],
    registers: &Registers,
    before: Stamp,
    config: &PumpsConfig,
) -> FleetPrior {
    fleet_prior_with_runs(starts, &[], registers, before, config)
}

/// The fleet's prior at every quarter before a time, each from data before its own start.
///
/// `starts` and `runs` in any order; registers give pump kinds, ratings and maintenance.
#[must_use]
pub fn fleet_prior_with_runs(
    starts: &[PumpStart],
    runs: &[Run],
    registers: &Registers,
    before: Stamp,
    config: &PumpsConfig,
) -> FleetPrior {
    let fleet = Fleet {
        units: &registers.units,
        starts,
        runs,
        maintenance: &registers.maintenance,
    };
    let mut eras = vec![common_era(config)];
    let stamps = starts
        .iter()
        .map(|s| s.started_at)
        .chain(runs.iter().map(|r| r.ended_at));
    if let Some(first) = stamps.min() {
        let mut from = first.quarter().end();
        while from <= before {
            eras.push(era_before(&fleet, from, config));
            from = from.quarter().end();
        }
    }
    FleetPrior { eras }
}

/// Accepted starts and steady runs of one pump between two recorded renewals.
#[derive(Clone, Debug, Default)]
struct Span {
    kind: Option<PumpKind>,
    /// ln of rated relative speed.
    ln_rated: Option<f64>,
    starts: Vec<PumpStart>,
    runs: Vec<(f64, f64, Covariates)>,
    is_first: bool,
}

fn era_before(fleet: &Fleet<'_>, from: Stamp, config: &PumpsConfig) -> Era {
    let spans = spans_before(fleet, from);
    let any_kind = kind_prior(&spans.iter().collect::<Vec<_>>(), &common_kind(), 0.7);
    let mut by_kind = BTreeMap::new();
    for kind in PumpKind::ALL {
        let own: Vec<&Span> = spans
            .iter()
            .filter(|span| span.kind == Some(*kind))
            .collect();
        if !own.is_empty() {
            by_kind.insert(*kind, kind_prior(&own, &any_kind, 0.4));
        }
    }
    let (starts_per_year, runs_per_year) = rates(fleet, from);
    let limits = ChartLimits::design(starts_per_year, runs_per_year, config);
    Era {
        from,
        any_kind,
        by_kind,
        starts_per_year,
        runs_per_year,
        limits,
    }
}

/// Accepted starts and runs per unit and year, over at most the last year, kept within reason.
fn rates(fleet: &Fleet<'_>, before: Stamp) -> (f64, f64) {
    let since = before.plus_days(-365.0);
    let recent = |at: Stamp| since <= at && at < before;
    let runs: Vec<&Run> = fleet
        .runs
        .iter()
        .filter(|run| recent(run.ended_at))
        .collect();
    let mut first: BTreeMap<&UnitId, Stamp> = BTreeMap::new();
    let starts: Vec<&PumpStart> = fleet
        .starts
        .iter()
        .filter(|s| s.accepted && recent(s.started_at))
        .collect();
    let by_run = runs
        .iter()
        .map(|run| (&run.unit_id, run.started_at.max(since)));
    for (unit, at) in by_run.chain(starts.iter().map(|s| (&s.unit_id, s.started_at))) {
        let slot = first.entry(unit).or_insert(at);
        *slot = (*slot).min(at);
    }
    let years: f64 = first
        .values()
        .map(|at| before.days_after(*at).max(30.0) / 365.25)
        .sum();
    if years <= 0.0 {
        return COMMON_RATES;
    }
    let starts = fleet
        .starts
        .iter()
        .filter(|s| s.accepted && recent(s.started_at))
        .count();
    let rate = |n: usize| (n as f64 / years).clamp(4.0, 2000.0);
    (rate(starts), rate(runs.len()))
}

fn spans_before(fleet: &Fleet<'_>, before: Stamp) -> Vec<Span> {
    let mut by_unit: BTreeMap<&UnitId, (Vec<&PumpStart>, Vec<&Run>)> = BTreeMap::new();
    for start in fleet
        .starts
        .iter()
        .filter(|s| s.accepted && s.started_at < before)
    {
        by_unit.entry(&start.unit_id).or_default().0.push(start);
    }
    for run in fleet.runs.iter().filter(|run| run.ended_at < before) {
        by_unit.entry(&run.unit_id).or_default().1.push(run);
    }
    let mut spans = Vec::new();
    for (unit_id, (mut starts, mut runs)) in by_unit {
        let unit = fleet.units.iter().find(|row| &row.unit_id == unit_id);
        let mut cuts: Vec<Stamp> = fleet
            .maintenance
            .iter()
            .filter(|row| &row.unit_id == unit_id && row.at < before)
            .filter(|row| renewal_of(row.action).is_some_and(|r| r != Renewal::Gauge))
            .map(|row| row.at)
            .collect();
        cuts.sort_unstable();
        starts.sort_by_key(|s| s.started_at);
        runs.sort_by_key(|r| r.ended_at);
        for number in 0..=cuts.len() {
            let from = number.checked_sub(1).and_then(|k| cuts.get(k)).copied();
            let to = cuts.get(number).copied();
            let within =
                |at: Stamp| from.is_none_or(|from| from <= at) && to.is_none_or(|to| at < to);
            let mut span = Span {
                kind: unit.and_then(|row| row.vacuum_pump_kind),
                ln_rated: unit.and_then(ln_rated),
                is_first: number == 0,
                ..Span::default()
            };
            span.starts = starts
                .iter()
                .filter(|s| within(s.started_at))
                .map(|s| (*s).clone())
                .collect();
            span.runs = runs
                .iter()
                .filter(|run| within(run.ended_at))
                .filter_map(|run| {
                    let kpa = run.steady_kpa.filter(|kpa| *kpa > 0.0)?;
                    Some((days_of(run.ended_at), kpa.ln(), of_steady(run)))
                })
                .collect();
            spans.push(span);
        }
    }
    spans
}

/// ln of the rated relative speed of a unit, 1/s: rated volume flow over chamber volume.
pub(crate) fn ln_rated(unit: &Unit) -> Option<f64> {
    let m3h = unit.vacuum_pump_m3h.filter(|v| *v > 0.0)?;
    let litres = unit.chamber_volume_l.filter(|v| *v > 0.0)?;
    Some((m3h / 3.6 / litres).ln())
}

fn ln_speed(start: &PumpStart) -> Option<f64> {
    start.relative_speed_per_s.filter(|s| *s > 0.0).map(f64::ln)
}

fn kind_prior(spans: &[&Span], parent: &KindPrior, trust: f64) -> KindPrior {
    let units = spans
        .iter()
        .filter(|span| span.is_first && !span.starts.is_empty())
        .count();
    KindPrior {
        speed: speed_prior(spans, &parent.speed, trust),
        base: base_prior(spans, &parent.base, trust),
        steady: steady_prior(spans, &parent.steady, trust),
        failing_drift: failing_drift(spans, parent),
        failing_base_drift: parent.failing_base_drift,
        n_units: units,
        n_starts: spans.iter().map(|span| span.starts.len()).sum(),
    }
}

fn speed_prior(spans: &[&Span], parent: &WitnessPrior, trust: f64) -> WitnessPrior {
    let raw = |span: &&Span| -> Vec<(f64, Covariates)> {
        span.starts
            .iter()
            .filter_map(|s| Some((ln_speed(s)?, of_speed(s))))
            .collect()
    };
    let slopes = fit_slopes(&spans.iter().map(raw).collect::<Vec<_>>());
    let series: Vec<Vec<Point>> = spans
        .iter()
        .map(|span| speed_points(span, &slopes))
        .collect();
    let mut spread = fit_spread(&series, parent.spread, trust);
    let slopes_of = |points: &Vec<Point>| long_slope(points);
    let drifts: Vec<f64> = series.iter().filter_map(slopes_of).collect();
    let sound = (parent.spread.drift_mean, parent.spread.drift_sd);
    (spread.drift_mean, spread.drift_sd) = shrunk(&drifts, sound, 5.0);
    // Sound pumps do not get better, nor do they fail: keep the prior where it means something.
    spread.drift_mean = spread.drift_mean.clamp(-0.001, 0.0);
    spread.drift_sd = spread.drift_sd.clamp(5e-5, 4e-4);
    let levels: Vec<f64> = spans
        .iter()
        .zip(&series)
        .filter(|(span, _)| span.is_first)
        .filter_map(|(span, points)| Some(early_level(points)? - span.ln_rated?))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.05),
        slopes,
    }
}

fn speed_points(span: &Span, slopes: &Slopes) -> Vec<Point> {
    let point = |s: &PumpStart| {
        let y = ln_speed(s)? - slopes.effect(&of_speed(s));
        Some((days_of(s.started_at), y, s.ln_speed_se.unwrap_or(0.0)))
    };
    span.starts.iter().filter_map(point).collect()
}

fn base_prior(spans: &[&Span], parent: &WitnessPrior, trust: f64) -> WitnessPrior {
    // An error of the barometer would pass for the pump's own spread: measured ones only.
    let measured = |s: &&PumpStart| s.base_kpa_se.is_some_and(|se| se < 0.5);
    let raw = |span: &&Span| -> Vec<(f64, Covariates)> {
        let starts = span.starts.iter().filter(measured);
        starts
            .filter_map(|s| Some((s.base_kpa?, of_base(s))))
            .collect()
    };
    let slopes = fit_slopes(&spans.iter().map(raw).collect::<Vec<_>>());
    let points = |span: &&Span| -> Vec<Point> {
        let starts = span.starts.iter().filter(measured);
        starts
            .filter_map(|s| {
                let y = s.base_kpa? - slopes.effect(&of_base(s));
                Some((days_of(s.started_at), y, s.base_kpa_se?))
            })
            .collect()
    };
    let series: Vec<Vec<Point>> = spans.iter().map(points).collect();
    let spread = fit_spread(&series, parent.spread, trust);
    let levels: Vec<f64> = series
        .iter()
        .filter_map(|points| early_level(points))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.3),
        slopes,
    }
}

fn steady_prior(spans: &[&Span], parent: &WitnessPrior, trust: f64) -> WitnessPrior {
    let raw: Vec<Vec<(f64, Covariates)>> = spans
        .iter()
        .map(|span| span.runs.iter().map(|(_, y, x)| (*y, *x)).collect())
        .collect();
    let slopes = fit_slopes(&raw);
    let points = |span: &&Span| -> Vec<Point> {
        span.runs
            .iter()
            .map(|(day, y, x)| (*day, y - slopes.effect(x), 0.0))
            .collect()
    };
    let series: Vec<Vec<Point>> = spans.iter().map(points).collect();
    let spread = fit_spread(&series, parent.spread, trust);
    let levels: Vec<f64> = series
        .iter()
        .filter_map(|points| early_level(points))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.1),
        slopes,
    }
}

/// Median of a span's first observations.
fn early_level(points: &[Point]) -> Option<f64> {
    let first: Vec<f64> = points.iter().take(5).map(|(_, y, _)| *y).collect();
    if first.len() < 3 {
        None
    } else {
        drydown_stats::robust::median(&first)
    }
}

/// Slope per day over a span of at least sixty days and eight observations.
fn long_slope(points: &[Point]) -> Option<f64> {
    let (first, last) = (points.first()?.0, points.last()?.0);
    if last - first < 60.0 || points.len() < 8 {
        return None;
    }
    // A few dozen points tell the slope; pairs grow with the square.
    let every = points.len().div_ceil(60);
    let kept = || points.iter().step_by(every);
    let x: Vec<f64> = kept().map(|(day, _, _)| *day).collect();
    let y: Vec<f64> = kept().map(|(_, y, _)| *y).collect();
    theil_sen(&x, &y, 0.9).ok().map(|line| line.slope)
}

/// Fall of ln speed per day of pumps that failed: the steepest six weeks of spans that fell much
/// faster than sound pumps do.
fn failing_drift(spans: &[&Span], parent: &KindPrior) -> (f64, f64) {
    const WINDOW_DAYS: f64 = 45.0;
    let sound = &parent.speed.spread;
    let clearly = (sound.drift_mean - 5.0 * sound.drift_sd).min(-0.002);
    let steepest = |span: &&Span| {
        let points = speed_points(span, &parent.speed.slopes);
        let mut worst = 0.0f64;
        for (k, (from, _, _)) in points.iter().enumerate() {
            let rest = points.get(k..).unwrap_or(&[]);
            let n = rest
                .iter()
                .take_while(|p| p.0 <= from + WINDOW_DAYS)
                .count();
            let window = rest.get(..n).unwrap_or(&[]);
            let long = window
                .last()
                .is_some_and(|p| p.0 - from > 0.5 * WINDOW_DAYS);
            if window.len() >= 6 && long {
                worst = worst.min(ols_slope(window));
            }
        }
        Some(-worst).filter(|_| worst < clearly)
    };
    let found: Vec<f64> = spans.iter().filter_map(steepest).collect();
    shrunk(&found, parent.failing_drift, 4.0)
}

fn ols_slope(points: &[Point]) -> f64 {
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if sxx > 0.0 { sxy / sxx } else { 0.0 }
}
