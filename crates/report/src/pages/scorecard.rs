//! What became of past forecasts: counts first, then how far what was said came true.

use std::collections::BTreeSet;

use drydown_findings::{FEWEST_EVENTS, Forecast, ForecastEnd, Score};

use super::Page;
use super::parts::{top_page, unit_link};
use crate::html::{Cell, escape, table};
use crate::input::ReportInput;
use crate::show::{NONE, chance, counted, number, share, with_range};
use crate::words::spaced;

const PUMP_LIMIT: &str = "pump_limit";

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::from(
        "<p>Every forecast speaks of a time in which no unit is sent. One that a treatment or a repair ended has no outcome: \
         nobody knows what would have come. Those like it that were left alone count for it.</p>\n",
    );
    body.push_str(&counts(input));
    for score in input.scores {
        body.push_str(&section(score));
    }
    body.push_str(&pumps(input));
    top_page(input, "scorecard.html", "Past forecasts", &body)
}

/// What a kind of forecast asks.
fn question(kind: &str) -> String {
    match kind {
        "water_limit" => "Will the reservoir pass its water limit?".to_owned(),
        "free_water" => "Will the reservoir hold free water?".to_owned(),
        PUMP_LIMIT => "In how many days can the pump no longer hold the limit?".to_owned(),
        other => spaced(other),
    }
}

/// How many forecasts of a kind were made, and what became of them.
fn counts(input: &ReportInput<'_>) -> String {
    let mut kinds: Vec<&str> = input
        .forecasts
        .iter()
        .map(|row| row.kind.as_str())
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    let rows: Vec<Vec<Cell>> = kinds
        .into_iter()
        .map(|kind| {
            let n = |is: fn(&Forecast) -> bool| {
                let rows = input.forecasts.iter().filter(|row| row.kind == kind);
                Cell::Figure(rows.filter(|row| is(row)).count().to_string())
            };
            vec![
                Cell::Text(question(kind)),
                n(|_| true),
                n(|row| row.outcome.is_some_and(|outcome| outcome > 0.5)),
                n(|row| row.outcome.is_some_and(|outcome| outcome <= 0.5)),
                n(|row| row.outcome.is_none() && is_heeded(row)),
                n(|row| row.outcome.is_none() && row.ended_by == Some(ForecastEnd::NotObserved)),
                n(|row| row.outcome.is_none() && row.ended_by.is_none()),
            ]
        })
        .collect();
    format!(
        "<h2>Counts</h2>\n{}",
        table(
            "One row is one kind of forecast, one forecast for each subject and month's start.",
            &[
                "asked",
                "made",
                "happened",
                "did not happen",
                "ended by treatment or repair",
                "nobody looked",
                "not yet due",
            ],
            &rows
        )
    )
}

fn is_heeded(row: &Forecast) -> bool {
    matches!(
        row.ended_by,
        Some(ForecastEnd::Treatment | ForecastEnd::Repair)
    )
}

fn section(score: &Score) -> String {
    let figures = format!(
        "Brier score {} against {} for saying the overall share each time (0 is perfect, lower is better)",
        number(score.brier, 3),
        number(score.brier_base_rate, 3)
    );
    let verdict = if score.is_judged() {
        format!("{figures}.")
    } else {
        format!(
            "Too few outcomes to judge: {} events, {FEWEST_EVENTS} are needed. {figures}, so far.",
            score.n_events
        )
    };
    let rows: Vec<Vec<Cell>> = score
        .bins
        .iter()
        .map(|bin| {
            vec![
                Cell::Text(format!(
                    "{:.0} to {:.0} %",
                    bin.from * 100.0,
                    bin.to * 100.0
                )),
                Cell::Figure(bin.n.to_string()),
                Cell::Figure(
                    bin.mean_probability
                        .map_or_else(|| NONE.to_owned(), |p| chance(Some(p))),
                ),
                Cell::Figure(bin.n_events.to_string()),
                match bin.observed_share {
                    None if bin.n > 0 => Cell::Text("too few outcomes to judge".to_owned()),
                    seen => Cell::Figure(share(seen)),
                },
            ]
        })
        .collect();
    format!(
        "<h2>{}</h2>\n<p>{} with a known outcome, {} of them happened. {verdict}</p>\n{}",
        escape(&question(&score.kind)),
        score.n_due,
        score.n_events,
        table(
            "One row is one band of stated chances: what was said and what happened. The fewer forecasts in a band, the less its share says. A unit goes to what is wet, so that known outcomes by themselves say too much came: in the shares and scores each counts for those of its band that a unit, or nobody's look, ended before; a band with too few left for that is left out of both.",
            &[
                "chance said",
                "forecasts with known outcome",
                "mean of what was said",
                "happened",
                "share that happened",
            ],
            &rows
        )
    )
}

