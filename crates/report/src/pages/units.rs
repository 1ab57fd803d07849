//! All units: what they did in the quarter, and how their pumps stand.

use drydown_pumps::PumpHealth;
use drydown_runs::history::{Maintenance, MaintenanceAction, Unit};

use super::Page;
use super::parts::{cause, days_caption, days_to_limit, fleet, in_quarter, top_page, unit_link};
use crate::chart::{Axis, IntervalRow, Scale, intervals};
use crate::html::{Cell, escape, figure, table};
use crate::input::ReportInput;
use crate::pump_chart::LEVEL;
use crate::show::{NONE, counted, number};
use crate::words::{maintenance, pump_state};

/// Units in the chart; the table has them all.
const CHART_ROWS: usize = 60;

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let units = fleet(input);
    let rows: Vec<Vec<Cell>> = units.iter().map(|unit| row(input, unit)).collect();
    let mut body = table(
        &format!(
            "One row is one unit in the quarter; times are those of {}. \"Dried\" is the sum over runs whose water balance could be drawn up, without an interval. {}",
            input.display.zone_name(),
            days_caption(input)
        ),
        &[
            "unit",
            "size",
            "runs",
            "hours",
            "dried, kg",
            "pump state",
            "likely cause (its chance)",
            "days to the limit",
            "last heard",
        ],
        &rows,
    );
    body.push_str("<h2>Pump level at the latest start that could be judged</h2>\n");
    body.push_str(&levels(input, &units));
    top_page(input, "units.html", "Units and pumps", &body)
}

fn row(input: &ReportInput<'_>, unit: &Unit) -> Vec<Cell> {
    let mine = || input.runs.iter().filter(|run| run.unit_id == unit.unit_id);
    let quarter: Vec<_> = mine().filter(|run| in_quarter(input, run)).collect();
    let hours: f64 = quarter.iter().map(|run| run.hours).sum();
    let removed: Vec<f64> = quarter
        .iter()
        .filter_map(|run| run.water_removed_kg)
        .collect();
    let health = input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id);
    let id = unit.unit_id.as_str();
    let is_known = input.registers.unit(&unit.unit_id).is_some();
    let stranger = if is_known {
        String::new()
    } else {
        escape(" (not in the register)")
    };
    vec![
        Cell::Markup(format!("{}{stranger}", unit_link(input, id, ""))),
        Cell::Text(unit.size_class.clone().unwrap_or_else(|| NONE.to_owned())),
        Cell::Figure(quarter.len().to_string()),
        Cell::Figure(format!("{hours:.0}")),
        Cell::Figure(number(
            (!removed.is_empty()).then(|| removed.iter().sum()),
            1,
        )),
        Cell::Text(
            health
                .map_or("no run yet", |row| pump_state(row.state))
                .to_owned(),
        ),
        Cell::Text(health.map_or_else(String::new, cause)),
        health.map_or_else(
            || Cell::Text(NONE.to_owned()),
            |row| days_to_limit(input, row),
        ),
        Cell::Text(mine().next_back().map_or_else(
            || "never".to_owned(),
            |run| input.display.time(run.ended_at),
        )),
    ]
}

/// The latest judged run of a unit.
fn judged<'a>(input: &'a ReportInput<'_>, unit: &Unit) -> Option<&'a PumpHealth> {
    input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id && row.indicator.is_some())
}

fn levels(input: &ReportInput<'_>, units: &[Unit]) -> String {
    let mut rows: Vec<IntervalRow> = units.iter().map(|unit| level_row(input, unit)).collect();
    let n_all = rows.len();
    let more = if n_all > CHART_ROWS {
        // How far below its band a dot lies; without a dot there is nothing to see.
        let above = |row: &IntervalRow| match (row.middle, row.lower) {
            (Some(middle), Some(lower)) => middle - lower,
            _ => f64::INFINITY,
        };
        rows.sort_by(|a, b| above(a).total_cmp(&above(b)));
        rows.truncate(CHART_ROWS);
        format!(" The {CHART_ROWS} lowest against their bands are drawn, of {n_all}.")
    } else {
        String::new()
    };
    // The axis holds every mark, and at least 60 to 120 %.
    let (from, to) = rows
        .iter()
        .flat_map(|row| [row.middle, row.lower, row.upper])
        .flatten()
        .filter(|value| value.is_finite())
        .fold((0.6f64.ln(), 1.2f64.ln()), |(low, high), value| {
            (low.min(value), high.max(value))
        });
    let summary = format!(
        "Pump level of {} at the latest judged run, with the band expected of it",
        counted(rows.len(), "unit", "units")
    );
    let axis = Axis {
        title: LEVEL,
        summary: &summary,
        scale: Scale::LogPercent,
        from: from - 0.02,
        to: to + 0.02,
    };
    figure(
        &intervals(&rows, &axis),
        &format!(
            "One dot is the latest run of a unit whose start could be judged, hollow where later runs had no such start; the line is the 90 % band that was expected of it before that run. A dot left of its line is slower than expected; 100 % is the pump's own level after its last reset (work that renews it). At the right the pump's state: that of the table above, which rests on base and steady pressure too, and the day of the dot. Where the pump was renewed since, there is no dot.{more}"
        ),
    )
}

fn level_row(input: &ReportInput<'_>, unit: &Unit) -> IntervalRow {
    let latest = input
        .pump_health
        .iter()
        .rfind(|row| row.unit_id == unit.unit_id);
    let seen = judged(input, unit);
    let renewed = seen.and_then(|row| renewed_since(input, row));
    let drawn = seen.filter(|_| renewed.is_none());
    let state = latest.map_or("no run yet", |row| pump_state(row.state));
    let note = match (renewed, drawn) {
        (Some(work), _) => format!("{state}; {} {}", maintenance(work.action), work.at.day()),
        (None, Some(row)) => format!("{state}; level of {}", row.at.day()),
        (None, None) => state.to_owned(),
    };
    IntervalRow {
        label: unit.unit_id.to_string(),
        middle: drawn.and_then(|row| row.indicator),
        lower: drawn.and_then(|row| row.lower_90),
        upper: drawn.and_then(|row| row.upper_90),
        hollow: drawn.is_some_and(|row| latest.is_some_and(|last| last.run_id != row.run_id)),
        note,
    }
}

/// The work that renewed a pump after a run: its level then says nothing of the pump now.
fn renewed_since<'a>(input: &'a ReportInput<'_>, row: &PumpHealth) -> Option<&'a Maintenance> {
    let works = input.registers.maintenance_of(&row.unit_id);
    works.iter().rfind(|work| {
        work.at > row.at
            && matches!(
                work.action,
                MaintenanceAction::Rebuild | MaintenanceAction::Vanes | MaintenanceAction::PumpSwap
            )
    })
}
