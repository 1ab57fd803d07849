//! The first page: what changed, and where to look.

use std::fmt::Write as _;

use drydown_findings::{Finding, FindingState};
use drydown_pumps::PumpState;

use super::Page;
use super::parts::{findings_table, in_quarter, top_page};
use crate::html::{Cell, link, slug, table};
use crate::input::ReportInput;
use crate::show::{chance, count, number, range};

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::new();
    body.push_str(&numbers(input));
    body.push_str("<h2>New and open findings</h2>\n");
    let standing: Vec<&Finding> = input
        .findings
        .iter()
        .filter(|row| row.state != FindingState::Cleared)
        .collect();
    body.push_str(&findings_table(
        input,
        &standing,
        "One row is one cause with one subject; what follows from it is folded in.",
        "",
    ));
    body.push_str(&wettest(input));
    body.push_str(&weak_pumps(input));
    let cleared: Vec<&Finding> = input
        .findings
        .iter()
        .filter(|row| row.state == FindingState::Cleared)
        .collect();
    body.push_str("<h2>Cleared since</h2>\n");
    body.push_str(&findings_table(
        input,
        &cleared,
        "Findings of the last six months that no longer hold.",
        "",
    ));
    top_page(input, "index.html", "What changed", &body)
}

fn numbers(input: &ReportInput<'_>) -> String {
    let runs: Vec<_> = input
        .runs
        .iter()
        .filter(|run| in_quarter(input, run))
        .collect();
    let told = runs
        .iter()
        .filter(|run| {
            input
                .removal_runs
                .get(&run.run_id)
                .is_some_and(|fit| fit.removal_rate_per_h.is_some())
        })
        .count();
    let alerts = input
        .pump_health
        .chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|rows| rows.last())
        .filter(|row| matches!(row.state, PumpState::Alert | PumpState::Alarm))
        .count();
    let mut out = String::from("<ul>\n");
    let _ = writeln!(
        out,
        "<li>{} runs ended in the quarter; {} could tell a removal rate ({}).</li>",
        count(runs.len() as i64),
        count(told as i64),
        link("coefficients.html", "removal")
    );
    let _ = writeln!(
        out,
        "<li>{} of {} vacuum pumps stand in alert or alarm ({}).</li>",
        alerts,
        input.registers.units.len(),
        link("units.html", "units and pumps")
    );
    let _ = writeln!(
        out,
        "<li>{} reservoirs are ranked by risk ({}).</li>",
        count(input.risks.len() as i64),
        link("reservoirs.html", "reservoirs")
    );
    let rejected: i64 = input.loads.iter().map(|load| load.rows_rejected).sum();
    let taken: i64 = input.loads.iter().map(|load| load.rows_in).sum();
    let _ = writeln!(
        out,
        "<li>{} rows were read in all, {} rejected with their raw text kept ({}).</li>",
        count(taken),
        count(rejected),
        link("data.html", "data")
    );
    out.push_str("</ul>\n");
    out
}

fn wettest(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .risks
        .iter()
        .take(8)
        .map(|row| {
            vec![
                Cell::Figure(row.rank.to_string()),
                Cell::Markup(link(
                    &format!("reservoirs.html#{}", slug(row.reservoir_id.as_str())),
                    row.reservoir_id.as_str(),
                )),
                Cell::Figure(chance(row.p_water_limit)),
                Cell::Figure(chance(row.p_free_water)),
                Cell::Text(row.driver.clone()),
            ]
        })
        .collect();
    let horizon = input.risks.first().map_or(0.0, |row| row.horizon_days);
    let caption =
        format!("One row is one reservoir: chances within {horizon:.0} days if no unit is sent.");
    format!(
        "<h2>Reservoirs at most risk</h2>\n{}",
        table(
            &caption,
            &[
                "rank",
                "reservoir",
                "passes its water limit",
                "free water when coldest",
                "why"
            ],
            &rows
        )
    )
}

fn weak_pumps(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .pump_health
        .chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|rows| rows.last())
        .filter(|row| matches!(row.state, PumpState::Alert | PumpState::Alarm))
        .map(|row| {
            vec![
                Cell::Markup(link(
                    &format!("units/{}.html", slug(row.unit_id.as_str())),
                    row.unit_id.as_str(),
                )),
                Cell::Text(row.state.to_string()),
                Cell::Text(row.cause.map_or_else(String::new, |cause| {
                    format!(
                        "{} ({})",
                        cause.as_str().replace('_', " "),
                        chance(row.cause_probability)
                    )
                })),
                Cell::Figure(number(row.days_to_limit_p50, 0)),
                Cell::Figure(range(row.days_to_limit_p10, row.days_to_limit_p90, 0)),
                Cell::Text(row.evidence.clone()),
            ]
        })
        .collect();
    format!(
        "<h2>Vacuum pumps out of control</h2>\n{}",
        table(
            "One row is one unit at its latest run.",
            &[
                "unit",
                "state",
                "likely cause",
                "days to limit, even odds",
                "1 in 10 sooner to 1 in 10 later",
                "evidence"
            ],
            &rows
        )
    )
}
