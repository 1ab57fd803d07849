//! When a pump was made new, and which starts belong to it.
//!
//! A recorded rebuild, vane change or pump swap resets the speed; new pump oil or a repaired leak
//! resets the base pressure, a changed exhaust filter what hung on the restriction. Where maintenance names the pump's serial, the pump's history follows
//! it to another frame.

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::history::{Maintenance, MaintenanceAction};

use crate::PumpStart;

/// What a maintenance action makes new.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Renewal {
    /// Another pump, or its working parts: everything starts afresh.
    Pump,
    /// The base pressure only: oil changed, leak mended.
    Base,
    /// What stands in the pump's way: an exhaust filter or a mist separator changed.
    Passage,
    /// A filter of which nobody wrote which it was: the pump's, where something stood in its way.
    SomeFilter,
    /// The pressure gauge.
    Gauge,
}

/// Words of a note that say which filter was changed: the oil's own has nothing to do with the vacuum.
const PASSAGE_WORDS: [&str; 6] = [
    "exhaust",
    "mist",
    "separator",
    "silencer",
    "restriction",
    "vacuum",
];

/// What a maintenance row renews. A sensor swapped or calibrated is the pressure gauge, and a filter
/// the vacuum pump's, only where the note says so; a filter without any note may be either.
pub(crate) fn renewal_of_row(row: &Maintenance) -> Option<Renewal> {
    renewal_of(row.action).or_else(|| {
        let sensor = matches!(
            row.action,
            MaintenanceAction::SensorSwap | MaintenanceAction::Calibration
        );
        let note = row.note.as_deref().unwrap_or("").to_lowercase();
        let says = |words: &[&str]| words.iter().any(|word| note.contains(word));
        if sensor && says(&["pressure", "vacuum", "gauge"]) {
            return Some(Renewal::Gauge);
        }
        match row.action {
            MaintenanceAction::Filter if says(&PASSAGE_WORDS) => Some(Renewal::Passage),
            MaintenanceAction::Filter if note.trim().is_empty() => Some(Renewal::SomeFilter),
            _ => None,
        }
    })
}

/// What an action renews; None where it does not touch the vacuum.
pub(crate) fn renewal_of(action: MaintenanceAction) -> Option<Renewal> {
    match action {
        MaintenanceAction::Rebuild | MaintenanceAction::Vanes | MaintenanceAction::PumpSwap => {
            Some(Renewal::Pump)
        }
        MaintenanceAction::PumpOil | MaintenanceAction::LeakRepair => Some(Renewal::Base),
        MaintenanceAction::Gauge => Some(Renewal::Gauge),
        _ => None,
    }
}

/// One stretch of a pump's life on one frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Stretch {
    pub(crate) unit_id: UnitId,
    pub(crate) from: Stamp,
    /// Exclusive; None where it still lasts.
    pub(crate) to: Option<Stamp>,
}

impl Stretch {
    pub(crate) fn holds(&self, unit: &UnitId, at: Stamp) -> bool {
        &self.unit_id == unit && self.from <= at && self.to.is_none_or(|to| at < to)
    }
}

/// Where the pump that a unit carries at a time has been before, in time. The last stretch is on
/// the unit itself.
pub(crate) fn life_of_pump(unit: &UnitId, at: Stamp, maintenance: &[Maintenance]) -> Vec<Stretch> {
    let swaps = || {
        maintenance
            .iter()
            .filter(|row| row.action == MaintenanceAction::PumpSwap)
    };
    let fitted = |frame: &UnitId, when: Stamp| {
        let rows = maintenance
            .iter()
            .filter(|row| &row.unit_id == frame && row.at <= when);
        rows.filter(|row| row.serial.is_some())
            .max_by_key(|row| row.at)
    };
    let own_from = swaps()
        .filter(|row| &row.unit_id == unit && row.at <= at)
        .map(|row| row.at)
        .max()
        .unwrap_or(Stamp::from_micros(i64::MIN));
    let own = Stretch {
        unit_id: unit.clone(),
        from: own_from,
        to: None,
    };
    let Some(serial) = fitted(unit, at).and_then(|row| row.serial.as_ref()) else {
        return vec![own];
    };
    let mut stretches: Vec<Stretch> = maintenance
        .iter()
        .filter(|row| row.serial.as_ref() == Some(serial) && row.at < own_from)
        .map(|row| Stretch {
            unit_id: row.unit_id.clone(),
            from: row.at,
            to: swaps()
                .filter(|later| later.unit_id == row.unit_id && later.at > row.at)
                .map(|later| later.at)
                .min()
                .or(Some(own_from)),
        })
        .collect();
    stretches.sort_by_key(|stretch| stretch.from);
    stretches.push(own);
    stretches
}

/// The frames on which pumps of a unit have been: whose starts `judge_unit` wants to see.
#[must_use]
pub fn frames_of(unit: &UnitId, maintenance: &[Maintenance]) -> Vec<UnitId> {
    let serials: Vec<&String> = maintenance
        .iter()
        .filter(|row| &row.unit_id == unit)
        .filter_map(|row| row.serial.as_ref())
        .collect();
    let mut frames: Vec<UnitId> = maintenance
        .iter()
        .filter(|row| {
            row.serial
                .as_ref()
                .is_some_and(|serial| serials.contains(&serial))
        })
        .map(|row| row.unit_id.clone())
        .chain([unit.clone()])
        .collect();
    frames.sort();
    frames.dedup();
    frames
}
/// Accepted starts of the pump now fitted on the frames it came from, in time: since it was last made new, where
/// starts show it afterwards.
pub(crate) fn starts_elsewhere<'a>(
    unit_id: &UnitId,
    at: Stamp,
    starts: &'a [PumpStart],
    maintenance: &[Maintenance],
) -> Vec<&'a PumpStart> {
    let life = life_of_pump(unit_id, at, maintenance);
    let lived = |unit: &UnitId, at: Stamp| life.iter().any(|stretch| stretch.holds(unit, at));
    let mut earlier: Vec<&PumpStart> = starts
        .iter()
        .filter(|start| start.accepted && &start.unit_id != unit_id && start.started_at < at)
        .filter(|start| lived(&start.unit_id, start.started_at))
        .collect();
    earlier.sort_by_key(|start| start.started_at);
    let renewed = [MaintenanceAction::Rebuild, MaintenanceAction::Vanes];
    let rebuilt = maintenance
        .iter()
        .filter(|row| renewed.contains(&row.action) && row.at <= at)
        .filter(|row| lived(&row.unit_id, row.at))
        .map(|row| row.at)
        .max();
    earlier.retain(|start| rebuilt.is_none_or(|rebuilt| rebuilt <= start.started_at));
    earlier
}
