//! All reservoirs by risk.

use drydown_reservoirs::ReservoirRisk;

use super::Page;
use super::parts::top_page;
use crate::chart::{Axis, IntervalRow, Scale, intervals};
use crate::html::{Cell, Record, figure, link, records, slug, table};
use crate::input::ReportInput;
use crate::show::{NONE, chance, number, with_range};
use crate::words::{sentence, spaced};

/// Rows of the chart; the table has them all.
const CHART_ROWS: usize = 30;

/// Reservoirs on one page: more make a page that a telephone does not open.
const PAGE_ROWS: usize = 500;

/// The page that has the row of the reservoir at a place in the order of risk.
pub(super) fn file_of(place: usize) -> String {
    match place / PAGE_ROWS {
        0 => "reservoirs.html".to_owned(),
        page => format!("reservoirs-{}.html", page + 1),
    }
}

/// All reservoirs by risk, so many on a page; where that is more than one page, a list of all by name as well.
pub(super) fn render(input: &ReportInput<'_>) -> Vec<Page> {
    if input.risks.len() <= PAGE_ROWS {
        return vec![by_risk(input, 0, input.risks, "")];
    }
    let others = page_links(input);
    let mut pages: Vec<Page> = input
        .risks
        .chunks(PAGE_ROWS)
        .enumerate()
        .map(|(page, risks)| by_risk(input, page * PAGE_ROWS, risks, &others))
        .collect();
    pages.push(by_name(input, &others));
    pages
}

const NAMES_FILE: &str = "reservoirs-by-name.html";

/// Links to all pages of the reservoirs.
fn page_links(input: &ReportInput<'_>) -> String {
    let pages = input
        .risks
        .chunks(PAGE_ROWS)
        .enumerate()
        .map(|(page, risks)| {
            let first = page * PAGE_ROWS;
            let ranks = format!("{} to {}", first + 1, first + risks.len());
            link(&file_of(first), &ranks)
        });
    format!(
        "<p>By rank: {}. To find one: {}.</p>\n",
        pages.collect::<Vec<String>>().join(", "),
        link(NAMES_FILE, "all by name")
    )
}

/// Every reservoir by name, to be searched with the browser.
fn by_name(input: &ReportInput<'_>, others: &str) -> Page {
    let mut rows: Vec<(usize, &ReservoirRisk)> = input.risks.iter().enumerate().collect();
    rows.sort_by(|a, b| a.1.reservoir_id.cmp(&b.1.reservoir_id));
    let cells: Vec<Vec<Cell>> = rows
        .into_iter()
        .map(|(place, row)| {
            let id = row.reservoir_id.as_str();
            let register = input.registers.reservoir(&row.reservoir_id);
            let site = register
                .and_then(|r| r.site_id.as_ref())
                .map_or(NONE, |site| site.as_str());
            vec![
                Cell::Markup(link(&format!("{}#{}", file_of(place), slug(id)), id)),
                Cell::Text(site.to_owned()),
                Cell::Figure(row.rank.to_string()),
            ]
        })
        .collect();
    let list = table(
        "One row is one reservoir: its site, and its rank by risk (1: where a unit is needed most).",
        &["reservoir", "site", "rank"],
        &cells,
    );
    top_page(
        input,
        NAMES_FILE,
        "Reservoirs by name",
        &format!("{others}{list}"),
    )
}

/// The reservoirs from a place on in the order of risk.
fn by_risk(input: &ReportInput<'_>, first: usize, risks: &[ReservoirRisk], others: &str) -> Page {
    let horizon = input.risks.first().map_or_else(String::new, |row| {
        format!("within {:.0} days, ", row.horizon_days)
    });
    let mut body = format!(
        "{others}<p>What is asked: {horizon}if no unit is sent and any treatment under way has ended. \
         \"Settled included\" counts water that a mid-stream sample does not show; no interval is stated for it.</p>\n"
    );
    if first == 0 {
        body.push_str(&chart(input));
    }
    let rows: Vec<Record> = risks.iter().map(|row| record(input, row)).collect();
    body.push_str(&records(
        "One row is one reservoir, with the reason below it. A dash means that the number cannot be stated; the reason says why.",
        &[
            "reservoir",
            "rank (90 %)",
            "passes water limit",
            "free water",
            "passes cleanliness limit",
            "passes acid limit",
            "water now, ppm (90 %)",
            "settled included, ppm",
            "ingress, g/h (90 %)",
            "next sample by",
        ],
        &rows,
    ));
    body.push_str(others);
    let title = if others.is_empty() {
        "Reservoirs".to_owned()
    } else {
        format!(
            "Reservoirs {} to {} by risk",
            first + 1,
            first + risks.len()
        )
    };
    top_page(input, &file_of(first), &title, &body)
}

