//! Numbers of a cell: with a unit, as a laboratory's limit, as a cleanliness code.

use drydown_quantity::{PressureReference, Unit};

use super::cell::{CellReader, CellText, FLOW, Place, put};
use super::pressure::check_reference;
use crate::cells::{Amount, Censor, parse_amount, parse_cleanliness, parse_hours, parse_number};
use crate::site::UnitSite;
use crate::source::{CellKind, Column, Layout, UnitRule};
use crate::text::is_object;
use crate::texts::{NULL, from_real, from_whole};

/// Density of water at room temperature, kg/m³; from memory: 998.2 at 20 °C, 997.0 at 25 °C.
const WATER_KGM3: f64 = 998.0;

/// A longer text is no word, bytes.
const MOST_OF_A_WORD: usize = 40;

impl CellReader<'_> {
    /// Whether a number stands for no value: a null word `-999` is meant as `-999.00` too.
    pub(super) fn is_null_number(&self, column: &Column, text: &str) -> bool {
        let nulls = &self.source.null_numbers;
        let is_number = column.unit_rule().is_some() || matches!(column.kind, CellKind::Whole);
        is_number
            && !nulls.is_empty()
            && parse_number(text, self.source.mark).is_some_and(|value| nulls.contains(&value))
    }

    /// A number that is a value, in the column's own unit.
    pub(super) fn plain_number(
        &self,
        column: &Column,
        text: &str,
        cell: &CellText<'_>,
        rule: &UnitRule,
    ) -> Result<f64, String> {
        let own = own_unit(column);
        let text = without_temperature(column, text)?;
        if column.spec.is_gauge {
            let unit = cell.unit.filter(|_| matches!(rule, UnitRule::Column(_)));
            check_reference(PressureReference::Gauge, [Some(text), unit])?;
        }
        if let Some(value) = parse_number(text, self.source.mark) {
            return self.to_own(value, stated_unit(rule, cell)?, own);
        }
        // `1234:30`, as counters of hours show them and spreadsheets write a duration.
        if column.spec.ucum.as_deref() == Some("h")
            && let Some(hours) = parse_hours(text)
        {
            return Ok(hours);
        }
        match parse_amount(text, self.source.mark) {
            Amount::Stated {
                censor: Censor::Exact,
                value: Some(value),
                unit,
            } => match unit {
                Some(unit) => self.to_own(value, Some(unit), own),
                None => self.to_own(value, stated_unit(rule, cell)?, own),
            },
            Amount::Stated { .. } => Err("expected a value, found a limit".to_owned()),
            Amount::Missing(_) if self.source.is_laboratory() => Ok(f64::NAN),
            Amount::Missing(_) => Err(expected_number(rule)),
            Amount::Unreadable("expected a number") => {
                Err(self.with_way_out(text, expected_number(rule)))
            }
            Amount::Unreadable(why) => Err(self.with_way_out(text, why.to_owned())),
        }
    }

    /// A reason, and what helps where the text is a word that a laboratory has of its own.
    fn with_way_out(&self, text: &str, why: String) -> String {
        if self.source.layout == Layout::Json && is_object(text) {
            return format!("{why}; it is an object, whose parts have names of their own");
        }
        let is_word = text.chars().any(char::is_alphabetic)
            && !text.chars().any(|c| c.is_ascii_digit() || c == '"')
            && text.len() <= MOST_OF_A_WORD;
        if self.source.is_laboratory() && is_word {
            format!("{why}; if it says that nothing was found: map = {{ \"{text}\" = \"N/D\" }}")
        } else {
            why
        }
    }

    /// A number in a unit as one in the column's own; a content by volume by the density of the oil.
    fn to_own(&self, value: f64, unit: Option<Unit>, own: Option<Unit>) -> Result<f64, String> {
        let (Some(stated), Some(wanted)) = (unit, own) else {
            return to_own(value, unit, own);
        };
        if !stated.needs_density(wanted) {
            return to_own(value, unit, own);
        }
        let Some(density) = self.source.density_kgm3 else {
            return Err(format!(
                "found a value in {stated}, the content of a volume: it becomes {wanted} by the density of the oil, write density_kgm3 = … (kg/m³) into the source \"{}\"",
                self.source.name
            ));
        };
        match stated.convert_by_density(value, wanted, WATER_KGM3, density) {
            Some(by_mass) => Ok(by_mass),
            None => to_own(value, unit, own),
        }
    }

    /// A pressure in kPa (or a share of the atmosphere), before any reference.
    pub(crate) fn pressure_value(
        &self,
        text: &str,
        cell: &CellText<'_>,
        rule: &UnitRule,
        to: Option<Unit>,
    ) -> Result<f64, String> {
        let value = match parse_number(text, self.source.mark) {
            Some(value) => to_own(value, stated_unit(rule, cell)?, to),
            None => match parse_amount(text, self.source.mark) {
                Amount::Stated {
                    censor: Censor::Exact,
                    value: Some(value),
                    unit: Some(unit),
                } => to_own(value, Some(unit), to),
                _ => Err(expected_number(rule)),
            },
        };
        value.and_then(|value| {
            if value.is_finite() {
                Ok(value)
            } else {
                Err(expected_number(rule))
            }
        })
    }

    pub(super) fn read_limited(
        &mut self,
        column: &Column,
        text: &str,
        cell: &CellText<'_>,
        rule: &UnitRule,
        row: &mut [u64],
    ) -> Result<(), String> {
        match parse_amount(text, self.source.mark) {
            Amount::Stated {
                censor,
                value,
                unit,
            } => {
                let unit = match unit {
                    Some(unit) => Some(unit),
                    None => stated_unit(rule, cell)?,
                };
                if let Some(value) = value {
                    let value = match unit {
                        Some(unit) if column.spec.any_unit => {
                            self.in_unit_of_row(column, (value, unit), row)?
                        }
                        _ => self.to_own(value, unit, own_unit(column))?,
                    };
                    put(
                        row,
                        column,
                        0,
                        from_real(checked(column, &Place::default(), value)?),
                    );
                }
                let stated = column.slots.get(1).and_then(|slot| row.get(*slot)).copied();
                if censor != Censor::Exact || stated.is_none_or(|cell| cell == NULL) {
                    let word = self.pool.cell(censor.as_str());
                    put(row, column, 1, word);
                }
                Ok(())
            }
            Amount::Missing(reason) => {
                let word = self.pool.cell(reason);
                put(row, column, 2, word);
                Ok(())
            }
            Amount::Unreadable(why) => Err(self.with_way_out(text, why.to_owned())),
        }
    }

    /// A value whose cell states its unit, in the unit of the row; a row without one takes the cell's.
    fn in_unit_of_row(
        &mut self,
        column: &Column,
        (value, unit): (f64, Unit),
        row: &mut [u64],
    ) -> Result<f64, String> {
        let Some(slot) = column.slots.get(3) else {
            return Err(format!(
                "the cell states its unit, {unit}, and the source maps no \"unit\""
            ));
        };
        let stated = row.get(*slot).and_then(|cell| self.pool.get(*cell));
        match stated {
            None => {
                let cell = self.pool.cell(unit.code());
                put(row, column, 3, cell);
                Ok(value)
            }
            Some(text) => Unit::parse(text)
                .and_then(|wanted| unit.convert(value, wanted))
                .ok_or_else(|| format!("the cell states {unit}, and the row's unit is \"{text}\"")),
        }
    }

    pub(super) fn read_cleanliness(
        &mut self,
        column: &Column,
        text: &str,
        row: &mut [u64],
    ) -> Result<(), String> {
        if matches!(parse_amount(text, self.source.mark), Amount::Missing(_)) {
            return Ok(());
        }
        let found = parse_cleanliness(text)?;
        for (idx, code) in found.codes.into_iter().enumerate() {
            put(row, column, idx, code.map_or(NULL, from_whole));
        }
        if let Some(note) = found.note {
            let cell = self.pool.cell(&note);
            put(row, column, 3, cell);
        }
        Ok(())
    }
}

