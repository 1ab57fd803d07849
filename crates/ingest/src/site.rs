//! What the registers know about a unit at a time: the altitude it stands at, its nameplate flow.

use std::collections::BTreeMap;

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::{Float64Type, TimestampMicrosecondType};
use drydown_physics::atmosphere;
use drydown_quantity::Stamp;
use drydown_quantity::pressure::SEA_LEVEL_KPA;

use crate::texts::TextPool;

/// One unit's stations.
#[derive(Clone, Debug, Default)]
pub(crate) struct UnitSite {
    home_altitude_m: Option<f64>,
    nameplate_flow_lpm: Option<f64>,
    /// Ascending by start.
    stays: Vec<Stay>,
}

#[derive(Clone, Debug)]
struct Stay {
    from: Stamp,
    to: Option<Stamp>,
    altitude_m: Option<f64>,
}

/// The local barometer where nothing measured it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Barometer {
    pub(crate) kpa: f64,
    /// `altitude` or `default`, the words of `barometer_basis`.
    pub(crate) basis: &'static str,
}

impl UnitSite {
    /// Nameplate flow, L/min.
    pub(crate) const fn nameplate_flow_lpm(&self) -> Option<f64> {
        self.nameplate_flow_lpm
    }

    /// Altitude of the site the unit stands at, m (that of its deployment, else of its home), and
    /// how long the answer holds.
    pub(crate) fn altitude_m(&self, at: Stamp) -> (Option<f64>, Validity) {
        let begun = self.stays.partition_point(|stay| stay.from <= at);
        let last = begun.checked_sub(1).and_then(|last| self.stays.get(last));
        let next = self.stays.get(begun).map(|stay| stay.from);
        match last {
            Some(stay) if stay.to.is_none_or(|to| at < to) => {
                let to = match (stay.to, next) {
                    (Some(to), Some(next)) => Some(to.min(next)),
                    (to, next) => to.or(next),
                };
                (
                    stay.altitude_m,
                    Validity {
                        from: Some(stay.from),
                        to,
                    },
                )
            }
            _ => {
                let from = last.and_then(|stay| stay.to);
                (self.home_altitude_m, Validity { from, to: next })
            }
        }
    }
}

/// From when (inclusive) to when (exclusive) an answer holds; None: without end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Validity {
    from: Option<Stamp>,
    to: Option<Stamp>,
}

impl Validity {
    pub(crate) const ALWAYS: Self = Self {
        from: None,
        to: None,
    };

    pub(crate) fn holds(&self, at: Stamp) -> bool {
        self.from.is_none_or(|from| from <= at) && self.to.is_none_or(|to| at < to)
    }
}

/// An identifier without case, punctuation and zeros before a number.
fn plain_id(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars().filter(|c| c.is_alphanumeric()) {
        let after_digit = out.chars().last().is_some_and(|last| last.is_ascii_digit());
        // `0` alone stays: it is told from nothing at all.
        if after_digit && out.ends_with('0') && c.is_ascii_digit() {
            let before = out.chars().rev().nth(1);
            if before.is_none_or(|c| !c.is_ascii_digit()) {
                out.pop();
            }
        }
        out.extend(c.to_lowercase());
    }
    out
}

/// The standard barometer of an altitude (ISO 2533), or of sea level.
pub(crate) fn standard_barometer(altitude_m: Option<f64>) -> Barometer {
    match altitude_m {
        Some(altitude) => Barometer {
            kpa: atmosphere::barometer_kpa(altitude),
            basis: "altitude",
        },
        None => Barometer {
            kpa: SEA_LEVEL_KPA,
            basis: "default",
        },
    }
}

/// The registers, as far as reading a run log needs them.
#[derive(Clone, Debug, Default)]
pub struct SiteContext {
    units: BTreeMap<String, UnitSite>,
}

impl SiteContext {
    /// What to say of units that a register would know by another spelling. `cells`: texts of the pool.
    pub(crate) fn nearly_known(&self, pool: &TextPool, cells: &[u64]) -> Vec<String> {
        if self.units.is_empty() {
            return Vec::new();
        }
        // The rows of a log repeat few units, often one after the other.
        let mut distinct: Vec<u64> = cells.to_vec();
        distinct.dedup();
        distinct.sort_unstable();
        distinct.dedup();
        distinct
            .into_iter()
            .filter_map(|cell| {
                let found = pool.get(cell)?;
                let known = self.nearly(found)?;
                Some(format!(
                    "the unit \"{found}\" is in no register, and \"{known}\" is: if they are one, map it (map = {{ \"{found}\" = \"{known}\" }})"
                ))
            })
            .collect()
    }