fn pumps(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .forecasts
        .iter()
        .filter(|row| row.kind == PUMP_LIMIT)
        .map(|row| {
            vec![
                Cell::Markup(unit_link(input, &row.subject, "")),
                Cell::Text(row.made_at.day().to_string()),
                Cell::Text(with_range(row.p50, row.p10, row.p90, 0)),
                Cell::Text(became(row)),
            ]
        })
        .collect();
    format!(
        "<h2>{}</h2>\n<p>{}</p>\n{}",
        escape(&question(PUMP_LIMIT)),
        escape(&pump_summary(input)),
        table(
            "One row is one forecast made at a month's start: even odds (1 in 10 sooner to 1 in 10 later).",
            &["unit", "made", "days said", "what became of it"],
            &rows
        )
    )
}

/// Of the forecasts that came to the limit, how many came within what was said.
fn pump_summary(input: &ReportInput<'_>) -> String {
    let made = || input.forecasts.iter().filter(|row| row.kind == PUMP_LIMIT);
    let passed: Vec<(&Forecast, f64)> = made()
        .filter(|row| row.outcome.is_some_and(|outcome| outcome > 0.5))
        .filter_map(|row| Some((row, row.observed_to?.days_after(row.made_at))))
        .collect();
    if passed.is_empty() {
        return format!(
            "{}, none of which came to the limit yet: nothing to judge.",
            counted(made().count(), "forecast", "forecasts")
        );
    }
    let early = passed
        .iter()
        .filter(|(row, days)| row.p10.is_some_and(|p10| *days < p10))
        .count();
    let late = passed
        .iter()
        .filter(|(row, days)| row.p90.is_some_and(|p90| *days > p90))
        .count();
    let subjects: BTreeSet<&str> = passed.iter().map(|(row, _)| row.subject.as_str()).collect();
    format!(
        "{} of {} came to the limit: {early} of them before the early end of what was said (1 in 10 should), {} within it, \
         {late} after its late end (1 in 10 should). Pumps that were repaired, or are not there yet, are not counted, which leaves the quick ones.",
        counted(passed.len(), "forecast", "forecasts"),
        counted(subjects.len(), "pump", "pumps"),
        passed.len() - early - late,
    )
}

fn became(row: &Forecast) -> String {
    let on = row
        .observed_to
        .map_or_else(String::new, |at| format!(" ({})", at.day()));
    match (row.outcome, row.ended_by) {
        (Some(outcome), _) if outcome > 0.5 => row.observed_to.map_or_else(
            || "passed the limit".to_owned(),
            |at| {
                let days = at.days_after(row.made_at);
                format!("passed the limit after {days:.0} days ({})", at.day())
            },
        ),
        (Some(_), _) => format!("did not pass the limit{on}"),
        (None, Some(ForecastEnd::Repair)) => format!("ended by a repair{on}"),
        (None, Some(ForecastEnd::Treatment)) => format!("ended by a treatment{on}"),
        (None, Some(ForecastEnd::NotObserved)) => "nobody looked".to_owned(),
        (None, Some(ForecastEnd::Due) | None) => match row.observed_to {
            Some(at) => format!("not yet due; not passed by {}", at.day()),
            None => "not yet due".to_owned(),
        },
    }
}
