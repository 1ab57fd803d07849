//! Removal per pass by unit and oil, with what stands behind each figure.

use drydown_quantity::OilType;
use drydown_removal::{Basis, RemovalCoefficient};

use super::parts::{per_pass_axis, top_page, unit_link};
use super::{Page, fits, funnel};
use crate::chart::{IntervalRow, intervals};
use crate::html::{Cell, escape, figure, folded, link, slug, table};
use crate::input::ReportInput;
use crate::show::{counted, number, range, with_range};
use crate::words::{basis, sensor_state, spaced};

/// Pairs of unit and oil on one page; more are laid out by oil.
const ROWS_MOST: usize = 1000;
/// Units in the chart of one oil.
const CHART_ROWS: usize = 60;

const INTRODUCTION: &str = "<p>Removal per pass is the share of the dissolved water above the floor that one pass through the chamber takes out, \
         at 65 °C, 20 kPa absolute and nameplate flow. The first interval is for the long-run mean of unit and oil, the second, wider, \
         for one new run: plan with the second. What is <em>borrowed</em> rests on other runs than the unit's own on that oil.</p>\n";

/// The removal of all units on all oils; where that is too much for one page, a page for each oil.
pub(super) fn render(input: &ReportInput<'_>) -> Vec<Page> {
    let mut oils: Vec<&OilType> = input.coefficients.iter().map(|row| &row.oil_type).collect();
    oils.sort();
    oils.dedup();
    let of = |oil: &OilType| -> Vec<&RemovalCoefficient> {
        let rows = input.coefficients.iter();
        rows.filter(|row| row.oil_type == *oil).collect()
    };
    let mut body = INTRODUCTION.to_owned();
    let mut pages = Vec::new();
    if input.coefficients.len() <= ROWS_MOST {
        body.extend(oils.iter().map(|oil| chart(input, oil)));
        body.push_str(&tables(
            input,
            &input.coefficients.iter().collect::<Vec<_>>(),
        ));
        body.push_str(&by_quarter(input, None));
    } else {
        body.push_str(&contents(&oils, of));
        for oil in &oils {
            let own = format!(
                "{INTRODUCTION}{}{}{}",
                chart(input, oil),
                tables(input, &of(oil)),
                by_quarter(input, Some(oil))
            );
            pages.push(top_page(
                input,
                &file_of(oil),
                &format!("Removal on {oil}"),
                &own,
            ));
        }
    }
    body.push_str(&fits::summary(input));
    body.push_str(&sensors(input));
    pages.insert(0, top_page(input, "coefficients.html", "Removal", &body));
    pages
}

fn file_of(oil: &OilType) -> String {
    format!("coefficients-{}.html", slug(oil.as_str()))
}

/// Links to the pages of the oils.
fn contents<'a>(
    oils: &[&'a OilType],
    of: impl Fn(&OilType) -> Vec<&'a RemovalCoefficient>,
) -> String {
    let rows: Vec<Vec<Cell>> = oils
        .iter()
        .map(|oil| {
            let rows = of(oil);
            let own = rows.iter().filter(|row| row.basis == Basis::Cell).count();
            vec![
                Cell::Markup(link(&file_of(oil), oil.as_str())),
                Cell::Figure(own.to_string()),
                Cell::Figure((rows.len() - own).to_string()),
            ]
        })
        .collect();
    table(
        "One row is one oil; its page has all units.",
        &["oil", "units that have run on it", "units that have not"],
        &rows,
    )
}

/// The pairs of unit and oil, those that exist before those that are all borrowed.
fn tables(input: &ReportInput<'_>, rows: &[&RemovalCoefficient]) -> String {
    let (own, borrowed): (Vec<&RemovalCoefficient>, Vec<&RemovalCoefficient>) =
        rows.iter().partition(|row| row.basis == Basis::Cell);
    let mut out = format!(
        "<h2>Units on oils they have run on ({})</h2>\n{}",
        own.len(),
        coefficients(input, &own)
    );
    if !borrowed.is_empty() {
        out.push_str(&folded(
            "Units on oils they have not run on: all borrowed",
            borrowed.len(),
            &coefficients(input, &borrowed),
        ));
    }
    out
}

