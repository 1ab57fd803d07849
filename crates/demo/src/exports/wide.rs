//! Wide log files: a line per time stamp.

use super::columns::{Column, Reference};
use super::text::{Civil, Clock, push_civil, push_fixed, rounded};
use crate::catalogue::{Dialect, YARDS};
use crate::fleet::Fleet;
use crate::nature::barometer_kpa;
use crate::row::{ALARMS, Cell, Row};

/// How a wide dialect writes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Manner {
    pub(crate) delimiter: u8,
    pub(crate) mark: u8,
    pub(crate) null: &'static str,
    /// Patterns of the stamp's columns.
    pub(crate) stamp: &'static [&'static str],
    pub(crate) stamp_headers: &'static [&'static str],
    pub(crate) alarm_header: &'static str,
}

impl Manner {
    pub(crate) const fn of(dialect: Dialect) -> Self {
        match dialect {
            Dialect::Metric => Self {
                delimiter: b';',
                mark: b',',
                null: "",
                stamp: &["d.m.Y H:M:S"],
                stamp_headers: &["Zeit"],
                alarm_header: "Störung",
            },
            Dialect::MetricUtc => Self {
                delimiter: b';',
                mark: b',',
                null: "n/a",
                stamp: &["d.m.Y", "H:M:S"],
                stamp_headers: &["Date", "Time"],
                alarm_header: "Alarm",
            },
            _ => Self {
                delimiter: b',',
                mark: b'.',
                null: "---",
                stamp: &["m/d/Y H:M:S"],
                stamp_headers: &["Time"],
                alarm_header: "Alarm",
            },
        }
    }
}

/// The header line, without its end.
pub(crate) fn header(dialect: Dialect) -> String {
    let manner = Manner::of(dialect);
    let mut names: Vec<&str> = manner.stamp_headers.to_vec();
    names.extend(dialect.columns().iter().map(|column| column.name));
    names.push(manner.alarm_header);
    names.join(if manner.delimiter == b';' { ";" } else { "," })
}

/// Append a row's line, without its end.
pub(crate) fn push_line(text: &mut Vec<u8>, dialect: Dialect, clock: &mut Clock, row: &Row) {
    let manner = Manner::of(dialect);
    let civil: Civil = clock.civil(row.at);
    for pattern in manner.stamp {
        push_civil(text, civil, pattern);
        text.push(manner.delimiter);
    }
    for column in dialect.columns() {
        match shown(column, row) {
            Some(value) => push_fixed(text, value, column.decimals, manner.mark),
            None => text.extend_from_slice(manner.null.as_bytes()),
        }
        text.push(manner.delimiter);
    }
    let alarm = ALARMS.get(usize::from(row.alarm)).copied().unwrap_or("");
    text.extend_from_slice(alarm.as_bytes());
}

/// The number a column shows, before rounding.
pub(crate) fn shown(column: &Column, row: &Row) -> Option<f64> {
    let value = row.get(column.cell);
    let value = match column.reference {
        Reference::Gauge => value - row.get(Cell::TrueBarometer),
        Reference::Vacuum => row.get(Cell::TrueBarometer) - value,
        Reference::Absolute | Reference::None => value,
    };
    value
        .is_finite()
        .then_some(value * column.scale + column.shift)
}

/// What the bounds of the contract need to know of a unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds<'a> {
    pub(crate) fleet: &'a Fleet,
    pub(crate) unit: usize,
}

impl Bounds<'_> {
    /// How many cells of a row lie outside the contract's bounds, as the file writes them.
    pub(crate) fn impossible(&self, dialect: Dialect, row: &Row) -> usize {
        let ambient = self.ambient_kpa(dialect, row);
        let impossible = |column: &&Column| {
            shown(column, row).is_some_and(|value| {
                self.is_impossible(column, rounded(value, column.decimals), ambient)
            })
        };
        dialect.columns().iter().filter(impossible).count()
    }

    /// Whether one column's cell of a row lies outside.
    pub(crate) fn is_cell_impossible(&self, dialect: Dialect, column: &Column, row: &Row) -> bool {
        let ambient = self.ambient_kpa(dialect, row);
        shown(column, row).is_some_and(|value| {
            self.is_impossible(column, rounded(value, column.decimals), ambient)
        })
    }

    /// The barometer an ingest uses: the logged one, else that of the site's altitude.
    fn ambient_kpa(&self, dialect: Dialect, row: &Row) -> f64 {
        let logged = dialect
            .columns()
            .iter()
            .find(|column| column.cell == Cell::Ambient);
        let logged = logged.and_then(|column| {
            shown(column, row).map(|value| rounded(value, column.decimals) / column.scale)
        });
        logged
            .filter(|kpa| (50.0..=110.0).contains(kpa))
            .unwrap_or_else(|| {
                let reservoir = self.fleet.reservoirs.get(row.reservoir as usize);
                let home = YARDS[self.fleet.units[self.unit].yard].sites[0];
                let altitude = reservoir
                    .map_or(crate::catalogue::SITES[home].altitude_m, |found| {
                        found.altitude_m()
                    });
                barometer_kpa(altitude)
            })
    }

    fn is_impossible(&self, column: &Column, written: f64, ambient: f64) -> bool {
        let value = (written - column.shift) / column.scale;
        let value = match column.reference {
            Reference::Gauge => value + ambient,
            Reference::Vacuum => ambient - value,
            Reference::Absolute | Reference::None => value,
        };
        let (low, high) = match column.cell {
            Cell::Chamber => (0.0, 1.05 * ambient),
            Cell::Ambient => (50.0, 110.0),
            Cell::OilSupply | Cell::OilInlet | Cell::OilOutlet | Cell::SensorDegc => (-40.0, 200.0),
            Cell::PumpDegc | Cell::AirDegc | Cell::Setpoint => (-40.0, 200.0),
            Cell::Flow => (0.0, 2.0 * self.fleet.units[self.unit].size.flow_lpm),
            Cell::Discharge | Cell::Suction => (-101.0, 2000.0),
            Cell::Hertz | Cell::Vent | Cell::Sump | Cell::ChamberLevel => (0.0, 100.0),
            Cell::WaterPpm => (0.0, 200_000.0),
            Cell::Activity => (0.0, 1.05),
            _ => return false,
        };
        // A hair's breadth for the unit conversion there and back.
        value < low - 1e-9 || value > high + 1e-9
    }
}
