//! One unit: its pump over time, its removal, and every run of the quarter with its source line.

use std::fmt::Write as _;

use drydown_pumps::PumpState;
use drydown_runs::Run;
use drydown_runs::history::Unit;

use super::Page;
use super::parts::{chart_day, findings_table, in_quarter, quarter_labels, standing};
use crate::chart::{SeriesMark, TimeMark, nothing, series};
use crate::html::{Cell, Frame, escape, figure, link, page, slug, table};
use crate::input::ReportInput;
use crate::show::{NONE, number, range};

pub(super) fn render(input: &ReportInput<'_>, unit: &Unit) -> Page {
    let mut body = about(input, unit);
    let findings: Vec<_> = input
        .findings
        .iter()
        .filter(|row| row.subject == unit.unit_id.as_str())
        .collect();
    body.push_str(&findings_table(
        input,
        &findings,
        "Findings about this unit.",
        "../",
    ));
    body.push_str(&pump(input, unit));
    body.push_str(&removal(input, unit));
    body.push_str(&runs(input, unit));
    let title = format!("Unit {}, {}", unit.unit_id, input.quarter);
    let frame = Frame {
        title: &title,
        standing: &standing(input),
        up: "../",
    };
    Page {
        path: format!("units/{}.html", slug(unit.unit_id.as_str())),
        text: page(&frame, &body),
    }
}

fn about(input: &ReportInput<'_>, unit: &Unit) -> String {
    let mut out = String::from("<p>");
    let _ = write!(
        out,
        "Size {}, nameplate flow {}, vacuum pump {} m³/h ({}), chamber {}, water sensor at the {}.",
        escape(unit.size_class.as_deref().unwrap_or("not stated")),
        input.display.flow(unit.nameplate_flow_lpm),
        number(unit.vacuum_pump_m3h, 0),
        unit.vacuum_pump_kind
            .map_or("kind not stated", |kind| kind.as_str())
            .replace('_', " "),
        input.display.volume(unit.chamber_volume_l),
        unit.water_sensor_place
            .map_or("place not stated", |place| place.as_str()),
    );
    out.push_str("</p>\n");
    out
}

fn pump(input: &ReportInput<'_>, unit: &Unit) -> String {
    let rows: Vec<_> = input
        .pump_health
        .iter()
        .filter(|row| row.unit_id == unit.unit_id)
        .collect();
    let points: Vec<SeriesMark> = rows
        .iter()
        .map(|row| SeriesMark {
            day: chart_day(row.at),
            value: row.indicator,
            lower: row.lower_90,
            upper: row.upper_90,
            out_of_band: matches!(row.state, PumpState::Alert | PumpState::Alarm),
        })
        .collect();
    let marks: Vec<TimeMark> = input
        .registers
        .maintenance_of(&unit.unit_id)
        .iter()
        .map(|work| TimeMark {
            day: chart_day(work.at),
            word: work.action.as_str().replace('_', " "),
        })
        .collect();
    let chart = match (rows.first(), rows.last()) {
        (Some(first), Some(last)) => series(
            &points,
            &marks,
            "ln of effective pumping speed over the level after the last reset",
            &quarter_labels(first.at, last.at),
        ),
        _ => nothing("no run of this unit yet"),
    };
    let latest = rows.last().map_or_else(String::new, |row| {
        format!(
            "<p>At the latest run: {}. {} Days to the limit: {} ({}).</p>\n",
            row.state,
            escape(&row.evidence),
            range(row.days_to_limit_p10, row.days_to_limit_p90, 0),
            row.days_to_limit_status.as_str().replace('_', " ")
        )
    });
    format!(
        "<h2>Vacuum pump</h2>\n{latest}{}",
        figure(
            &chart,
            "One dot is one run with an accepted start, one square a run in alert or alarm; the pale bar is the 90 % band expected before it; dashed lines are recorded maintenance."
        )
    )
}

fn removal(input: &ReportInput<'_>, unit: &Unit) -> String {
    let rows: Vec<Vec<Cell>> = input
        .coefficients
        .iter()
        .filter(|row| row.unit_id == unit.unit_id)
        .map(|row| {
            vec![
                Cell::Text(row.oil_type.to_string()),
                Cell::Figure(number(row.removal_per_pass, 2)),
                Cell::Figure(range(row.lower_90, row.upper_90, 2)),
                Cell::Figure(range(row.new_run_lower_90, row.new_run_upper_90, 2)),
                Cell::Figure(input.display.flow(row.dried_flow_lpm)),
                Cell::Figure(row.n_runs.to_string()),
                Cell::Figure(number(Some(row.own_share), 2)),
                Cell::Text(row.basis.to_string()),
            ]
        })
        .collect();
    format!(
        "<h2>Removal</h2>\n{}",
        table(
            "One row is this unit on one oil, at reference conditions (65 °C, 20 kPa absolute, nameplate flow).",
            &[
                "oil",
                "removal per pass",
                "90 % interval, long-run mean",
                "90 % interval, one new run",
                "dried flow",
                "runs",
                "own share",
                "basis"
            ],
            &rows
        )
    )
}

fn runs(input: &ReportInput<'_>, unit: &Unit) -> String {
    let rows: Vec<Vec<Cell>> = input
        .runs
        .iter()
        .filter(|run| run.unit_id == unit.unit_id && in_quarter(input, run))
        .map(|run| run_row(input, run))
        .collect();
    format!(
        "<h2>Runs of the quarter</h2>\n{}",
        table(
            "One row is one run; \"read from\" is the file and line of its first reading.",
            &[
                "run",
                "reservoir",
                "hours",
                "water, ppm",
                "rate, 1/h (90 %)",
                "what the fit says",
                "vacuum",
                "flags",
                "read from"
            ],
            &rows
        )
    )
}

fn run_row(input: &ReportInput<'_>, run: &Run) -> Vec<Cell> {
    let fit = input.removal_runs.get(&run.run_id);
    let ambient = input.ambient_kpa.get(&run.unit_id).copied();
    let source = input.run_sources.get(&run.run_id);
    vec![
        Cell::Markup(format!(
            "<span id=\"{}\">{}</span>",
            slug(run.run_id.as_str()),
            escape(&input.display.time(run.started_at))
        )),
        Cell::Markup(run.reservoir_id.as_ref().map_or_else(
            || NONE.to_owned(),
            |id| {
                if input.risks.iter().any(|risk| &risk.reservoir_id == id) {
                    link(
                        &format!("../reservoirs.html#{}", slug(id.as_str())),
                        id.as_str(),
                    )
                } else {
                    escape(id.as_str())
                }
            },
        )),
        Cell::Figure(format!("{:.1}", run.hours)),
        Cell::Figure(format!(
            "{} → {}",
            number(run.water_first_ppm, 0),
            number(run.water_last_ppm, 0)
        )),
        Cell::Figure(fit.map_or_else(
            || NONE.to_owned(),
            |fit| {
                format!(
                    "{} ({})",
                    number(fit.removal_rate_per_h, 3),
                    range(fit.removal_rate_lower_90, fit.removal_rate_upper_90, 3)
                )
            },
        )),
        Cell::Text(fit.map_or_else(String::new, |fit| {
            format!(
                "{}: {}",
                fit.status.as_str().replace('_', " "),
                fit.evidence
            )
        })),
        Cell::Text(input.display.vacuum(run.steady_kpa, ambient)),
        Cell::Text(run.flags.join(", ").replace('_', " ")),
        Cell::Text(source.map_or_else(
            || NONE.to_owned(),
            |source| format!("{}:{}", source.file, source.line),
        )),
    ]
}
