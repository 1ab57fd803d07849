//! The `drydown.toml` that reads every export.

use std::fmt::Write as _;

use super::columns::{Column, Reference};
use super::lab_files::{IGNORED_ANALYTES, point_words};
use super::logs::PREAMBLE_LINES;
use super::registers::{WERKSTATT_WORDS, WORKSHOP_WORDS};
use super::wide::Manner;
use crate::catalogue::{Dialect, YARDS, Yard};
use crate::fleet::Fleet;

/// A complete configuration for the fleet's exports.
pub(crate) fn settings(fleet: &Fleet) -> String {
    let mut text = String::from(
        "# An invented fleet: every name, machine and number in these files is made up.\n\n\
         [store]\npath = \"store\"\n\n\
         [display]\nunits = \"us\"\ntimezone = \"America/Chicago\"\n",
    );
    text.push_str(REGISTERS);
    push_maintenance(&mut text);
    for (idx, yard) in YARDS.iter().enumerate() {
        if !fleet.units.iter().any(|unit| unit.yard == idx) {
            continue;
        }
        if yard.dialect.is_tall() {
            push_tall_source(&mut text, yard);
        } else {
            push_wide_source(&mut text, yard);
        }
    }
    push_labs(&mut text);
    text
}

const REGISTERS: &str = r#"
# Registers

[[source]]
name = "units"
table = "units"
files = ["exports/registers/units.csv"]

[source.columns]
unit_id = { from = "Unit" }
size_class = { from = "Class" }
nameplate_flow_lpm = { from = "Flow gpm", unit = "gpm" }
heater_rated_kw = { from = "Heater kW" }
vacuum_pump_m3h = { from = "Pump m3/h" }
vacuum_pump_kind = { from = "Pump kind" }
chamber_volume_l = { from = "Chamber gal", unit = "[gal_us]" }
commissioned_on = { from = "In service" }
home_site_id = { from = "Home" }
water_sensor_place = { from = "Sensor" }
oil_families_allowed = { from = "Oils" }
insulating_oil_ready = { from = "Insulating" }

[[source]]
name = "sites"
table = "sites"
files = ["exports/registers/sites.csv"]

[source.columns]
site_id = { from = "Site" }
name = { from = "Name" }
altitude_m = { from = "Altitude ft", unit = "[ft_i]" }
timezone = { from = "Zone" }

[[source]]
name = "oils"
table = "oils"
files = ["exports/registers/oils.csv"]

[source.columns]
oil_type = { from = "oil_type" }
family = { from = "family" }
iso_vg = { from = "iso_vg" }
viscosity_40c_mm2s = { from = "kv40", unit = "cSt" }
viscosity_100c_mm2s = { from = "kv100", unit = "cSt" }
density_15c_kgm3 = { from = "density" }
solubility_a = { from = "a" }
solubility_b_k = { from = "b" }
flash_degc = { from = "flash" }

[[source]]
name = "reservoirs"
table = "reservoirs"
files = ["exports/registers/reservoirs.csv"]

[source.columns]
reservoir_id = { from = "Reservoir" }
site_id = { from = "Site" }
service = { from = "Service" }
oil_type = { from = "Oil" }
volume_l = { from = "Volume" }
volume_basis = { from = "Basis" }
water_limit_ppm = { from = "Water limit" }
cleanliness_limit = { from = "Cleanliness" }
acid_limit_mgkoh_g = { from = "Acid limit" }
coldest_oil_degc = { from = "Coldest" }
max_oil_degc = { from = "Hottest" }
criticality = { from = "Criticality" }
paper_insulated = { from = "Paper" }
energised = { from = "Energised" }
pcb_status = { from = "PCB" }
breather = { from = "Breather" }

[[source]]
name = "deployments"
table = "deployments"
files = ["exports/registers/deployments.csv"]

[source.columns]
unit_id = { from = "Unit" }
from_at = { from = "From" }
reservoir_id = { from = "Reservoir" }
to_at = { from = "To" }

[[source]]
name = "reservoir-events"
table = "reservoir_events"
files = ["exports/registers/reservoir_events.csv"]

[source.columns]
reservoir_id = { from = "reservoir" }
at = { from = "at" }
action = { from = "what" }
volume_l = { from = "litres" }
oil_type = { from = "oil" }
water_ppm = { from = "water_ppm" }

