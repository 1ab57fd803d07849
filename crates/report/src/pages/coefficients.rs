//! Removal per pass by unit and oil, with what stands behind each figure.

use drydown_removal::{Basis, RemovalCoefficient};

use super::Page;
use super::parts::top_page;
use crate::chart::{IntervalRow, intervals};
use crate::html::{Cell, figure, link, slug, table};
use crate::input::ReportInput;
use crate::show::{number, range};

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::from(
        "<p>Removal per pass is the share of the dissolved water above the floor that one pass through the chamber takes out, \
         at 65 °C, 20 kPa absolute and nameplate flow. The first interval is for the long-run mean of unit and oil, the second, wider, \
         for one new run: plan with the second.</p>\n",
    );
    let mut oils: Vec<_> = input.coefficients.iter().map(|row| &row.oil_type).collect();
    oils.sort();
    oils.dedup();
    for oil in oils {
        let own: Vec<&RemovalCoefficient> = input
            .coefficients
            .iter()
            .filter(|row| &row.oil_type == oil && row.basis == Basis::Cell)
            .collect();
        if own.is_empty() {
            continue;
        }
        let chart: Vec<IntervalRow> = own.iter().map(|row| chart_row(row)).collect();
        body.push_str(&format!("<h2>{}</h2>\n", crate::html::escape(oil.as_str())));
        body.push_str(&figure(
            &intervals(&chart, "removal per pass", 0.0, 1.0),
            "One dot is one unit with runs of its own on this oil; the line is the 90 % interval of its long-run mean; hollow where most of the figure is borrowed from other units and oils.",
        ));
    }
    let rows: Vec<Vec<Cell>> = input.coefficients.iter().map(cells).collect();
    body.push_str("<h2>Every unit on every oil</h2>\n");
    body.push_str(&table(
        "One row is one unit on one oil. Basis says whose runs carry it; \"not separable\" where unit and oil were only ever seen together.",
        &["unit", "oil", "removal per pass", "long-run mean, 90 %", "one new run, 90 %", "dried flow, L/min", "runs (jobs)", "own share", "basis", "remarks"],
        &rows,
    ));
    body.push_str(&by_quarter(input));
    body.push_str(&sensors(input));
    top_page(input, "coefficients.html", "Removal", &body)
}

fn chart_row(row: &RemovalCoefficient) -> IntervalRow {
    IntervalRow {
        label: row.unit_id.to_string(),
        middle: row.removal_per_pass,
        lower: row.lower_90,
        upper: row.upper_90,
        hollow: row.own_share < 0.5,
        note: format!("{} runs, own share {:.2}", row.n_runs, row.own_share),
    }
}

fn cells(row: &RemovalCoefficient) -> Vec<Cell> {
    let mut remarks = Vec::new();
    if !row.separable {
        remarks.push("not separable");
    }
    if row.extrapolated {
        remarks.push("no run came near the reference conditions");
    }
    vec![
        Cell::Markup(link(
            &format!("units/{}.html", slug(row.unit_id.as_str())),
            row.unit_id.as_str(),
        )),
        Cell::Text(row.oil_type.to_string()),
        Cell::Figure(number(row.removal_per_pass, 2)),
        Cell::Figure(range(row.lower_90, row.upper_90, 2)),
        Cell::Figure(range(row.new_run_lower_90, row.new_run_upper_90, 2)),
        Cell::Figure(number(row.dried_flow_lpm, 1)),
        Cell::Figure(format!("{} ({})", row.n_runs, row.n_jobs)),
        Cell::Figure(format!("{:.2}", row.own_share)),
        Cell::Text(row.basis.to_string()),
        Cell::Text(remarks.join("; ")),
    ]
}

fn by_quarter(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .quarters
        .iter()
        .filter(|row| row.quarter == input.quarter)
        .map(|row| {
            vec![
                Cell::Markup(link(
                    &format!("units/{}.html", slug(row.unit_id.as_str())),
                    row.unit_id.as_str(),
                )),
                Cell::Text(row.oil_type.to_string()),
                Cell::Figure(number(row.removal_per_pass, 2)),
                Cell::Figure(range(row.lower_90, row.upper_90, 2)),
                Cell::Figure(row.n_runs.to_string()),
            ]
        })
        .collect();
    format!(
        "<h2>In this quarter alone</h2>\n{}",
        table(
            "One row is one unit on one oil with runs that ended in the quarter.",
            &["unit", "oil", "removal per pass", "90 % interval", "runs"],
            &rows
        )
    )
}

fn sensors(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .sensor_checks
        .iter()
        .map(|row| {
            vec![
                Cell::Markup(link(
                    &format!("units/{}.html", slug(row.unit_id.as_str())),
                    row.unit_id.as_str(),
                )),
                Cell::Text(row.sensor.replace('_', " ")),
                Cell::Text(row.state.replace('_', " ")),
                Cell::Figure(number(row.offset, 0)),
                Cell::Figure(range(row.lower_90, row.upper_90, 0)),
                Cell::Figure(number(row.gain, 2)),
                Cell::Figure(number(row.drift_per_year, 0)),
                Cell::Figure(row.n_pairs.to_string()),
            ]
        })
        .collect();
    format!(
        "<h2>Water sensors against the laboratory</h2>\n{}",
        table(
            "One row is one unit's water sensor. Offset is sensor less laboratory; a wrong solubility or a laboratory bias would look the same.",
            &[
                "unit",
                "sensor",
                "state",
                "offset, ppm",
                "90 % interval",
                "gain",
                "drift, ppm a year",
                "pairs"
            ],
            &rows
        )
    )
}
