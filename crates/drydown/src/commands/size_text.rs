//! The answer of `drydown size` as text for a terminal.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use drydown_planning::{Job, SizeAnswer, SubjectKind, Suitability, UnitSize, Verdict};
use drydown_quantity::{SiteId, Stamp};

use crate::output::wrap;

pub(super) fn render(job: &Job<'_>, answer: &SizeAnswer, as_of: Stamp) -> String {
    let mut out = String::new();
    let oil = job
        .oil
        .map_or("an oil not in the register", |oil| oil.oil_type.as_str());
    let place = job
        .reservoir
        .map_or(String::new(), |row| format!("{}: ", row.reservoir_id));
    let _ = writeln!(
        out,
        "{place}{:.0} L of {oil}, {:.0} ppm to {:.0} ppm{}",
        job.volume_l,
        job.start_ppm,
        job.target_ppm,
        job.within_h
            .map_or(String::new(), |hours| format!(" within {hours:.0} h"))
    );
    let _ = writeln!(
        out,
        "oil at {:.0} °C to begin with, {:.0} °C while drying; as of {as_of}",
        job.oil_degc, job.treat_degc
    );
    if job.start_ppm <= job.target_ppm {
        out.push_str(&wrap("at the target already, as far as is known: the hours are for the case that it is not; take a sample before a unit is sent", ""));
    }
    match &answer.smallest {
        Some(class) => {
            let _ = writeln!(
                out,
                "smallest size class that will do, {:.0} % sure: {class}",
                answer.confidence * 100.0
            );
        }
        None => {
            let _ = writeln!(
                out,
                "no size class of the fleet is shown to do it with {:.0} % certainty",
                answer.confidence * 100.0
            );
        }
    }
    for why in &answer.why_not {
        out.push_str(&wrap(&format!("{}: {}", why.size_class, why.reason), "  "));
    }
    out.push_str("\n             running hours          days   chance   chance of\n");
    out.push_str("             even  1 in 10..9 in 10  even   to reach the window  remarks\n");
    let home = job.reservoir.and_then(|row| row.site_id.as_ref());
    let listed = listed(&answer.rows, home);
    for row in &listed.rows {
        out.push_str(&line(row));
    }
    if listed.n_more > 0 {
        out.push_str(&wrap(
            &format!(
                "{} more units may be sent and are not listed: above stand those that do it, without a warning, at the reservoir's site and free, as far as there are such; --format json has all",
                listed.n_more
            ),
            "",
        ));
    }
    out.push_str(&barred(&answer.rows));
    for text in &answer.assumptions {
        out.push_str(&wrap(text, "assumed: "));
    }
    for text in &answer.cautions {
        out.push_str(&wrap(text, "caution: "));
    }
    out.push_str(&wrap(
        "Advice from records: local codes, the equipment maker and licensed practice come first.",
        "",
    ));
    out
}

/// Units listed in a text; more than these nobody reads.
const UNITS_LISTED: usize = 24;

/// The rows that a text lists, in the order of the answer, and how many suitable units it leaves out.
struct Listed<'a> {
    rows: Vec<&'a UnitSize>,
    n_more: usize,
}

/// Of few units all; of many those first that do it without a warning, then those at the reservoir's site, then those
/// that are free. Size classes always.
fn listed<'a>(rows: &'a [UnitSize], home: Option<&SiteId>) -> Listed<'a> {
    let suitable: Vec<&UnitSize> = rows
        .iter()
        .filter(|row| row.suitability.is_suitable())
        .collect();
    let is_unit = |row: &UnitSize| row.kind == SubjectKind::Unit;
    let mut units: Vec<(usize, &UnitSize)> = suitable
        .iter()
        .copied()
        .enumerate()
        .filter(|(_, row)| is_unit(row))
        .collect();
    let far = |row: &UnitSize| {
        let standing = row.standing.as_ref();
        (
            row.verdict != Verdict::Meets,
            !row.warnings.is_empty(),
            home.is_none() || standing.and_then(|standing| standing.site_id.as_ref()) != home,
            standing.is_none_or(|standing| standing.reservoir_id.is_some()),
        )
    };
    units.sort_by_key(|(place, row)| (far(row), *place));
    let kept: BTreeSet<usize> = units
        .iter()
        .take(UNITS_LISTED)
        .map(|(place, _)| *place)
        .collect();
    Listed {
        n_more: units.len() - kept.len(),
        rows: suitable
            .into_iter()
            .enumerate()
            .filter(|(place, row)| !is_unit(row) || kept.contains(place))
            .map(|(_, row)| row)
            .collect(),
    }
}

/// Units that must not be sent, together where the reasons are the same.
fn barred(rows: &[UnitSize]) -> String {
    let mut by_reasons: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for row in rows.iter().filter(|row| row.kind == SubjectKind::Unit) {
        if let Suitability::Barred { reasons } = &row.suitability {
            by_reasons
                .entry(reasons.join("; "))
                .or_default()
                .push(&row.subject);
        }
    }
    by_reasons
        .iter()
        .map(|(reasons, units)| {
            format!(
                "{}{}",
                wrap(&named(units), "barred: "),
                wrap(reasons, "        because ")
            )
        })
        .collect()
}

/// Units by name, of many the first and how many more.
fn named(units: &[&str]) -> String {
    let first = units.get(..UNITS_LISTED).unwrap_or(units);
    match units.len() - first.len() {
        0 => first.join(", "),
        n_more => format!("{} and {n_more} more", first.join(", ")),
    }
}

fn line(row: &UnitSize) -> String {
    let name = match row.kind {
        SubjectKind::Unit => row.subject.clone(),
        SubjectKind::Class => format!("any {}", row.subject),
    };
    let hours = |value: Option<f64>| value.map_or("–".to_owned(), |hours| format!("{hours:.0}"));
    let chance = |p: Option<f64>| p.map_or("–".to_owned(), |p| format!("{:.0} %", p * 100.0));
    let mut text = format!(
        "{name:<12} {:>4}  {:>6} .. {:<6}  {:>5}  {:>7}  {:>9}",
        hours(row.hours_p50),
        hours(row.hours_p10),
        hours(row.hours_p90),
        row.elapsed_days_p50
            .map_or("–".to_owned(), |days| format!("{days:.1}")),
        chance(row.p_reach),
        chance(row.p_within)
    );
    let verdict = match row.verdict {
        Verdict::Meets => "",
        other => other.as_str(),
    };
    let _ = writeln!(text, "  {}", verdict.replace('_', " "));
    if !row.note.is_empty() {
        text.push_str(&wrap(&row.note, "             "));
    }
    text
}
