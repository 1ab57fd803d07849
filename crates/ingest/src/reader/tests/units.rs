//! Units column by column: UCUM codes and the trade's spellings, against published factors.

use super::harness::Case;

/// One cell of `readings` in a unit, and what is stored.
fn check(column: &str, unit: &str, cell: &str, expected: &str) {
    Case::new(&format!(
        "table = \"readings\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\" }}\n{column} = {{ from = \"V\", unit = \"{unit}\" }}\n"
    ))
    .bytes(format!("Unit,Time,V\nU-1,2026-03-01T10:00:00Z,{cell}\n").as_bytes())
    .gives(&format!("{column}\n{expected}"));
}

#[test]
fn factors_of_nist_sp_811() {
    // NIST SP 811 (2008), Appendix B.8; gallons, feet and pounds are exact there.
    for (column, unit, cell, expected) in [
        ("oil_inlet_degc", "[degF]", "149", "65"),
        ("oil_inlet_degc", "°F", "-40", "-40"),
        ("oil_inlet_degc", "degF", "212", "100"),
        ("oil_inlet_degc", "F", "32", "0"),
        ("oil_inlet_degc", "K", "338.15", "65"),
        ("oil_inlet_degc", "Cel", "65", "65"),
        ("oil_inlet_degc", "°C", "65", "65"),
        ("oil_flow_lpm", "[gal_us]/min", "20", "75.708236"),
        ("oil_flow_lpm", "GPM", "20", "75.708236"),
        ("oil_flow_lpm", "usgpm", "20", "75.708236"),
        ("oil_flow_lpm", "igpm", "20", "90.9218"),
        ("oil_flow_lpm", "m3/h", "4.5", "75"),
        ("oil_flow_lpm", "m³/h", "4.5", "75"),
        ("oil_flow_lpm", "L/h", "4500", "75"),
        ("oil_flow_lpm", "l/h", "4500", "75"),
        ("oil_flow_lpm", "l/s", "1.25", "75"),
        ("oil_flow_lpm", "m^3/h", "4.5", "75"),
        ("oil_flow_lpm", "dm³/min", "75", "75"),
        ("oil_flow_lpm", "litres/min", "75", "75"),
        ("oil_flow_lpm", "cfm", "2", "56.633693"),
        ("suction_kpa_gauge", "psi", "-5", "-34.473786"),
        ("suction_kpa_gauge", "[in_i'Hg]", "-10", "-33.8638"),
        ("suction_kpa_gauge", "inHg", "-10", "-33.8638"),
        ("filter_dp_kpa", "bar", "1.5", "150"),
        ("filter_dp_kpa", "kg/cm2", "1", "98.0665"),
        ("filter_dp_kpa", "Torr", "760", "101.325"),
        ("filter_dp_kpa", "mmHg", "760", "101.32472"),
        ("filter_dp_kpa", "cm Hg", "76", "101.32472"),
        ("filter_dp_kpa", "KPA", "76", "76"),
        // A micron of mercury, 1/1000 mmHg: of a pressure, "micron" is one (common practice, no source).
        ("filter_dp_kpa", "mTorr", "760000", "101.325"),
        ("filter_dp_kpa", "micron", "760000", "101.325"),
        ("filter_dp_kpa", "Microns", "760000", "101.325"),
        ("heater_kw", "hp", "10", "7.456999"),
        ("heater_kw", "W", "12500", "12.5"),
        ("oil_total_l", "gal", "1000", "3785.411784"),
        ("oil_total_l", "bbl", "1", "158.987295"),
        ("oil_total_l", "m3", "1.5", "1500"),
        ("run_hours_h", "min", "90", "1.5"),
        ("run_hours_h", "d", "2", "48"),
        ("oil_pump_hz", "rpm", "1800", "30"),
        ("vacuum_pump_amps", "mA", "5200", "5.2"),
    ] {
        check(column, unit, cell, expected);
    }
}

#[test]
fn shares_and_contents() {
    for (column, unit, cell, expected) in [
        ("water_ppm", "ppm", "250", "250"),
        ("water_ppm", "ppmw", "250", "250"),
        ("water_ppm", "%", "0.025", "250"),
        ("water_ppm", "wt%", "0.025", "250"),
        ("water_ppm", "g/kg", "0.25", "250"),
        ("water_ppm", "mg/Kg", "250", "250"),
        ("water_ppm", "wt-%", "0.025", "250"),
        ("water_ppm", "Gew.-%", "0.025", "250"),
        ("water_ppm", "% masse", "0.025", "250"),
        ("water_ppm", "‰", "0.25", "250"),
        ("water_activity", "1", "0.4", "0.4"),
        ("water_activity", "aw", "0.4", "0.4"),
        ("water_activity", "%RS", "40", "0.4"),
        ("water_activity", "%", "40", "0.4"),
        // Up to 1.05 is a saturated sensor.
        ("water_activity", "%RS", "104", "1"),
        ("vent_open_pct", "%", "35", "35"),
        ("vent_open_pct", "1", "0.35", "35"),
    ] {
        check(column, unit, cell, expected);
    }
}

