//! Which file column fills which column of a table: the best pairs first, each column once.

use drydown_quantity::{Dimension, PressureReference};
use drydown_schema::{ColumnKind, TableSpec, tables};

use super::judge::{Asked, Fit, Sure, judge};
use super::rules::rules_of;
use super::stamps::{find_pair, tell_moments};
use super::{Column, Context};
use crate::source::{ColumnMap, OneOrMany};

/// Pairs below it are not placed.
const LEAST: f64 = 3.0;
/// Words weaker than it are not judged.
const LEAST_STRENGTH: f64 = 2.0;
/// What a stamp or a constant is worth whose header says nothing.
const BY_VALUE: f64 = 3.0;

/// A pair that was placed.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub(super) fit: Fit,
    /// Places of the file columns it takes.
    pub(super) uses: Vec<usize>,
}

/// A pair that was not.
#[derive(Clone, Debug)]
pub(super) struct Refused {
    pub(super) file_column: usize,
    pub(super) column: String,
    pub(super) strength: f64,
    pub(super) why: String,
}

/// A table and what of the file fits it.
#[derive(Clone, Debug)]
pub(super) struct Assignment {
    pub(super) table: &'static TableSpec,
    pub(super) placed: Vec<Placed>,
    pub(super) refused: Vec<Refused>,
    pub(super) score: f64,
}

impl Assignment {
    pub(super) fn find(&self, column: &str) -> Option<&Placed> {
        self.placed
            .iter()
            .find(|placed| placed.fit.column == column)
    }

    /// Columns of the key that nothing fills.
    pub(super) fn missing_keys(&self) -> Vec<&'static str> {
        let key = self.table.key.iter().map(String::as_str);
        key.filter(|name| self.find(name).is_none()).collect()
    }
}

/// The ingested table that the columns fit best.
pub(super) fn best_table(columns: &[Column], context: &Context) -> Option<Assignment> {
    tables()
        .iter()
        .filter(|table| table.is_source())
        .map(|table| assign(table, columns, context))
        .max_by(|a, b| a.score.total_cmp(&b.score))
}

/// Places the columns in one table.
pub(super) fn assign(
    table: &'static TableSpec,
    columns: &[Column],
    context: &Context,
) -> Assignment {
    let mut refused = Vec::new();
    let mut candidates = pairs(table, columns, context);
    candidates.extend(singles(table, columns, context, &mut refused));
    candidates.extend(by_value(table, columns, context));
    candidates.extend(by_unit(table, columns, context));
    // The order of equal ones is that of the file.
    candidates.sort_by(|a, b| b.fit.score.total_cmp(&a.fit.score));
    let mut placed: Vec<Placed> = Vec::new();
    for candidate in candidates {
        let taken = placed
            .iter()
            .find(|other| other.fit.column == candidate.fit.column);
        let is_used = placed
            .iter()
            .any(|other| other.uses.iter().any(|idx| candidate.uses.contains(idx)));
        match taken {
            _ if is_used => {}
            Some(other) => refused.extend(candidate.uses.iter().map(|idx| Refused {
                file_column: *idx,
                column: candidate.fit.column.clone(),
                strength: candidate.fit.score,
                why: format!("{} fits it better", named(&other.uses, columns)),
            })),
            None => placed.push(candidate),
        }
    }
    let order = |name: &str| {
        let in_key = table.key.iter().position(|key| key == name);
        let in_table = table
            .columns
            .iter()
            .position(|column| column.name.starts_with(name));
        (in_key.unwrap_or(usize::MAX), in_table.unwrap_or(usize::MAX))
    };
    placed.sort_by_key(|placed| order(&placed.fit.column));
    let mut assignment = Assignment {
        table,
        placed,
        refused,
        score: 0.0,
    };
    assignment.score = score(&assignment, columns);
    assignment
}

fn named(uses: &[usize], columns: &[Column]) -> String {
    let names: Vec<String> = uses
        .iter()
        .filter_map(|idx| columns.get(*idx))
        .map(|column| format!("\"{}\"", column.head.text))
        .collect();
    names.join(" and ")
}

