//! Where a unit stands at each time: reservoir, oil, barometer by altitude, from the registers.

use drydown_physics::atmosphere;
use drydown_quantity::{OilType, ReservoirId, Stamp, UnitId};

use crate::history::{Registers, ReservoirAction};

/// One span of time in one place. It lasts until the next place begins.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Place {
    from: Stamp,
    pub(crate) reservoir: Option<ReservoirId>,
    /// Barometer of the ISO 2533 atmosphere at the site's altitude, kPa.
    pub(crate) ambient_kpa: Option<f64>,
}

/// The places of one unit, in time; never empty.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Places(Vec<Place>);

impl Places {
    /// From the deployments and sites of the registers.
    pub(crate) fn of_unit(registers: &Registers, unit: &UnitId) -> Self {
        let mut starts = vec![Stamp::from_micros(i64::MIN)];
        for row in registers.deployments_of(unit) {
            starts.push(row.from_at);
            starts.extend(row.to_at);
        }
        starts.sort_unstable();
        starts.dedup();
        let place = |from: Stamp| Place {
            from,
            reservoir: registers
                .deployed_at(unit, from)
                .and_then(|row| row.reservoir_id.clone()),
            ambient_kpa: registers
                .site_of_unit_at(unit, from)
                .and_then(|site| site.altitude_m)
                .map(atmosphere::barometer_kpa),
        };
        Self(starts.into_iter().map(place).collect())
    }

    /// Number of the place that holds at a time, searched from a hint (times mostly ascend).
    pub(crate) fn idx_at(&self, at: Stamp, hint: usize) -> usize {
        let mut idx = hint;
        while self.0.get(idx + 1).is_some_and(|next| next.from <= at) {
            idx += 1;
        }
        idx
    }

    pub(crate) fn get(&self, idx: usize) -> Option<&Place> {
        self.0.get(idx)
    }
}

/// The oil in a reservoir at a time: the last recorded oil change, else the register.
pub(crate) fn oil_type_at(
    registers: &Registers,
    reservoir: &ReservoirId,
    at: Stamp,
) -> Option<OilType> {
    let changed = registers
        .reservoir_events_of(reservoir)
        .iter()
        .rfind(|row| {
            row.at <= at && row.action == ReservoirAction::OilChange && row.oil_type.is_some()
        })
        .and_then(|row| row.oil_type.clone());
    changed.or_else(|| {
        registers
            .reservoir(reservoir)
            .and_then(|row| row.oil_type.clone())
    })
}
