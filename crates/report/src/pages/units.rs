//! All units: what they did in the quarter, and how their pumps stand.

use drydown_runs::history::Unit;

use super::Page;
use super::parts::{in_quarter, top_page};
use crate::chart::{IntervalRow, intervals};
use crate::html::{Cell, figure, link, slug, table};
use crate::input::ReportInput;
use crate::show::{number, range};

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let rows: Vec<Vec<Cell>> = input
        .registers
        .units
        .iter()
        .map(|unit| row(input, unit))
        .collect();
    let mut body = table(
        "One row is one unit in the quarter. \"Pump level\" is its effective pumping speed over that after the last reset.",
        &[
            "unit",
            "size",
            "runs",
            "hours",
            "dried, kg",
            "pump state",
            "likely cause",
            "days to limit (10 % to 90 %)",
            "pump level",
            "last heard",
        ],
        &rows,
    );
    let level: Vec<IntervalRow> = input
        .registers
        .units
        .iter()
        .map(|unit| level_row(input, unit))
        .collect();
    body.push_str("<h2>Pump level now</h2>\n");
    body.push_str(&figure(
        &intervals(&level, "ln of effective pumping speed over the level after the last reset", -1.0, 0.4),
        "One dot is one unit's latest judged run; the line is the 90 % band expected of it before that run. A dot left of its line is slower than expected.",
    ));
    top_page(input, "units.html", "Units and pumps", &body)
}

fn row(input: &ReportInput<'_>, unit: &Unit) -> Vec<Cell> {
    let runs: Vec<_> = input
        .runs
        .iter()
        .filter(|run| run.unit_id == unit.unit_id)
        .collect();
    let quarter: Vec<_> = runs.iter().filter(|run| in_quarter(input, run)).collect();
    let hours: f64 = quarter.iter().map(|run| run.hours).sum();
    let removed: Vec<f64> = quarter
        .iter()
        .filter_map(|run| run.water_removed_kg)
        .collect();
    let health = input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id);
    let judged = input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id && row.indicator.is_some());
    vec![
        Cell::Markup(link(
            &format!("units/{}.html", slug(unit.unit_id.as_str())),
            unit.unit_id.as_str(),
        )),
        Cell::Text(unit.size_class.clone().unwrap_or_default()),
        Cell::Figure(quarter.len().to_string()),
        Cell::Figure(format!("{hours:.0}")),
        Cell::Figure(number(
            (!removed.is_empty()).then(|| removed.iter().sum()),
            1,
        )),
        Cell::Text(health.map_or_else(|| "no run yet".to_owned(), |row| row.state.to_string())),
        Cell::Text(
            health
                .and_then(|row| row.cause)
                .map_or_else(String::new, |cause| cause.as_str().replace('_', " ")),
        ),
        Cell::Figure(health.map_or_else(String::new, |row| {
            match (row.days_to_limit_p10, row.days_to_limit_p90) {
                (None, None) => row.days_to_limit_status.as_str().replace('_', " "),
                (lower, upper) => range(lower, upper, 0),
            }
        })),
        Cell::Figure(number(
            judged.and_then(|row| row.indicator).map(f64::exp),
            2,
        )),
        Cell::Text(runs.last().map_or_else(
            || "never".to_owned(),
            |run| input.display.time(run.ended_at),
        )),
    ]
}

fn level_row(input: &ReportInput<'_>, unit: &Unit) -> IntervalRow {
    let judged = input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id && row.indicator.is_some());
    IntervalRow {
        label: unit.unit_id.to_string(),
        middle: judged.and_then(|row| row.indicator),
        lower: judged.and_then(|row| row.lower_90),
        upper: judged.and_then(|row| row.upper_90),
        hollow: false,
        note: judged.map_or_else(|| "not judged yet".to_owned(), |row| row.state.to_string()),
    }
}