[[source]]
name = "unit-events"
table = "unit_events"
files = ["exports/registers/events_*.csv"]

[source.columns]
unit_id = { from = "unit" }
at = { from = "utc" }
code = { from = "code" }
kind = { from = "kind" }
value = { from = "value" }
"#;

fn words(pairs: &[(&str, &str)]) -> String {
    let inner: Vec<String> = pairs
        .iter()
        .map(|(said, means)| format!("\"{said}\" = \"{means}\""))
        .collect();
    format!("{{ {} }}", inner.join(", "))
}

fn push_maintenance(text: &mut String) {
    let _ = write!(
        text,
        r#"
[[source]]
name = "workshop"
table = "maintenance"
files = ["exports/registers/maintenance.csv"]
timezone = "America/Chicago"

[source.columns]
unit_id = {{ from = "Unit" }}
at = {{ from = "Date", format = "%m/%d/%Y %H:%M" }}
action = {{ from = "Work", map = {} }}
note = {{ from = "Remarks" }}
serial = {{ from = "VP serial" }}
hours_meter = {{ from = "Hours" }}

[[source]]
name = "werkstatt"
table = "maintenance"
files = ["exports/registers/wartung.csv"]
encoding = "windows-1252"
delimiter = ";"
decimal = ","
timezone = "Europe/Berlin"

[source.columns]
unit_id = {{ from = "Gerät" }}
at = {{ from = "Datum", format = "%d.%m.%Y %H:%M" }}
action = {{ from = "Arbeit", map = {} }}
serial = {{ from = "Pumpe Nr." }}
hours_meter = {{ from = "Betriebsstunden" }}
"#,
        words(&WORKSHOP_WORDS),
        words(&WERKSTATT_WORDS),
    );
}

/// A pattern of letters as the format of the configuration: `d.m.Y` becomes `%d.%m.%Y`.
fn to_format(pattern: &str) -> String {
    let mut format = String::new();
    for letter in pattern.chars() {
        if letter.is_ascii_alphabetic() {
            format.push('%');
        }
        format.push(letter);
    }
    format
}

fn push_wide_source(text: &mut String, yard: &Yard) {
    let manner = Manner::of(yard.dialect);
    let suffix = match yard.dialect {
        Dialect::Gauge | Dialect::Vacuum => "csv.gz",
        _ => "csv",
    };
    let _ = write!(
        text,
        "\n[[source]]\nname = \"{0}\"\ntable = \"readings\"\nfiles = [\"exports/{0}/*.{suffix}\"]\n",
        yard.name,
    );
    if yard.dialect == Dialect::Metric {
        let _ = writeln!(
            text,
            "encoding = \"windows-1252\"\nskip_lines = {PREAMBLE_LINES}"
        );
    }
    if manner.delimiter == b';' {
        text.push_str("delimiter = \";\"\ndecimal = \",\"\n");
    }
    if manner.null.is_empty() {
        text.push_str("null = [\"\"]\n");
    } else {
        let _ = writeln!(text, "null = [\"\", \"{}\"]", manner.null);
    }
    let _ = writeln!(text, "timezone = \"{}\"", yard.timezone);
    text.push_str("file_name = 'log_(?<unit_id>[A-Z]+-\\d+)_'\n\n[source.columns]\n");
    let format = to_format(&manner.stamp.join(" "));
    let from = match manner.stamp_headers {
        [one] => format!("\"{one}\""),
        many => format!("[\"{}\"]", many.join("\", \"")),
    };
    let _ = writeln!(text, "at = {{ from = {from}, format = \"{format}\" }}");
    for column in yard.dialect.columns() {
        push_column(text, column, "from");
    }
    let _ = writeln!(text, "alarm = {{ from = \"{}\" }}", manner.alarm_header);
}

fn push_column(text: &mut String, column: &Column, origin: &str) {
    let _ = write!(text, "{} = {{ {origin} = \"{}\"", column.key, column.name);
    if !column.unit.is_empty() {
        let _ = write!(text, ", unit = \"{}\"", column.unit);
    }
    let reference = match column.reference {
        Reference::None => "",
        Reference::Absolute => ", reference = \"absolute\"",
        Reference::Gauge => ", reference = \"gauge\"",
        Reference::Vacuum => ", reference = \"vacuum\"",
    };
    let _ = writeln!(text, "{reference} }}");
}