/// A viscosity without the temperature it was measured at (`46.2 cSt @40`), which must be the column's.
fn without_temperature<'t>(column: &Column, text: &'t str) -> Result<&'t str, String> {
    let wanted = match column.name.as_str() {
        "viscosity_40c_mm2s" => "40",
        "viscosity_100c_mm2s" => "100",
        _ => return Ok(text),
    };
    let Some((value, temperature)) = text.split_once('@') else {
        return Ok(text);
    };
    let degrees = temperature
        .trim()
        .trim_end_matches(['C', 'c'])
        .trim_end_matches([' ', '°']);
    if degrees == wanted {
        Ok(value.trim_end())
    } else {
        Err(format!("expected a viscosity at {wanted} °C"))
    }
}

fn own_unit(column: &Column) -> Option<Unit> {
    column.spec.ucum.as_deref().and_then(Unit::parse)
}

/// The unit of the row; None where the number is in the column's own.
fn stated_unit(rule: &UnitRule, cell: &CellText<'_>) -> Result<Option<Unit>, String> {
    match rule {
        UnitRule::Own => Ok(None),
        UnitRule::Fixed(unit) => Ok(Some(*unit)),
        UnitRule::Column(name) => {
            let text = cell.unit.map_or("", str::trim);
            Unit::parse(text).map(Some).ok_or_else(|| {
                format!("found the unit \"{text}\" in \"{name}\", which is not known")
            })
        }
    }
}

fn to_own(value: f64, unit: Option<Unit>, own: Option<Unit>) -> Result<f64, String> {
    match (unit, own) {
        (Some(unit), Some(own)) => unit
            .convert(value, own)
            .ok_or_else(|| format!("found a value in {unit}, which cannot become {own}")),
        (Some(unit), None) => Err(format!("found a value in {unit}, the column has no unit")),
        (None, _) => Ok(value),
    }
}

/// The value as it is stored, if the contract admits it. NaN stands for a laboratory's "no value".
pub(super) fn checked(column: &Column, place: &Place<'_>, value: f64) -> Result<f64, String> {
    if value.is_nan() {
        return Ok(value);
    }
    let bounds = column.spec.bounds();
    if !bounds.admit(value) {
        let unit = column.spec.ucum.as_deref().unwrap_or("");
        return Err(format!("{value} {unit} lies outside {bounds}").replace("  ", " "));
    }
    if column.name == FLOW
        && let Some(nameplate) = place.unit.and_then(UnitSite::nameplate_flow_lpm)
        && value > 2.0 * nameplate
    {
        return Err(format!(
            "{value} L/min is more than twice the nameplate flow of {nameplate} L/min"
        ));
    }
    Ok(column.spec.to_stored(value))
}

fn expected_number(rule: &UnitRule) -> String {
    match rule {
        UnitRule::Fixed(unit) => format!("expected a number in {unit}"),
        UnitRule::Own | UnitRule::Column(_) => "expected a number".to_owned(),
    }
}
