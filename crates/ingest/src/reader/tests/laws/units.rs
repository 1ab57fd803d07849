//! Every unit and spelling of the table, there and back through a file; numbers in every dress.

use drydown_quantity::{Unit, all_units};
use proptest::prelude::*;

use super::super::harness::{merged, read, source};
use crate::cells::{DecimalMark, parse_number};
use crate::site::SiteContext;
use arrow::array::AsArray;
use arrow::datatypes::Float64Type;

/// Columns of different dimensions, and a value each can hold whatever the unit.
const COLUMNS: [(&str, &str); 9] = [
    ("oil_inlet_degc", "Cel"),
    ("oil_flow_lpm", "L/min"),
    ("filter_dp_kpa", "kPa"),
    ("water_ppm", "mg/kg"),
    ("water_activity", "1{RS}"),
    ("heater_kw", "kW"),
    ("run_hours_h", "h"),
    ("oil_total_l", "L"),
    ("oil_pump_hz", "Hz"),
];

/// Every (column, spelling) of units that measure what the column holds.
fn spellings() -> Vec<(&'static str, Unit, &'static str)> {
    let mut found = Vec::new();
    for (column, code) in COLUMNS {
        let own = Unit::parse(code).unwrap();
        for row in all_units() {
            let unit = Unit::parse(row.code).unwrap();
            if unit.dimension() == own.dimension() {
                let names = std::iter::once(row.code).chain(row.aliases.iter().copied());
                found.extend(names.map(|name| (column, unit, name)));
            }
        }
    }
    found
}

fn stored(column: &str, spelling: &str, cell: &str) -> Option<f64> {
    // A literal string of TOML: spellings hold quotes of both kinds, never both at once.
    let quote = if spelling.contains('\'') { '"' } else { '\'' };
    let source = source(&format!(
        "table = \"readings\"\ndelimiter = \"|\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\" }}\n{column} = {{ from = \"V\", unit = {quote}{spelling}{quote} }}\n"
    ));
    let text = format!("Unit|Time|V\nU-1|2026-03-01T10:00:00Z|{cell}\n");
    let rows = read(&source, "log.csv", text.as_bytes(), &SiteContext::default());
    assert!(rows.rejects().is_empty(), "{:?}", rows.rejects());
    let (batches, _) = merged(vec![rows], &[]);
    let cells = batches[0].column_by_name(column).unwrap();
    let cells = cells.as_primitive::<Float64Type>();
    cells.iter().next().flatten()
}

#[test]
fn every_spelling_of_a_unit_reads_the_same_value() {
    let all = spellings();
    assert!(all.len() > 100, "{}", all.len());
    for (column, unit, spelling) in all {
        let value = unit.from_base(0.75);
        let found = stored(column, spelling, &value.to_string()).unwrap();
        assert!(
            (found - 0.75).abs() < 1e-9,
            "{column} in {spelling}: {found}"
        );
        // The trade does not care for case, blanks and superscripts; UCUM codes do.
        if spelling != unit.code() {
            let shouted = spelling.to_uppercase();
            if Unit::parse(&shouted) == Some(unit) {
                let again = stored(column, &shouted, &value.to_string());
                assert_eq!(again, Some(found), "{shouted}");
            }
        }
    }
}

/// A whole number with a mark between its thousands.
fn grouped(whole: u64, mark: &str) -> String {
    let digits = whole.to_string();
    let mut out = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            out.push_str(mark);
        }
        out.push(digit);
    }
    out
}

proptest! {
    #[test]
    fn values_go_there_and_back(pick in any::<prop::sample::Index>(), base in 0.001..0.999_f64) {
        let all = spellings();
        let (column, unit, spelling) = all[pick.index(all.len())];
        let found = stored(column, spelling, &unit.from_base(base).to_string()).unwrap();
        prop_assert!((found - base).abs() < 1e-9, "{column} in {spelling}: {base} came back as {found}");
    }

    /// Thousands in any dress, with a fraction or without, are the number.
    #[test]
    fn numbers_in_every_dress(whole in 0_u64..100_000_000_000, fraction in "[0-9]{0,6}", negative in any::<bool>()) {
        let sign = if negative { "-" } else { "" };
        let plain: f64 = format!("{sign}{whole}.{fraction}0").parse().unwrap();
        for (mark, decimal, thousands) in [
            (DecimalMark::Point, ".", ["", ",", " ", "\u{a0}", "\u{202f}", "\u{2009}", "'", "’"]),
            (DecimalMark::Comma, ",", ["", ".", " ", "\u{a0}", "\u{202f}", "\u{2009}", "'", "’"]),
        ] {
            for separator in thousands {
                let text = format!("{sign}{}{decimal}{fraction}", grouped(whole, separator));
                prop_assert_eq!(parse_number(&text, mark), Some(plain + 0.0), "{}", text);
            }
        }
    }

    /// Groups that are not of three digits are refused, whatever the mark.
    #[test]
    fn groups_of_other_lengths_are_no_thousands(head in 1_u32..1000, tail in "[0-9]{1,2}|[0-9]{4,6}") {
        for (mark, separator) in [(DecimalMark::Point, ','), (DecimalMark::Comma, '.')] {
            let text = format!("{head}{separator}{tail}");
            prop_assert_eq!(parse_number(&text, mark), None, "{}", text);
        }
    }
}
