//! Like reservoirs: those whose results an alarm limit comes from.

use std::collections::BTreeMap;

use drydown_quantity::ReservoirId;
use drydown_runs::history::{Censor, Registers};
use drydown_stats::robust;

use super::gather::{Point, scatter_sd};
use super::percentile::Seen;
use super::{AlarmBasis, AlarmSide, Bad, FEWEST_RESULTS, change};

/// Share of the fleet's changes below which one is usual.
const USUAL_CHANGES: f64 = 0.95;

pub(super) type StratumKey = (AlarmBasis, String);

/// What the results of like reservoirs come to; worked out once, as every one of them is held against it.
#[derive(Clone, Debug)]
pub(super) struct Stratum {
    pub(super) seen: Seen,
    pub(super) n_reservoirs: usize,
    /// Robust sd of the changes between results of one laboratory on the same oil; None with too few.
    pub(super) scatter_sd: Option<f64>,
    change_limit_high: Option<f64>,
    change_limit_low: Option<f64>,
}

impl Stratum {
    /// The change per thirty days that few of the fleet's exceed towards the harmful side.
    pub(super) fn change_limit(&self, side: AlarmSide) -> Option<f64> {
        match side {
            AlarmSide::High => self.change_limit_high,
            AlarmSide::Low => self.change_limit_low,
        }
    }
}

/// The results of like reservoirs as they are gathered.
#[derive(Default)]
struct Gathered {
    results: Vec<(f64, Censor)>,
    n_reservoirs: usize,
    /// Change per thirty days between results of one laboratory on the same oil.
    changes: Vec<f64>,
    /// The changes themselves.
    steps: Vec<f64>,
}

impl Gathered {
    fn into_stratum(self, bad: Bad) -> Stratum {
        Stratum {
            seen: Seen::of(&self.results),
            n_reservoirs: self.n_reservoirs,
            scatter_sd: scatter_sd(&self.steps),
            change_limit_high: change_limit(bad, AlarmSide::High, &self.changes),
            change_limit_low: change_limit(bad, AlarmSide::Low, &self.changes),
        }
    }
}

fn change_limit(bad: Bad, side: AlarmSide, changes: &[f64]) -> Option<f64> {
    if changes.len() < FEWEST_RESULTS {
        return None;
    }
    match (bad, side) {
        (Bad::Both, _) => {
            let sizes: Vec<f64> = changes.iter().map(|change| change.abs()).collect();
            robust::quantile(&sizes, USUAL_CHANGES)
        }
        (_, AlarmSide::High) => robust::quantile(changes, USUAL_CHANGES),
        (_, AlarmSide::Low) => robust::quantile(changes, 1.0 - USUAL_CHANGES),
    }
}

/// Every stratum of one quantity.
pub(super) struct Strata(BTreeMap<StratumKey, Stratum>);

/// The strata a reservoir belongs to, the closest first.
pub(super) fn keys(registers: &Registers, id: &ReservoirId, bad: Bad) -> Vec<StratumKey> {
    let Some(row) = registers.reservoir(id) else {
        return Vec::new();
    };
    let oil = row.oil_type.as_ref().map(|oil| oil.as_str());
    let service = row.service.as_deref();
    let mut keys = Vec::new();
    if let (Some(oil), Some(service)) = (oil, service) {
        keys.push((AlarmBasis::ServiceOil, format!("{service}\u{1f}{oil}")));
    }
    keys.extend(oil.map(|oil| (AlarmBasis::Oil, oil.to_owned())));
    // what is right for one oil (its viscosity) says nothing of another
    let service = service.filter(|_| bad != Bad::Both);
    keys.extend(service.map(|service| (AlarmBasis::Service, service.to_owned())));
    keys
}

impl Strata {
    pub(super) fn new(
        registers: &Registers,
        of_reservoirs: &BTreeMap<ReservoirId, Vec<Point>>,
        bad: Bad,
    ) -> Self {
        let mut strata: BTreeMap<StratumKey, Gathered> = BTreeMap::new();
        for (id, points) in of_reservoirs {
            for key in keys(registers, id, bad) {
                let stratum = strata.entry(key).or_default();
                stratum.n_reservoirs += 1;
                stratum
                    .results
                    .extend(points.iter().map(|p| (p.value, p.censor)));
                for later in 1..points.len() {
                    if let Some(change) = change(points, later) {
                        stratum.changes.push(change.per_30d);
                        stratum.steps.push(change.step);
                    }
                }
            }
        }
        let made = |(key, gathered): (StratumKey, Gathered)| (key, gathered.into_stratum(bad));
        Self(strata.into_iter().map(made).collect())
    }

    /// The closest stratum with enough results, else the closest.
    pub(super) fn of(&self, keys: &[StratumKey]) -> Option<(AlarmBasis, &Stratum)> {
        let found = |key: &StratumKey| Some((key.0, self.0.get(key)?));
        let full = keys.iter().filter_map(found);
        full.clone()
            .find(|(_, stratum)| stratum.seen.len() >= FEWEST_RESULTS)
            .or_else(|| full.clone().next())
    }
}
