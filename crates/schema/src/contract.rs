//! The tables of the contract, parsed once from the embedded files.

use std::sync::OnceLock;

use crate::descriptor::{Descriptor, Field, FieldKind, Kind, Reference};
use crate::spec::{Bounds, ColumnKind, ColumnSpec, TableKind, TableSpec};

/// Why a file of `data-schema/` cannot be used. A test parses them all, so no release meets this.
#[derive(Debug, thiserror::Error)]
pub enum SchemaError {
    /// Not a Table Schema with the keys the contract uses.
    #[error("data-schema/{table}.json: {source}")]
    Unreadable {
        table: &'static str,
        source: serde_json::Error,
    },
    /// A table whose parts contradict each other.
    #[error("data-schema/{table}.json: {what}")]
    Inconsistent { table: &'static str, what: String },
}

macro_rules! files {
    ($($name:literal)+) => {
        &[$(($name, include_str!(concat!("../../../data-schema/", $name, ".json")))),+]
    };
}

/// In the order of the contract: what is ingested, what is derived, what is written beside.
const FILES: &[(&str, &str)] = files![
    "units" "sites" "oils" "reservoirs" "deployments" "maintenance" "reservoir_events"
    "unit_events" "readings" "samples" "results" "rejects" "loads"
    "runs" "run_series" "start_points" "removal_runs" "removal_coefficients" "removal_quarters"
    "removal_model" "removal_residuals" "unit_capacities" "vapour_fractions" "sensor_checks" "pump_starts" "pump_health" "pump_causes" "reservoir_risk" "lab_alarms" "findings"
    "forecasts" "analyses" "mails"
];

/// Every table of the contract, in its order.
#[must_use]
pub fn tables() -> &'static [TableSpec] {
    static TABLES: OnceLock<Vec<TableSpec>> = OnceLock::new();
    TABLES.get_or_init(|| parse_tables().unwrap_or_default())
}

/// The table of a name.
#[must_use]
pub fn table(name: &str) -> Option<&'static TableSpec> {
    tables().iter().find(|table| table.name == name)
}

/// The file of `data-schema/` that describes a table, as it stands.
#[must_use]
pub fn descriptor(name: &str) -> Option<&'static str> {
    FILES
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, text)| *text)
}

/// Parses the embedded files.
pub(crate) fn parse_tables() -> Result<Vec<TableSpec>, SchemaError> {
    FILES
        .iter()
        .map(|(name, text)| parse_table(name, text))
        .collect()
}

fn parse_table(table: &'static str, text: &str) -> Result<TableSpec, SchemaError> {
    let descriptor: Descriptor =
        serde_json::from_str(text).map_err(|source| SchemaError::Unreadable { table, source })?;
    let wrong = |what: String| SchemaError::Inconsistent { table, what };
    if descriptor.name != table {
        return Err(wrong(format!("found the name \"{}\"", descriptor.name)));
    }
    if !descriptor.profile.ends_with("/tableschema.json") {
        return Err(wrong(format!(
            "found the profile \"{}\"",
            descriptor.profile
        )));
    }
    let spec = to_spec(descriptor);
    let named = spec.key.iter().chain(&spec.sort).chain(&spec.partition);
    if let Some(missing) = named.into_iter().find(|name| spec.column(name).is_none()) {
        return Err(wrong(format!("no field \"{missing}\"")));
    }
    for (idx, column) in spec.columns.iter().enumerate() {
        if spec
            .columns
            .iter()
            .take(idx)
            .any(|earlier| earlier.name == column.name)
        {
            return Err(wrong(format!("field \"{}\" stands twice", column.name)));
        }
        if column.required != spec.is_key(&column.name) {
            return Err(wrong(format!(
                "field \"{}\": the key, and only the key, is required",
                column.name
            )));
        }
    }
    Ok(spec)
}

fn to_spec(descriptor: Descriptor) -> TableSpec {
    TableSpec {
        name: descriptor.name,
        title: descriptor.title,
        description: descriptor.description,
        kind: match descriptor.drydown.kind {
            Kind::Ingested => TableKind::Ingested,
            Kind::Derived => TableKind::Derived,
            Kind::Journal => TableKind::Journal,
        },
        key: descriptor.primary_key,
        columns: descriptor.fields.into_iter().map(to_column).collect(),
        partition: descriptor.drydown.partition,
        sort: descriptor.drydown.sort,
    }
}

