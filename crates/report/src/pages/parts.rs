//! What several pages show the same way.

use drydown_findings::{Finding, FindingState, Severity};
use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::html::{Cell, Frame, escape, link, page, slug, table};
use crate::input::ReportInput;
use crate::pages::Page;

/// A page at the top of the report.
pub(super) fn top_page(input: &ReportInput<'_>, file: &str, title: &str, body: &str) -> Page {
    let frame = Frame {
        title: &format!("{title}, {}", input.quarter),
        standing: &standing(input),
        up: "",
    };
    Page {
        path: file.to_owned(),
        text: page(&frame, body),
    }
}

/// The line below every title: silence is not health.
pub(super) fn standing(input: &ReportInput<'_>) -> String {
    format!(
        "Quarter {} (UTC), analysed as of {} UTC. Heard from {} of {} units in the quarter.",
        input.quarter,
        input.as_of.minute(),
        input.heard.heard,
        input.heard.of
    )
}

/// Whether a run belongs to the quarter: it ended in it.
pub(super) fn in_quarter(input: &ReportInput<'_>, run: &Run) -> bool {
    run.ended_at >= input.quarter.start() && run.ended_at < input.quarter.end()
}

/// Days since the start of the history, for charts.
pub(super) fn chart_day(at: Stamp) -> f64 {
    at.days_after(Stamp::from_micros(0))
}

/// Labels of the quarters' starts between two times, for the axis of a chart.
pub(super) fn quarter_labels(from: Stamp, to: Stamp) -> Vec<(f64, String)> {
    let mut labels = Vec::new();
    let mut quarter = from.quarter();
    while quarter.start() <= to {
        if quarter.start() >= from {
            labels.push((
                chart_day(quarter.start()),
                quarter.start().day().to_string(),
            ));
        }
        quarter = quarter.next();
    }
    labels
}

/// The page of a subject, where there is one.
pub(super) fn subject_link(input: &ReportInput<'_>, subject: &str, up: &str) -> String {
    let unit = input
        .registers
        .units
        .iter()
        .any(|unit| unit.unit_id.as_str() == subject);
    let reservoir = input
        .registers
        .reservoirs
        .iter()
        .any(|row| row.reservoir_id.as_str() == subject);
    if unit {
        link(&format!("{up}units/{}.html", slug(subject)), subject)
    } else if reservoir
        && input
            .risks
            .iter()
            .any(|risk| risk.reservoir_id.as_str() == subject)
    {
        link(&format!("{up}reservoirs.html#{}", slug(subject)), subject)
    } else {
        escape(subject)
    }
}

/// Findings as a table.
pub(super) fn findings_table(
    input: &ReportInput<'_>,
    rows: &[&Finding],
    caption: &str,
    up: &str,
) -> String {
    let cells: Vec<Vec<Cell>> = rows
        .iter()
        .map(|row| {
            let class = match row.severity {
                Severity::Act => "act",
                Severity::Watch => "watch",
                Severity::Info => "info",
            };
            let onset = row
                .onset_at
                .map_or_else(String::new, |at| format!("; began about {}", at.day()));
            let seen = match row.state {
                FindingState::Cleared => format!("cleared after {}", row.last_seen.day()),
                state => format!("{state}, first seen {}", row.first_seen.day()),
            };
            vec![
                Cell::Markup(format!("<span class=\"{class}\">{}</span>", row.severity)),
                Cell::Markup(subject_link(input, &row.subject, up)),
                Cell::Text(row.rule.replace('_', " ")),
                Cell::Text(format!("{seen}{onset}")),
                Cell::Text(row.evidence.clone()),
                Cell::Text(row.action.clone()),
            ]
        })
        .collect();
    table(
        caption,
        &["", "subject", "finding", "when", "evidence", "what to do"],
        &cells,
    )
}