fn singles(
    table: &'static TableSpec,
    columns: &[Column],
    context: &Context,
    refused: &mut Vec<Refused>,
) -> Vec<Placed> {
    let mut out = Vec::new();
    for (idx, column) in columns
        .iter()
        .enumerate()
        .filter(|(_, column)| !column.is_nameless)
    {
        let asked = Asked::of(table, column, context);
        for (name, rules) in rules_of(&table.name) {
            let spec = table.column(if *name == "iso4406" {
                "iso4406_4um"
            } else {
                name
            });
            let (Some(spec), Some((strength, words))) = (spec, column.head.strength(rules)) else {
                continue;
            };
            if strength < LEAST_STRENGTH {
                continue;
            }
            let judged = match conflict(name, &column.head.meanings, words) {
                Some(why) => Err(why),
                None => judge(&asked, name, spec, (strength, words)),
            };
            match judged {
                Ok(fit) if fit.score >= LEAST => out.push(Placed {
                    fit,
                    uses: vec![idx],
                }),
                Ok(_) => {}
                Err(why) => refused.push(Refused {
                    file_column: idx,
                    column: (*name).to_owned(),
                    strength,
                    why,
                }),
            }
        }
    }
    out
}

/// A quantity that the header names and the column is not of.
fn conflict(column: &str, meanings: &[&str], words: &[&str]) -> Option<String> {
    const QUANTITIES: &[(&str, &[&str])] = &[
        ("temp", &["_degc"]),
        ("pressure", &["_kpa", "_gauge"]),
        ("flow", &["_lpm", "_total_l"]),
        ("level", &["level_pct"]),
        ("current", &["_amps"]),
        ("power", &["_kw"]),
        ("frequency", &["_hz"]),
        ("hours", &["hours_h", "hours_meter"]),
        ("setpoint", &["setpoint_degc"]),
        ("delta", &["_dp_kpa"]),
        ("alarm", &["alarm", "text", "code"]),
        ("total", &["_total_l"]),
        ("limit", &["limit", "max_"]),
        ("volume", &["volume_l", "volume_basis", "_total_l"]),
        ("baro", &["ambient_kpa"]),
        ("chamber", &["chamber"]),
        ("time", &["at"]),
        ("100", &["_100c"]),
        ("kv100", &["_100c"]),
    ];
    QUANTITIES.iter().find_map(|(quantity, ends)| {
        let is_other = meanings.contains(quantity)
            && !words.contains(quantity)
            && !ends.iter().any(|end| column.contains(end));
        is_other.then(|| format!("its header speaks of {quantity}"))
    })
}

/// Stamps that stand in two columns, the date and the time of the day.
fn pairs(table: &'static TableSpec, columns: &[Column], context: &Context) -> Vec<Placed> {
    let mut out = Vec::new();
    for (date_idx, date) in columns
        .iter()
        .enumerate()
        .filter(|(_, column)| !column.is_nameless)
    {
        if !date
            .facts
            .stamp
            .as_ref()
            .is_some_and(|found| found.is_date_only)
        {
            continue;
        }
        for (time_idx, time) in columns
            .iter()
            .enumerate()
            .filter(|(_, column)| !column.is_nameless)
        {
            if date_idx.abs_diff(time_idx) > 2 || date_idx == time_idx {
                continue;
            }
            let Some(found) = find_pair(&date.facts, &time.facts, context) else {
                continue;
            };
            for (name, rules) in rules_of(&table.name) {
                if table
                    .column(name)
                    .is_none_or(|spec| spec.kind != ColumnKind::Stamp)
                {
                    continue;
                }
                let strength = [&date.head, &time.head]
                    .iter()
                    .filter_map(|head| head.strength(rules))
                    .map(|(strength, _)| strength)
                    .fold(if table.is_key(name) { BY_VALUE } else { 0.0 }, f64::max);
                if strength < LEAST {
                    continue;
                }
                let near = if date_idx.abs_diff(time_idx) == 1 {
                    2.5
                } else {
                    1.5
                };
                let mut why = vec![
                    "date and time of the day stand in two columns".to_owned(),
                    format!("joined they fit {}", found.format),
                ];
                why.extend(found.open.clone());
                out.push(Placed {
                    fit: Fit {
                        column: (*name).to_owned(),
                        score: strength + near,
                        sure: if found.open.is_none() {
                            Sure::Certain
                        } else {
                            Sure::Likely
                        },
                        why,
                        map: ColumnMap {
                            from: Some(OneOrMany::Many(vec![
                                date.head.text.clone(),
                                time.head.text.clone(),
                            ])),
                            format: Some(found.format.clone()),
                            ..ColumnMap::default()
                        },
                    },
                    uses: vec![date_idx, time_idx],
                });
            }
        }
    }
    out
}