fn to_column(field: Field) -> ColumnSpec {
    ColumnSpec {
        name: field.name,
        kind: match field.kind {
            FieldKind::String => ColumnKind::Text,
            FieldKind::Integer => ColumnKind::Int,
            FieldKind::Number => ColumnKind::Real,
            FieldKind::Boolean => ColumnKind::Bool,
            FieldKind::Datetime => ColumnKind::Stamp,
            FieldKind::Date => ColumnKind::Date,
        },
        ucum: field.ucum,
        any_unit: field.drydown.any_unit,
        is_gauge: field.drydown.reference == Some(Reference::Gauge),
        minimum: field.constraints.minimum,
        maximum: field.constraints.maximum,
        accepts: Bounds {
            minimum: field.drydown.accepts.minimum,
            maximum: field.drydown.accepts.maximum,
        },
        relative_bound: field.drydown.relative_bound,
        words: field.constraints.words,
        pattern: field.constraints.pattern,
        required: field.constraints.required,
        description: field.description,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_embedded_file_parses() {
        let tables = parse_tables().unwrap();
        assert_eq!(tables.len(), FILES.len());
        assert_eq!(tables.len(), super::tables().len());
    }

    #[test]
    fn every_file_of_the_folder_is_embedded() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../data-schema");
        for entry in std::fs::read_dir(folder).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            if let Some(name) = name.strip_suffix(".json") {
                assert!(table(name).is_some(), "{name}.json is not embedded");
            }
        }
    }

    /// The type that the contract's naming rule gives a name; None where the name leaves it open.
    fn kind_by_name(name: &str) -> Option<ColumnKind> {
        let stamps = [
            "at",
            "as_of",
            "observed_from",
            "observed_to",
            "first_seen",
            "last_seen",
        ];
        let states = ["heater_on", "vacuum_pump_on"];
        let counts = ["n_", "rank", "rows_", "iso4406_"];
        if name == "iso4406_note" {
            Some(ColumnKind::Text)
        } else if name.ends_with("_at") || stamps.contains(&name) {
            Some(ColumnKind::Stamp)
        } else if name == "next_sample_by" || (name.ends_with("_on") && !states.contains(&name)) {
            Some(ColumnKind::Date)
        } else if matches!(name, "line" | "alarms") || counts.iter().any(|p| name.starts_with(p)) {
            Some(ColumnKind::Int)
        } else {
            None
        }
    }

    #[test]
    fn the_name_of_a_column_says_its_type() {
        for table in tables() {
            for column in &table.columns {
                let open = [ColumnKind::Text, ColumnKind::Real, ColumnKind::Bool];
                let holds = kind_by_name(&column.name)
                    .map_or(open.contains(&column.kind), |kind| kind == column.kind);
                assert!(holds, "{}.{}: {}", table.name, column.name, column.kind);
            }
        }
    }

    /// A name that carries a unit carries the unit that the file states, and every number has one.
    #[test]
    fn the_unit_in_a_name_is_the_unit_of_the_column() {
        let suffixes = [
            ("_kpa", "kPa"),
            ("_kpa_gauge", "kPa"),
            ("_kpa_se", "kPa"),
            ("_degc", "Cel"),
            ("_lpm", "L/min"),
            ("_kw", "kW"),
            ("_m3h", "m3/h"),
            ("_ppm", "mg/kg"),
            ("_pct", "%"),
            ("_hz", "Hz"),
            ("_mm2s", "mm2/s"),
            ("_kgm3", "kg/m3"),
            ("_mgkoh_g", "mg{KOH}/g"),
            ("_kv", "kV"),
            ("_kg", "kg"),
            ("_kg_per_h", "kg/h"),
            ("_g_per_h", "g/h"),
            ("_m", "m"),
            ("_k", "K"),
            ("_l", "L"),
            ("_h", "h"),
            ("_s", "s"),
            ("_per_s", "/s"),
            ("_per_h", "/h"),
            ("_amps", "A"),
            ("_days", "d"),
            ("_ppm_days", "mg.d/kg"),
        ];
        for table in tables() {
            for column in &table.columns {
                let place = format!("{}.{}", table.name, column.name);
                let is_number = column.kind == ColumnKind::Real;
                assert_eq!(
                    is_number,
                    column.ucum.is_some() != column.any_unit && is_number,
                    "{place}"
                );
                assert!(is_number || column.ucum.is_none(), "{place}");
                let longest = suffixes
                    .iter()
                    .filter(|(suffix, _)| is_number && column.name.ends_with(suffix))
                    .max_by_key(|(suffix, _)| suffix.len());
                if let Some((_, code)) = longest {
                    assert_eq!(column.ucum.as_deref(), Some(*code), "{place}");
                }
            }
        }
    }

    #[test]
    fn every_table_carries_what_its_kind_promises() {
        for table in tables() {
            let has = |name: &str| table.column(name).is_some();
            match table.kind {
                TableKind::Ingested => assert!(has("file_hash") && has("line"), "{}", table.name),
                TableKind::Derived => assert!(has("as_of") && !has("file_hash"), "{}", table.name),
                TableKind::Journal => {}
            }
            assert!(
                !table.key.is_empty() && !table.sort.is_empty(),
                "{}",
                table.name
            );
            assert!(
                !table.description.is_empty() && !table.title.ends_with('.'),
                "{}",
                table.name
            );
            for column in &table.columns {
                let text = &column.description;
                assert!(
                    text.ends_with('.'),
                    "{}.{}: {text}",
                    table.name,
                    column.name
                );
            }
        }
    }

    /// The cell bounds of the contract's section 3, by kind of quantity.
    #[test]
    fn the_cell_bounds_are_those_of_the_contract() {
        let readings = table("readings").unwrap();
        let samples = table("samples").unwrap();
        let bounds = |table: &TableSpec, column: &str| {
            let bounds = table.column(column).unwrap().bounds();
            (bounds.minimum, bounds.maximum)
        };
        for column in readings.columns.iter().chain(&samples.columns) {
            let temperature = column.ucum.as_deref() == Some("Cel");
            let share = column.ucum.as_deref() == Some("%");
            let both = (column.bounds().minimum, column.bounds().maximum);
            assert!(
                !temperature || both == (Some(-40.0), Some(200.0)),
                "{}",
                column.name
            );
            assert!(
                !share || both == (Some(0.0), Some(100.0)),
                "{}",
                column.name
            );
        }
        assert_eq!(
            bounds(readings, "chamber_pressure_kpa"),
            (Some(0.0), Some(1.05 * 110.0))
        );
        assert_eq!(bounds(readings, "ambient_kpa"), (Some(50.0), Some(110.0)));
        assert_eq!(bounds(readings, "oil_flow_lpm"), (Some(0.0), None));
        assert_eq!(
            bounds(readings, "discharge_kpa_gauge"),
            (Some(-101.0), Some(2000.0))
        );
        assert_eq!(bounds(readings, "oil_pump_hz"), (Some(0.0), Some(100.0)));
        assert_eq!(bounds(readings, "water_ppm"), (Some(0.0), Some(200_000.0)));
        assert_eq!(bounds(readings, "water_activity"), (Some(0.0), Some(1.05)));
        assert_eq!(bounds(samples, "acid_mgkoh_g"), (Some(0.0), Some(20.0)));
        assert_eq!(
            bounds(samples, "viscosity_40c_mm2s"),
            (Some(1.0), Some(5000.0))
        );
        assert_eq!(bounds(samples, "breakdown_kv"), (Some(0.0), Some(120.0)));
        assert_eq!(bounds(samples, "iso4406_14um"), (Some(0.0), Some(29.0)));
        let activity = readings.column("water_activity").unwrap();
        assert!(activity.bounds().admit(1.04) && !activity.stored_bounds().admit(1.04));
        assert!((activity.to_stored(1.04) - 1.0).abs() < f64::EPSILON);
    }
}