    /// The registered unit that a text would name but for case, punctuation or leading zeros; None
    /// where it names one, or none is near.
    pub(crate) fn nearly(&self, text: &str) -> Option<&str> {
        if self.units.contains_key(text) {
            return None;
        }
        let wanted = plain_id(text);
        let mut near = self.units.keys().filter(|known| plain_id(known) == wanted);
        near.next().map(String::as_str)
    }

    /// From the rows of the registers `units`, `sites`, `reservoirs` and `deployments`.
    ///
    /// Later rows of the same key win, so stored rows may be followed by new ones.
    #[must_use]
    pub fn from_registers(
        units: &[RecordBatch],
        sites: &[RecordBatch],
        reservoirs: &[RecordBatch],
        deployments: &[RecordBatch],
    ) -> Self {
        let altitudes: BTreeMap<String, Option<f64>> = rows(sites, |batch, row| {
            Some((text(batch, "site_id", row)?, real(batch, "altitude_m", row)))
        });
        let altitude_of = |site: Option<String>| site.and_then(|id| *altitudes.get(&id)?);
        let reservoirs: BTreeMap<String, Option<f64>> = rows(reservoirs, |batch, row| {
            let site = text(batch, "site_id", row);
            Some((text(batch, "reservoir_id", row)?, altitude_of(site)))
        });
        let mut units: BTreeMap<String, UnitSite> = rows(units, |batch, row| {
            let site = UnitSite {
                home_altitude_m: altitude_of(text(batch, "home_site_id", row)),
                nameplate_flow_lpm: real(batch, "nameplate_flow_lpm", row),
                stays: Vec::new(),
            };
            Some((text(batch, "unit_id", row)?, site))
        });
        let stays: BTreeMap<(String, Stamp), Stay> = rows(deployments, |batch, row| {
            let from = stamp(batch, "from_at", row)?;
            let reservoir = text(batch, "reservoir_id", row);
            let altitude_m = reservoir.and_then(|id| *reservoirs.get(&id)?);
            let stay = Stay {
                from,
                to: stamp(batch, "to_at", row),
                altitude_m,
            };
            Some(((text(batch, "unit_id", row)?, from), stay))
        });
        for ((unit, _), stay) in stays {
            units.entry(unit).or_default().stays.push(stay);
        }
        Self { units }
    }

    pub(crate) fn unit(&self, unit_id: &str) -> Option<&UnitSite> {
        self.units.get(unit_id)
    }
}

fn rows<K: Ord, V>(
    batches: &[RecordBatch],
    read: impl Fn(&RecordBatch, usize) -> Option<(K, V)>,
) -> BTreeMap<K, V> {
    batches
        .iter()
        .flat_map(|batch| (0..batch.num_rows()).map(move |row| (batch, row)))
        .filter_map(|(batch, row)| read(batch, row))
        .collect()
}

fn text(batch: &RecordBatch, column: &str, row: usize) -> Option<String> {
    let cells = batch.column_by_name(column)?.as_string_opt::<i32>()?;
    cells.is_valid(row).then(|| cells.value(row).to_owned())
}

fn real(batch: &RecordBatch, column: &str, row: usize) -> Option<f64> {
    let cells = batch
        .column_by_name(column)?
        .as_primitive_opt::<Float64Type>()?;
    cells.is_valid(row).then(|| cells.value(row))
}

fn stamp(batch: &RecordBatch, column: &str, row: usize) -> Option<Stamp> {
    let cells = batch
        .column_by_name(column)?
        .as_primitive_opt::<TimestampMicrosecondType>()?;
    cells
        .is_valid(row)
        .then(|| Stamp::from_micros(cells.value(row)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_one_unit() {
        let known = ["E5", "VD-07", "U-10", "U-100", "Pump 0"];
        let site = SiteContext {
            units: known
                .iter()
                .map(|id| ((*id).to_owned(), UnitSite::default()))
                .collect(),
        };
        let cases = [
            ("E5", None),
            ("e5", Some("E5")),
            ("E-5", Some("E5")),
            ("E05", Some("E5")),
            ("E50", None),
            ("vd 7", Some("VD-07")),
            ("VD-007", Some("VD-07")),
            ("VD-70", None),
            ("U-010", Some("U-10")),
            ("U-1", None),
            ("pump-0", Some("Pump 0")),
            ("pump", None),
        ];
        for (text, expected) in cases {
            assert_eq!(site.nearly(text), expected, "{text}");
        }
        let mut pool = TextPool::default();
        let cells = ["e5", "E5", "e5"].map(|text| pool.cell(text));
        let notes = site.nearly_known(&pool, &cells);
        assert_eq!(notes.len(), 1, "{notes:?}");
        assert!(notes[0].contains("map = { \"e5\" = \"E5\" }"), "{notes:?}");
    }
}
