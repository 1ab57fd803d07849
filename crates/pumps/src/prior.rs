//! What the fleet says of pumps before one of its rows is judged.
//!
//! One era per quarter, each from data before its own start, so that no row is judged with what
//! came later. With few data the values are those of common practice, and the era says so.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::{PumpKind, Registers};
use drydown_stats::cusum::design_limit;

use crate::covariates::Slopes;
use crate::estimate::{failing_prior, kind_prior};
use crate::filter::Spread;
use crate::leak_back::{BY_POWER, LeakBackPrior};
use crate::pace::{BY_MANNER, MANNERS};
use crate::past::{Fleet, Rates, Span, rates, spans_before};
use crate::{PumpStart, PumpsConfig};

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
    /// Spread of ln speed with the falls of failing pumps left out: theirs would pass for wander. The
    /// charts keep the wider `speed.spread`; paths to the limit have a drift of their own.
    pub path_spread: Spread,
    /// The like of the base pressure, with the rises of failing pumps left out.
    pub base_path_spread: Spread,
    /// Fall of ln speed per day of a failing pump: mean and standard deviation.
    pub failing_drift: (f64, f64),
    /// How likely it is that the speed of a failing pump falls steadily, by the power 1.5 or 2 of the days, by
    /// e in a hundred days or in 45, by fits and starts, or by a volume flow that stays or gains pace.
    pub by_manner: [f64; MANNERS],
    /// Rise of the base of a failing pump, kPa per day: mean and standard deviation.
    pub failing_base_drift: (f64, f64),
    /// How the base goes with the speed that wear takes.
    pub leak_back: LeakBackPrior,
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
    /// Accepted starts with a speed, base pressures that count, and runs per unit and year.
    pub starts_per_year: f64,
    pub bases_per_year: f64,
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
    fn design(rates: Rates, config: &PumpsConfig) -> Self {
        let budget = config.false_alerts_per_unit_year;
        // Where theory gives none (a budget beyond one alarm per observation) a start that is off
        // by two standard deviations is enough.
        let limit = |allowance: f64, share: f64, rate: f64| {
            design_limit(allowance, share * budget, rate).unwrap_or(2.0)
        };
        Self {
            speed: limit(config.ramp_allowance, BUDGET_SHARES.0, rates.starts),
            base: limit(config.step_allowance, BUDGET_SHARES.1, rates.bases),
            steady: limit(config.ramp_allowance, BUDGET_SHARES.2, rates.runs),
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

pub(crate) const COMMON_RATES: Rates = Rates {
    starts: 80.0,
    bases: 60.0,
    runs: 40.0,
};

fn common_era(config: &PumpsConfig) -> Era {
    let by_kind = PumpKind::ALL.iter().map(|kind| (*kind, common_kind(*kind)));
    Era {
        from: Stamp::from_micros(i64::MIN),
        any_kind: common_kind(PumpKind::Other),
        by_kind: by_kind.collect(),
        starts_per_year: COMMON_RATES.starts,
        bases_per_year: COMMON_RATES.bases,
        runs_per_year: COMMON_RATES.runs,
        limits: ChartLimits::design(COMMON_RATES, config),
    }
}

/// Base pressure of a sound pump of a kind, kPa: mean and standard deviation between pumps. The
/// gauge's own offset (some tenths of a kPa) and the gas of an empty but wetted chamber are in it. An
/// oil-sealed pump holds least; a liquid-ring pump no less than its seal water's saturation pressure
/// (2.3 kPa at 20 °C, 5.6 kPa at 35 °C); dry pumps differ most. Common practice, no source; wide.
const fn common_base_level(kind: PumpKind) -> (f64, f64) {
    match kind {
        PumpKind::RotaryVane => (2.5, 2.0),
        PumpKind::LiquidRing => (5.0, 2.5),
        PumpKind::Dry => (4.0, 4.0),
        PumpKind::Other => (3.5, 3.0),
    }
}

/// Leak-back of pumps of any make: base·S constant is an exponent of 1, clearances that leak more than they
/// carry less make it more (common practice, no source; what leaks back ever faster is the second law's).
const LEAK_BACK: LeakBackPrior = LeakBackPrior {
    ln_gamma: (0.3, 0.3),
    by_power: BY_POWER,
};

/// All values: common practice, no source.
fn common_kind(kind: PumpKind) -> KindPrior {
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
        // Leak-back grows as clearances wear: a sound pump loses a tenth of its speed in a year.
        drift_mean: 0.001,
        drift_sd: 0.002,
    };
    let steady = Spread {
        noise_sd: 0.15,
        shared_sd: 0.10,
        phi_per_day: 0.8,
        diffusion_sd: 0.003,
        drift_mean: 0.0,
        drift_sd: 2e-4,
    };
    KindPrior {
        speed: witness(speed, (-0.05, 0.15)),
        base: witness(base, common_base_level(kind)),
        steady: witness(steady, (20f64.ln(), 0.5)),
        path_spread: speed,
        base_path_spread: base,
        // What a sound pump has to lose goes in one month to one year.
        failing_drift: (0.008, 0.008),
        by_manner: BY_MANNER,
        // A leak that matters comes to the limit in two months to some years.
        failing_base_drift: (0.15, 0.2),
        leak_back: LEAK_BACK,
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

fn era_before(fleet: &Fleet<'_>, from: Stamp, config: &PumpsConfig) -> Era {
    let spans = spans_before(fleet, from, config);
    let common = common_kind(PumpKind::Other);
    let any_kind = kind_prior(&spans.iter().collect::<Vec<_>>(), &common, 0.7);
    let mut by_kind = BTreeMap::new();
    for kind in PumpKind::ALL {
        let own: Vec<&Span> = spans
            .iter()
            .filter(|span| span.kind == Some(*kind))
            .collect();
        // Few pumps fail: those of the kind itself must not speak twice, through the parent and by themselves.
        let others: Vec<&Span> = spans
            .iter()
            .filter(|span| span.kind != Some(*kind))
            .collect();
        let failing = failing_prior(&others, &common);
        let mut parent = KindPrior {
            failing_drift: failing.failing_drift,
            by_manner: failing.by_manner,
            leak_back: failing.leak_back,
            ..any_kind
        };
        // What a pump holds is its kind's; a mean over the kinds would mislead where units are few.
        (parent.base.level_mean, parent.base.level_sd) = common_base_level(*kind);
        by_kind.insert(*kind, kind_prior(&own, &parent, 0.4));
    }
    let rates = rates(fleet, from, config);
    Era {
        from,
        any_kind,
        by_kind,
        starts_per_year: rates.starts,
        bases_per_year: rates.bases,
        runs_per_year: rates.runs,
        limits: ChartLimits::design(rates, config),
    }
}
