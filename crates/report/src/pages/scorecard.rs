//! What became of past forecasts: counts first, then how far what was said came true.

use drydown_findings::{FEWEST_EVENTS, Forecast, ForecastEnd, PARTS, PumpScore, Score};
use drydown_quantity::Stamp;

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
        "<h2>{}</h2>\n{}{}",
        escape(&question(PUMP_LIMIT)),
        pump_parts(input.pump_score),
        table(
            "One row is one forecast made at a month's start, in days from it: even odds (1 in 10 sooner to 1 in 10 later). None is made of a pump that stands past its limit already, or was worked on since its last run.",
            &["unit", "made", "days said", "what became of it"],
            &rows
        )
    )
}

/// What the parts of a forecast of days are called, in order.
const PART_NAMES: [&str; 4] = [
    "before the early end",
    "from the early end to even odds",
    "from even odds to the late end",
    "after the late end",
];

/// How the days that were said compare with what gauges showed.
fn pump_parts(score: &PumpScore) -> String {
    let told = format!(
        "{} of {} came to the limit, as the pumps' own gauges showed: two runs in a row above it with the vent shut, or one before a repair.",
        counted(score.n_passed, "forecast", "forecasts"),
        counted(score.n_pumps_passed, "pump", "pumps"),
    );
    let rows: Vec<Vec<Cell>> = PART_NAMES
        .iter()
        .enumerate()
        .map(|(idx, name)| {
            let part = |of: Option<[f64; 4]>| of.and_then(|of| of.get(idx).copied());
            vec![
                Cell::Text((*name).to_owned()),
                Cell::Figure(share(part(Some(PARTS)))),
                Cell::Figure(
                    score
                        .n_known
                        .get(idx)
                        .map_or_else(|| NONE.to_owned(), usize::to_string),
                ),
                score.shares.map_or_else(
                    || Cell::Text("too few outcomes to judge".to_owned()),
                    |shares| Cell::Figure(share(part(Some(shares)))),
                ),
            ]
        })
        .collect();
    format!(
        "<p>{}</p>\n{}",
        escape(&told),
        table(
            &format!(
                "One row is one part of what was said. A unit is not looked at between its runs, so that {} of {} may belong to several parts: passed between two looks, repaired first, or not there yet. The shares are the likeliest with those counted in (Turnbull 1976). Forecasts of one pump go together: few pumps say little, however many forecasts.",
                score.n_open, score.n
            ),
            &[
                "it passed",
                "share that should",
                "known cases",
                "likeliest share"
            ],
            &rows
        )
    )
}

fn became(row: &Forecast) -> String {
    let on = row
        .observed_to
        .map_or_else(String::new, |at| format!(" ({})", at.day()));
    match (row.outcome, row.ended_by) {
        (Some(outcome), _) if outcome > 0.5 => passed(row),
        (Some(_), _) => format!("did not pass the limit{on}"),
        (None, Some(ForecastEnd::Repair)) => format!("ended by a repair{on}"),
        (None, Some(ForecastEnd::Treatment)) => format!("ended by a treatment{on}"),
        (None, Some(ForecastEnd::NotObserved)) => "nobody looked".to_owned(),
        (None, Some(ForecastEnd::Due) | None) => {
            match row.observed_from.filter(|at| *at >= row.made_at) {
                Some(at) => format!("not yet due; not passed by {}", at.day()),
                None => "not yet due; not looked at since".to_owned(),
            }
        }
    }
}

/// Between which two looks a pump passed its limit.
fn passed(row: &Forecast) -> String {
    let days = |at: Stamp| at.days_after(row.made_at).max(0.0);
    match (row.observed_from, row.observed_to) {
        (Some(from), Some(to)) => format!(
            "passed the limit between {} and {}, {:.0} to {:.0} days after",
            from.day(),
            to.day(),
            days(from),
            days(to)
        ),
        (None, Some(to)) => format!("passed the limit by {}", to.day()),
        (_, None) => "passed the limit".to_owned(),
    }
}