/// The stamp and the unit of a log whose headers do not name them.
fn by_value(table: &'static TableSpec, columns: &[Column], context: &Context) -> Vec<Placed> {
    let mut out = Vec::new();
    for (idx, column) in columns
        .iter()
        .enumerate()
        .filter(|(_, column)| !column.is_nameless)
    {
        let asked = Asked::of(table, column, context);
        let facts = &column.facts;
        let names = ["at", "taken_at", "unit_id"];
        out.extend(codes_of_particles(table, &asked, idx));
        for name in names
            .iter()
            .filter(|name| table.source_columns().any(|spec| spec.name == **name))
        {
            let fits = if *name == "unit_id" {
                matches!(table.name.as_str(), "readings" | "unit_events")
                    && facts.is_constant()
                    && !facts.is_numeric()
                    && !facts.is_yes_no()
                    && facts.stamp.is_none()
                    && column.head.meanings.is_empty()
            } else {
                facts.stamp.as_ref().is_some_and(|found| !found.is_number)
            };
            let judged = match table.column(name) {
                Some(spec) if fits => judge(&asked, name, spec, (BY_VALUE, &[])),
                _ => continue,
            };
            if let Ok(mut fit) = judged {
                fit.sure = Sure::Guess;
                fit.why
                    .insert(0, "by its values, its header does not say it".to_owned());
                // A stamp without a word for it comes after all that have one.
                fit.score = fit.score.min(BY_VALUE + 0.5);
                out.push(Placed {
                    fit,
                    uses: vec![idx],
                });
            }
        }
    }
    out
}

/// A cleanliness code whose header does not say so, whole or one of its three numbers.
fn codes_of_particles(table: &'static TableSpec, asked: &Asked<'_>, idx: usize) -> Option<Placed> {
    let (column, why) = match super::words::size_of_particles(&asked.head.text) {
        Some(4) => ("iso4406_4um", "its header names the size of particles"),
        Some(6) => ("iso4406_6um", "its header names the size of particles"),
        Some(14) => ("iso4406_14um", "its header names the size of particles"),
        _ => ("iso4406", "by its values, its header does not say it"),
    };
    let spec = table.column(if column == "iso4406" {
        "iso4406_4um"
    } else {
        column
    })?;
    // Three numbers between strokes are nothing else; a number needs its header.
    if asked.facts.n_filled == 0 || (column == "iso4406" && !asked.facts.has_strokes()) {
        return None;
    }
    let mut fit = judge(asked, column, spec, (BY_VALUE, &[])).ok()?;
    fit.why.insert(0, why.to_owned());
    Some(Placed {
        fit,
        uses: vec![idx],
    })
}