/// The units on one oil, lowest first where they are too many to draw all; nothing where none has run on it.
fn chart(input: &ReportInput<'_>, oil: &OilType) -> String {
    let mut rows: Vec<IntervalRow> = input
        .coefficients
        .iter()
        .filter(|row| &row.oil_type == oil && row.basis == Basis::Cell)
        .map(chart_row)
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let n_all = rows.len();
    let more = if n_all > CHART_ROWS {
        let level = |row: &IntervalRow| row.middle.unwrap_or(f64::INFINITY);
        rows.sort_by(|a, b| level(a).total_cmp(&level(b)));
        rows.truncate(CHART_ROWS);
        format!(" The {CHART_ROWS} lowest are drawn, of {n_all}.")
    } else {
        String::new()
    };
    let summary = format!(
        "Removal per pass on {oil}: {}; the table below has the figures",
        counted(rows.len(), "unit", "units")
    );
    let axis = per_pass_axis(&summary);
    format!(
        "<h2>{}</h2>\n{}{}",
        escape(oil.as_str()),
        figure(
            &intervals(&rows, &axis),
            &format!(
                "One dot is one unit on this oil, the line its 90 % interval (long-run mean); hollow where more than half of the figure is borrowed.{more}"
            )
        ),
        funnel::picture(input, oil)
    )
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

fn coefficients(input: &ReportInput<'_>, rows: &[&RemovalCoefficient]) -> String {
    let cells: Vec<Vec<Cell>> = rows.iter().map(|row| cells(input, row)).collect();
    table(
        "One row is one unit on one oil. Own share: 1 where the figure is all its own data, 0 where all is borrowed. The dried flow has the interval of the removal per pass, in proportion.",
        &[
            "unit",
            "oil",
            "removal per pass (90 %, long-run mean)",
            "90 %, one new run",
            "dried flow",
            "runs (jobs)",
            "own share",
            "whose runs, and remarks",
        ],
        &cells,
    )
}

fn cells(input: &ReportInput<'_>, row: &RemovalCoefficient) -> Vec<Cell> {
    let mut remarks = vec![basis(row)];
    if !row.separable {
        remarks.push("unit and oil were only seen together and cannot be told apart");
    }
    if row.extrapolated {
        remarks.push("no run came near the reference conditions");
    }
    vec![
        Cell::Markup(unit_link(input, row.unit_id.as_str(), "")),
        Cell::Text(row.oil_type.to_string()),
        Cell::Figure(with_range(
            row.removal_per_pass,
            row.lower_90,
            row.upper_90,
            2,
        )),
        Cell::Figure(range(row.new_run_lower_90, row.new_run_upper_90, 2)),
        Cell::Figure(input.display.flow(row.dried_flow_lpm)),
        Cell::Figure(format!("{} ({})", row.n_runs, row.n_jobs)),
        Cell::Figure(number(Some(row.own_share), 2)),
        Cell::Text(remarks.join("; ")),
    ]
}

/// What the runs of the quarter alone say, on one oil or on all.
fn by_quarter(input: &ReportInput<'_>, oil: Option<&OilType>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .quarters
        .iter()
        .filter(|row| row.quarter == input.quarter && oil.is_none_or(|oil| row.oil_type == *oil))
        .map(|row| {
            vec![
                Cell::Markup(unit_link(input, row.unit_id.as_str(), "")),
                Cell::Text(row.oil_type.to_string()),
                Cell::Figure(with_range(
                    row.removal_per_pass,
                    row.lower_90,
                    row.upper_90,
                    2,
                )),
                Cell::Figure(row.n_runs.to_string()),
            ]
        })
        .collect();
    folded(
        "In this quarter alone",
        rows.len(),
        &table(
            "One row is one unit on one oil with runs that ended in the quarter.",
            &["unit", "oil", "removal per pass (90 %)", "runs"],
            &rows,
        ),
    )
}

fn sensors(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .sensor_checks
        .iter()
        .map(|row| {
            vec![
                Cell::Markup(unit_link(input, row.unit_id.as_str(), "")),
                Cell::Text(spaced(&row.sensor)),
                Cell::Text(sensor_state(&row.state)),
                Cell::Figure(with_range(row.offset, row.lower_90, row.upper_90, 0)),
                Cell::Figure(number(row.gain, 2)),
                Cell::Figure(number(row.drift_per_year, 0)),
                Cell::Figure(row.n_pairs.to_string()),
            ]
        })
        .collect();
    format!(
        "<h2>Water sensors against the laboratory</h2>\n{}",
        table(
            "One row is one unit's water sensor. Offset is sensor less laboratory; a wrong solubility or a laboratory bias would look the same. No interval is stated for gain and drift.",
            &[
                "unit",
                "sensor",
                "state",
                "offset, ppm (90 %)",
                "gain, sensor over laboratory",
                "drift, ppm a year",
                "pairs",
            ],
            &rows
        )
    )
}
