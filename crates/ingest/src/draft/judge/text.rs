//! Whether a file column can be a column of text: a name, an alarm, a zone.

use std::collections::BTreeMap;

use super::{Asked, Verdict};
use crate::draft::facts::Facts;
use crate::draft::head::unit_of;
use crate::source::ColumnMap;

/// What controllers write where there is no alarm; common practice, no source.
fn is_no_alarm(word: &str) -> bool {
    matches!(
        word.to_lowercase().as_str(),
        "0" | "ok"
            | "no"
            | "none"
            | "normal"
            | "no alarm"
            | "-"
            | "--"
            | "kein"
            | "keine"
            | "aus"
            | "off"
            | "nein"
            | "false"
            | "falsch"
            | "faux"
            | "falso"
            | "vals"
            | "falsk"
            | "onwaar"
            | "keiner"
            | "keine störung"
            | "kein alarm"
            | "ohne"
            | "gut"
            | "aucun"
            | "aucune"
            | "ninguno"
            | "ninguna"
            | "nenhum"
            | "nessuno"
            | "geen"
            | "ingen"
            | "inactive"
            | "cleared"
            | "good"
    )
}

/// Judges a column of text.
pub(super) fn judge(asked: &Asked<'_>, name: &str) -> Result<Verdict, String> {
    let facts = asked.facts;
    let plain = Verdict::plain(ColumnMap::default());
    if facts.n_filled == 0 {
        return Ok(plain);
    }
    let is_stamp = facts.stamp.as_ref().is_some_and(|stamp| {
        !stamp.is_number && stamp.format.starts_with('%') && !facts.is_numeric()
    });
    if is_stamp
        || facts
            .stamp
            .as_ref()
            .is_some_and(|stamp| stamp.format.starts_with("epoch"))
    {
        return Err("its values are times".to_owned());
    }
    let is_id = matches!(
        name,
        "unit_id"
            | "reservoir_id"
            | "site_id"
            | "home_site_id"
            | "oil_type"
            | "sample_id"
            | "analyte"
            | "lab"
    );
    if is_id && facts.is_numeric() && !facts.is_whole() {
        return Err("its values are numbers with decimals, not names".to_owned());
    }
    let is_log = matches!(asked.table, "readings" | "unit_events");
    let n_distinct = facts.distinct.len();
    if is_log && matches!(name, "unit_id" | "reservoir_id") {
        if facts.is_rising() && n_distinct * 2 > facts.n_filled {
            return Err("its values rise from row to row".to_owned());
        }
        if facts.n_filled > 50 && n_distinct * 2 > facts.n_filled {
            return Err("its values hardly ever repeat".to_owned());
        }
    }
    let n_units = facts
        .distinct
        .keys()
        .filter(|value| !value.is_empty() && unit_of(value).is_some())
        .count();
    let are_units = n_units > 0 && n_units * 2 >= n_distinct && !facts.is_numeric();
    match name {
        "unit_id" | "reservoir_id" if are_units => {
            return Err("its values are units of measure".to_owned());
        }
        "unit" if !are_units => return Err("its values are no units of measure".to_owned()),
        "analyte" if facts.is_numeric() => return Err("its values are numbers".to_owned()),
        "timezone"
            if !facts
                .distinct
                .keys()
                .any(|zone| zone.contains('/') || zone == "UTC") =>
        {
            return Err("its values are no time zones".to_owned());
        }
        _ => {}
    }
    let mut verdict = plain;
    if name == "alarm" {
        name_no_alarm(facts, &mut verdict);
    }
    if is_id && facts.is_constant() {
        verdict.why.push("one text in every row".to_owned());
    } else if is_id {
        verdict.why.push(format!(
            "{n_distinct} different values in {} rows",
            facts.n_filled
        ));
    }
    if name == "unit" {
        verdict.score += 1.0;
        verdict
            .why
            .push("its values are units of measure".to_owned());
    }
    Ok(verdict)
}

/// Leaves empty what stands for no alarm.
fn name_no_alarm(facts: &Facts, verdict: &mut Verdict) {
    let none: BTreeMap<String, String> = facts
        .distinct
        .keys()
        .filter(|word| is_no_alarm(word))
        .map(|word| (word.clone(), String::new()))
        .collect();
    if !none.is_empty() {
        verdict
            .why
            .push("what stands for no alarm is left empty".to_owned());
        verdict.map.map = Some(none);
    }
}
