//! Units that the names of a file's columns state, held against those of the source.

use drydown_quantity::Unit;

use super::header::Header;
use crate::source::{Column, Origin, Source, UnitRule};

/// Values at which two units are compared: temperatures differ in their zeros too.
const PROBES: [f64; 2] = [0.0, 100.0];
/// Share of a value that units of one size may differ by: inches of mercury at 0 °C and at 60 °F do by 0.3 %.
const ALIKE: f64 = 0.01;

/// A warning for each column whose name in the file states another unit than the source reads it in:
/// `Oil in (°C)` read as °F.
pub(super) fn contradicted_units(source: &Source, header: &Header) -> Vec<String> {
    let columns = source.keys.iter().chain(&source.values);
    columns
        .filter_map(|column| {
            let read = read_unit(column)?;
            let Origin::Header(names) = &column.origin else {
                return None;
            };
            let field = names.iter().find_map(|name| header.find(name))?;
            let (name, stated) = header.stated_unit(field, read)?;
            let differs = |value: f64| {
                stated
                    .convert(value, read)
                    .is_some_and(|found| (found - value).abs() > ALIKE * value.abs().max(1.0))
            };
            PROBES.into_iter().any(differs).then(|| {
                format!(
                    "column \"{name}\" states {stated} in its name, and the source reads it in {read} into \"{}\"",
                    column.name
                )
            })
        })
        .collect()
}

/// The unit that the source reads a column in, where it is the same in every row.
fn read_unit(column: &Column) -> Option<Unit> {
    match column.unit_rule()? {
        UnitRule::Fixed(unit) => Some(*unit),
        UnitRule::Own => column.spec.ucum.as_deref().and_then(Unit::parse),
        UnitRule::Column(_) => None,
    }
}