fn chart(input: &ReportInput<'_>) -> String {
    let rows: Vec<IntervalRow> = input.risks.iter().take(CHART_ROWS).map(chart_row).collect();
    let summary = format!(
        "Rank by risk with its 90 % interval, the first {} of {} reservoirs; the table below has the figures",
        rows.len(),
        input.risks.len()
    );
    let last = rows.iter().filter_map(|row| row.upper).fold(2.0, f64::max);
    let axis = Axis {
        title: "rank by risk (1: where a unit is needed most)",
        summary: &summary,
        scale: Scale::Number,
        from: 1.0,
        to: last,
    };
    let more = if input.risks.len() > rows.len() {
        format!(
            " The first {} by rank are drawn; the table has all {}.",
            rows.len(),
            input.risks.len()
        )
    } else {
        String::new()
    };
    figure(
        &intervals(&rows, &axis),
        &format!(
            "One dot is one reservoir's rank by risk (criticality times the chances of free water and of passing its limits), the line the rank's 90 % interval: where lines overlap, the order is not settled. At the right the chances of free water and of passing the water limit; hollow where that limit is the service's default and not the owner's.{more}"
        ),
    )
}

fn chart_row(row: &ReservoirRisk) -> IntervalRow {
    IntervalRow {
        label: row.reservoir_id.to_string(),
        middle: Some(row.rank as f64),
        lower: Some(row.rank_lower_90 as f64),
        upper: Some(row.rank_upper_90 as f64),
        hollow: row.water_limit_is_default,
        note: format!(
            "free {}, limit {}",
            chance(row.p_free_water),
            chance(row.p_water_limit)
        ),
    }
}

fn record(input: &ReportInput<'_>, row: &ReservoirRisk) -> Record {
    let register = input.registers.reservoir(&row.reservoir_id);
    let service = spaced(register.and_then(|r| r.service.as_deref()).unwrap_or(NONE));
    let oil = register
        .and_then(|r| r.oil_type.as_ref())
        .map_or(NONE, |oil| oil.as_str());
    let limit = row.water_limit_ppm.map_or_else(
        || "no water limit".to_owned(),
        |limit| {
            let whose = if row.water_limit_is_default {
                " (the service's default)"
            } else {
                ""
            };
            format!("water limit {limit:.0} ppm{whose}")
        },
    );
    Record {
        id: Some(slug(row.reservoir_id.as_str())),
        cells: vec![
            Cell::Text(row.reservoir_id.to_string()),
            Cell::Text(format!(
                "{} ({} to {})",
                row.rank, row.rank_lower_90, row.rank_upper_90
            )),
            Cell::Text(chance(row.p_water_limit)),
            Cell::Text(chance(row.p_free_water)),
            Cell::Text(chance(row.p_cleanliness_limit)),
            Cell::Text(chance(row.p_acid_limit)),
            Cell::Text(with_range(
                row.water_sample_ppm,
                row.water_sample_lower_90,
                row.water_sample_upper_90,
                0,
            )),
            Cell::Text(number(row.water_all_ppm, 0)),
            Cell::Text(with_range(
                row.ingress_g_per_h,
                row.ingress_lower_90,
                row.ingress_upper_90,
                2,
            )),
            Cell::Markup(row.next_sample_by.map_or_else(
                || NONE.to_owned(),
                |day| format!("<span class=\"day\">{day}</span>"),
            )),
        ],
        below: format!(
            "{} {}",
            sentence(&format!("{service}, {oil}, {limit}")),
            sentence(&row.driver)
        ),
    }
}
