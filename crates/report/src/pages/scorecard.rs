//! What became of past forecasts.

use drydown_findings::{FEWEST_EVENTS, Score};

use super::Page;
use super::parts::top_page;
use crate::html::{Cell, escape, table};
use crate::input::ReportInput;
use crate::show::{NONE, chance, number, range};

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::from(
        "<p>Every forecast speaks of a time in which no unit is sent. One that a treatment or a repair ended is set aside, not scored: \
         it was heeded.</p>\n",
    );
    if input.scores.is_empty() {
        body.push_str("<p>No forecast has been made yet.</p>\n");
    }
    for score in input.scores {
        body.push_str(&section(score));
    }
    body.push_str(&pumps(input));
    top_page(input, "scorecard.html", "Past forecasts", &body)
}

fn section(score: &Score) -> String {
    let verdict = if score.is_judged() {
        format!(
            "Brier score {} against {} for the base rate alone (lower is better).",
            number(score.brier, 3),
            number(score.brier_base_rate, 3)
        )
    } else {
        format!(
            "Too few outcomes to judge: {} events, {FEWEST_EVENTS} are needed. (Brier score so far {}, base rate alone {}.)",
            score.n_events,
            number(score.brier, 3),
            number(score.brier_base_rate, 3)
        )
    };
    let rows: Vec<Vec<Cell>> = score
        .bins
        .iter()
        .map(|bin| {
            vec![
                Cell::Figure(format!(
                    "{:.0} to {:.0} %",
                    bin.from * 100.0,
                    bin.to * 100.0
                )),
                Cell::Figure(bin.n.to_string()),
                Cell::Figure(chance(bin.mean_probability)),
                Cell::Figure(
                    bin.observed_share
                        .map_or_else(|| NONE.to_owned(), |share| chance(Some(share))),
                ),
            ]
        })
        .collect();
    format!(
        "<h2>{}</h2>\n<p>{} due with a known outcome, {} of them happened; {} ended by a treatment, {} not observed, {} not yet due. {verdict}</p>\n{}",
        escape(&score.kind.replace('_', " ")),
        score.n_due,
        score.n_events,
        score.n_treated,
        score.n_not_observed,
        score.n_pending,
        table(
            "One row is one band of stated chances: what was said and what happened.",
            &["said", "forecasts", "mean of what was said", "happened"],
            &rows
        )
    )
}

fn pumps(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .forecasts
        .iter()
        .filter(|row| row.kind == "pump_limit")
        .map(|row| {
            vec![
                Cell::Text(row.subject.clone()),
                Cell::Text(row.made_at.day().to_string()),
                Cell::Figure(number(row.p50, 0)),
                Cell::Figure(range(row.p10, row.p90, 0)),
                Cell::Text(match (row.outcome, row.ended_by) {
                    (Some(outcome), _) if outcome > 0.5 => {
                        row.observed_to.map_or_else(String::new, |at| {
                            format!("passed the limit by {}", at.day())
                        })
                    }
                    (_, Some(end)) => end.as_str().replace('_', " "),
                    _ => "pending".to_owned(),
                }),
            ]
        })
        .collect();
    format!(
        "<h2>Days until a pump cannot hold the limit</h2>\n{}",
        table(
            "One row is one forecast made at a month's start.",
            &[
                "unit",
                "made",
                "even odds, days",
                "1 in 10 sooner to 1 in 10 later",
                "what became of it"
            ],
            &rows
        )
    )
}