/// What a unit measures that only one column of a run log is of, where the header says nothing else.
fn by_unit(table: &'static TableSpec, columns: &[Column], context: &Context) -> Vec<Placed> {
    if table.name != "readings" {
        return Vec::new();
    }
    let mut out = Vec::new();
    for (idx, column) in columns.iter().enumerate() {
        let said_nothing = !column.is_nameless && column.head.says_nothing();
        let Some(found) = column
            .head
            .units
            .iter()
            .find(|found| found.is_firm && said_nothing)
        else {
            continue;
        };
        let is_referenced = column
            .head
            .reference
            .is_some_and(|reference| reference != PressureReference::Gauge);
        let name = match found.unit.dimension() {
            Dimension::VolumeFlow => "oil_flow_lpm",
            Dimension::MassFraction => "water_ppm",
            Dimension::Saturation => "water_activity",
            Dimension::Frequency => "oil_pump_hz",
            Dimension::Current => "vacuum_pump_amps",
            Dimension::Power => "heater_kw",
            Dimension::Pressure if is_referenced => "chamber_pressure_kpa",
            _ => continue,
        };
        let asked = Asked::of(table, column, context);
        if let Some(Ok(mut fit)) = table
            .column(name)
            .map(|spec| judge(&asked, name, spec, (BY_VALUE, &[])))
        {
            fit.sure = Sure::Guess;
            fit.why.insert(
                0,
                "by its unit alone, its header does not say it".to_owned(),
            );
            fit.score = fit.score.min(BY_VALUE + 0.4);
            out.push(Placed {
                fit,
                uses: vec![idx],
            });
        }
    }
    out
}

/// How well the table fits: what is placed, less what its rows cannot do without.
fn score(assignment: &Assignment, columns: &[Column]) -> f64 {
    let table = assignment.table.name.as_str();
    let mut score: f64 = assignment
        .placed
        .iter()
        .map(|placed| placed.fit.score)
        .sum();
    for key in assignment.missing_keys() {
        score -= match (table, key) {
            (_, "lab") => 0.0,
            ("readings" | "unit_events", "unit_id") => 3.0,
            (_, "at" | "from_at") => 15.0,
            _ => 9.0,
        };
    }
    // What makes a row of the table more than a name and a time.
    let substance: &[&str] = match table {
        "readings" => &[
            "kpa", "degc", "lpm", "water", "_pct", "_hz", "_kw", "_on", "amps", "running", "alarm",
            "_h", "total",
        ],
        "samples" => &["water_ppm", "iso4406", "viscosity", "acid", "breakdown"],
        "units" => &["flow", "heater", "vacuum_pump", "chamber", "class"],
        "sites" => &["name", "altitude", "timezone"],
        "oils" => &["family", "vg", "viscosity", "density", "flash"],
        "reservoirs" => &["volume", "service", "limit", "oil_type", "site"],
        "results" => &["value"],
        "deployments" => &["reservoir_id"],
        "maintenance" | "reservoir_events" => &["action"],
        "unit_events" => &["code", "text"],
        _ => &[],
    };
    let has = |part: &&str| {
        assignment
            .placed
            .iter()
            .any(|placed| placed.fit.column.contains(*part))
    };
    if !substance.is_empty() && !substance.iter().any(has) {
        score -= 12.0;
    }
    let is_repeated = repeats_key(assignment, columns);
    if is_repeated {
        score -= 10.0;
    }
    // A row per moment is no register, though its stamps may be in no format that is known.
    let is_register = matches!(table, "units" | "sites" | "oils" | "reservoirs");
    if is_register
        && (is_repeated || !assignment.missing_keys().is_empty())
        && tell_moments(columns)
    {
        score -= 12.0;
    }
    score
}

/// Whether rows share a key that should tell them apart.
fn repeats_key(assignment: &Assignment, columns: &[Column]) -> bool {
    let table = assignment.table.name.as_str();
    if !matches!(table, "units" | "sites" | "oils" | "reservoirs" | "samples") {
        return false;
    }
    let id = if table == "samples" {
        "sample_id"
    } else {
        assignment.table.key.first().map_or("", String::as_str)
    };
    let Some(idx) = assignment.find(id).and_then(|placed| placed.uses.first()) else {
        return false;
    };
    let Some(facts) = columns.get(*idx).map(|column| &column.facts) else {
        return false;
    };
    // Re-issued reports and corrected lines may repeat some.
    facts.n_filled >= 2 && facts.distinct.len() * 10 < facts.n_filled.min(600) * 8
}
