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
                "{} more units may be sent and are not listed: above stand those that do it without a warning, half of them by who is free and half by who is at the reservoir's site; --format json has all",
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

/// Of few units all; of many those first that do it without a warning: half by whether they are free, half by whether
/// they are at the reservoir's site. Size classes always.
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
    let doubted = |row: &UnitSize| (row.verdict != Verdict::Meets, !row.warnings.is_empty());
    let busy = |row: &UnitSize| {
        let standing = row.standing.as_ref();
        standing.is_none_or(|standing| standing.reservoir_id.is_some())
    };
    let away = |row: &UnitSize| {
        let site = row
            .standing
            .as_ref()
            .and_then(|standing| standing.site_id.as_ref());
        home.is_none() || site != home
    };
    let mut kept: BTreeSet<usize> = BTreeSet::new();
    units.sort_by_key(|(place, row)| (doubted(row), busy(row), away(row), *place));
    kept.extend(units.iter().take(UNITS_LISTED / 2).map(|(place, _)| *place));
    units.sort_by_key(|(place, row)| (doubted(row), away(row), busy(row), *place));
    for (place, _) in &units {
        if kept.len() < UNITS_LISTED {
            kept.insert(*place);
        }
    }
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

#[cfg(test)]
mod tests {
    use drydown_planning::Standing;

    use super::*;

    fn unit(idx: usize, site: &str, works_on: Option<&str>) -> UnitSize {
        UnitSize {
            subject: format!("U-{idx:03}"),
            kind: SubjectKind::Unit,
            size_class: None,
            nameplate_flow_lpm: None,
            suitability: Suitability::Suitable,
            verdict: Verdict::Meets,
            hours_p10: None,
            hours_p50: None,
            hours_p90: None,
            elapsed_days_p50: None,
            elapsed_days_p90: None,
            p_reach: None,
            p_within: None,
            p_comes_back: None,
            settles_ppm_p10: None,
            settles_ppm_p90: None,
            dominated_by: None,
            warnings: Vec::new(),
            standing: Some(Standing {
                as_of: Stamp::from_micros(0),
                pump: None,
                steady: None,
                mended: None,
                reservoir_id: works_on.map(Into::into),
                deployed_since: None,
                site_id: Some(site.into()),
                last_heard: None,
            }),
            note: String::new(),
        }
    }

    #[test]
    fn of_a_large_fleet_the_free_and_the_near_are_listed_and_the_rest_counted() {
        let rows: Vec<UnitSize> = (0..300)
            .map(|idx| match idx {
                200..230 => unit(idx, "S-1", Some("R-1")),
                250..260 => unit(idx, "S-2", None),
                _ => unit(idx, "S-2", Some("R-2")),
            })
            .collect();
        let home = SiteId::from("S-1");
        let listed = listed(&rows, Some(&home));
        assert_eq!(listed.rows.len() + listed.n_more, 300);
        assert_eq!(listed.rows.len(), UNITS_LISTED);
        let n_of = |range: std::ops::Range<usize>| {
            let names: Vec<String> = range.map(|idx| format!("U-{idx:03}")).collect();
            let is_of = |row: &&&UnitSize| names.contains(&row.subject);
            listed.rows.iter().filter(is_of).count()
        };
        assert_eq!((n_of(200..230), n_of(250..260)), (14, 10));
    }

    #[test]
    fn of_many_units_the_first_are_named() {
        let units: Vec<String> = (0..30).map(|idx| format!("U-{idx:02}")).collect();
        let units: Vec<&str> = units.iter().map(String::as_str).collect();
        assert!(
            named(&units).ends_with("U-23 and 6 more"),
            "{}",
            named(&units)
        );
        assert_eq!(named(&["U-1", "U-2"]), "U-1, U-2");
    }
}