#[test]
fn a_cell_may_state_a_unit_of_its_own() {
    for (column, unit, cell, expected) in [
        ("oil_inlet_degc", "°F", "65 °C", "65"),
        ("oil_inlet_degc", "°C", "149F", "65"),
        ("oil_flow_lpm", "L/min", "20 gpm", "75.708236"),
        ("water_ppm", "ppm", "0.025 %", "250"),
    ] {
        check(column, unit, cell, expected);
    }
}

#[test]
fn bounds_hold_after_the_conversion() {
    for (column, unit, cell) in [
        ("oil_inlet_degc", "°F", "393"),
        ("oil_inlet_degc", "°F", "-41"),
        ("oil_inlet_degc", "°C", "201"),
        ("oil_flow_lpm", "gpm", "-0.1"),
        ("oil_pump_hz", "rpm", "6001"),
        ("water_ppm", "%", "20.1"),
        ("water_activity", "%RS", "106"),
        ("vent_open_pct", "%", "101"),
        ("discharge_kpa_gauge", "psi", "291"),
        ("oil_inlet_degc", "°C", "65 L/min"),
    ] {
        check(column, unit, cell, &format!("-\n! 2 {column} [{cell}]"));
    }
}

#[test]
fn wrong_units_are_problems_of_the_description() {
    for (column, unit, expected) in [
        (
            "oil_flow_lpm",
            "°F",
            "expected a unit that can become L/min",
        ),
        (
            "oil_flow_lpm",
            "gpn",
            "which is no known unit; known are L/min, L/h",
        ),
        (
            "oil_inlet_degc",
            "Farenheit",
            "which is no known unit; did you mean \"fahrenheit\"?",
        ),
        // A slip of one letter that would be a unit of another size is not proposed.
        (
            "oil_flow_lpm",
            "cm3/min",
            "which is no known unit; known are",
        ),
        (
            "filter_dp_kpa",
            "uTorr",
            "which is no known unit; known are kPa",
        ),
        (
            "filter_dp_kpa",
            "cmHg wet",
            "which is no known unit; known are kPa",
        ),
        (
            "water_ppm",
            "pg/kg",
            "which is no known unit; known are mg/kg",
        ),
        (
            "filter_dp_kpa",
            "gigapascal",
            "which is no known unit; known are kPa",
        ),
        ("water_ppm", "%RS", "expected a unit that can become mg/kg"),
        ("water_ppm", "vol%", "write density_kgm3"),
        ("chamber_pressure_kpa", "inHg", "expected a reference"),
        ("oil_inlet_degc\" = 1\n\"x", "°F", ""),
    ] {
        let text = format!(
            "name = \"c\"\nfiles = [\"*\"]\ntable = \"readings\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\" }}\n{column} = {{ from = \"V\", unit = \"{unit}\" }}\n"
        );
        let Ok(spec) = toml::from_str::<crate::source::SourceSpec>(&text) else {
            assert!(expected.is_empty(), "{text}");
            continue;
        };
        let problems = spec.compile().unwrap_err();
        let said: Vec<String> = problems.iter().map(ToString::to_string).collect();
        assert!(
            said.iter().any(|problem| problem.contains(expected)),
            "{said:?}, expected {expected}"
        );
    }
}

/// One mistake is told once: what it makes of the rest is not true.
#[test]
fn a_wrong_format_is_the_only_problem() {
    for (column, format) in [("at", "%m/%d/%Y %I:%M"), ("at", "%s"), ("at", "%Q")] {
        let text = format!(
            "name = \"c\"\nfiles = [\"*\"]\ntable = \"readings\"\ntimezone = \"UTC\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\n{column} = {{ from = \"Time\", format = \"{format}\" }}\noil_flow_lpm = {{ from = \"Q\" }}\n"
        );
        let spec: crate::source::SourceSpec = toml::from_str(&text).unwrap();
        let problems = spec.compile().unwrap_err();
        let keys: Vec<String> = problems
            .iter()
            .map(|problem| problem.key.join("."))
            .collect();
        assert_eq!(keys, ["columns.at.format"], "{format}: {problems:?}");
    }
}