fn push_tall_source(text: &mut String, yard: &Yard) {
    let epoch = yard.dialect == Dialect::TallEpoch;
    let suffix = if epoch { "csv.gz" } else { "csv" };
    let _ = write!(
        text,
        "\n[[source]]\nname = \"{0}\"\ntable = \"readings\"\nlayout = \"tall\"\nfiles = [\"exports/{0}/*.{suffix}\"]\n",
        yard.name,
    );
    let (tag, value, quality, good, time, format) = if epoch {
        text.push_str("delimiter = \";\"\n");
        ("point", "val", "st", "192", "ms", "epoch_ms")
    } else {
        ("Tag", "Value", "Quality", "Good", "Time", "rfc3339")
    };
    let _ = write!(
        text,
        "\n[source.tall]\ntag = \"{tag}\"\nvalue = \"{value}\"\n\
         quality = {{ from = \"{quality}\", good = [\"{good}\"] }}\n\
         pattern = '^(?<unit_id>[^.]+)\\.(?<signal>.+)$'\n\
         ignore = ['\\.SPARE\\d+$']\n\n\
         [source.columns]\nat = {{ from = \"{time}\", format = \"{format}\" }}\n",
    );
    for column in yard.dialect.columns() {
        push_column(text, column, "signal");
    }
}

fn push_labs(text: &mut String) {
    let _ = write!(
        text,
        r#"
# Laboratories

[[source]]
name = "aldermere"
table = "samples"
files = ["exports/labs/aldermere_*.csv"]
timezone = "America/Chicago"

[source.columns]
lab = {{ value = "aldermere" }}
sample_id = {{ from = "Report" }}
reservoir_id = {{ from = "Tank" }}
unit_id = {{ from = "Machine" }}
sample_point = {{ from = "Point", map = {} }}
taken_at = {{ from = "Sampled", format = "%Y-%m-%d %H:%M" }}
reported_at = {{ from = "Issued", format = "%Y-%m-%d %H:%M" }}
sample_degc = {{ from = "Temp F", unit = "°F" }}
water_ppm = {{ from = "Water", unit = {{ from = "Water unit" }} }}
iso4406 = {{ from = "ISO 4406" }}
viscosity_40c_mm2s = {{ from = "KV40", unit = "cSt" }}
acid_mgkoh_g = {{ from = "AN" }}
breakdown_kv = {{ from = "BDV", unit = "kV" }}

[[source]]
name = "birchway"
table = "samples"
layout = "tall"
files = ["exports/labs/birchway_*.csv"]
delimiter = ";"

[source.tall]
tag = "Analyte"
value = "Result"
ignore = ['^({})$']

[source.columns]
lab = {{ value = "birchway" }}
sample_id = {{ from = "No" }}
reservoir_id = {{ from = "Tank" }}
unit_id = {{ from = "Machine" }}
sample_point = {{ from = "Point", map = {} }}
taken_at = {{ from = "Taken", format = "%Y-%m-%d" }}
reported_at = {{ from = "Reported", format = "%Y-%m-%d" }}
water_ppm = {{ signal = "Water KF", unit = {{ from = "Unit" }} }}
iso4406 = {{ signal = "ISO 4406" }}
viscosity_40c_mm2s = {{ signal = "Viscosity 40", unit = {{ from = "Unit" }} }}
acid_mgkoh_g = {{ signal = "Acid number", unit = {{ from = "Unit" }} }}
breakdown_kv = {{ signal = "Breakdown", unit = {{ from = "Unit" }} }}
sample_degc = {{ signal = "Temperature", unit = {{ from = "Unit" }} }}

[[source]]
name = "metals"
table = "results"
files = ["exports/labs/metals_*.csv"]
delimiter = ";"

[source.columns]
lab = {{ value = "birchway" }}
sample_id = {{ from = "No" }}
analyte = {{ from = "Analyte" }}
value = {{ from = "Result" }}
unit = {{ from = "Unit" }}
method = {{ from = "Method" }}
"#,
        words(&point_words(0)),
        IGNORED_ANALYTES.join("|"),
        words(&point_words(1)),
    );
}
