//! All reservoirs by risk.

use drydown_reservoirs::ReservoirRisk;

use super::Page;
use super::parts::top_page;
use crate::chart::{IntervalRow, intervals};
use crate::html::{Cell, escape, figure, slug, table};
use crate::input::ReportInput;
use crate::show::{NONE, chance, number, range};

/// Rows of the chart; the table has them all.
const CHART_ROWS: usize = 30;

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let horizon = input.risks.first().map_or(0.0, |row| row.horizon_days);
    let mut body = format!(
        "<p>What is asked: within {horizon:.0} days, if no unit is sent and any treatment under way has ended. \
         \"Settled water included\" counts water that a mid-stream sample does not show.</p>\n"
    );
    let chart: Vec<IntervalRow> = input.risks.iter().take(CHART_ROWS).map(chart_row).collect();
    body.push_str(&figure(
        &intervals(&chart, "chance of passing the water limit within the horizon", 0.0, 1.0),
        "One dot is one reservoir; hollow where the limit is the service's default and not the owner's. Rank and its 90 % interval stand at the right.",
    ));
    let rows: Vec<Vec<Cell>> = input.risks.iter().map(|row| cells(input, row)).collect();
    body.push_str(&table(
        "One row is one reservoir. A dash means that the number cannot be stated; the last column says why.",
        &[
            "rank (90 %)", "reservoir", "service and oil", "passes water limit", "free water", "cleanliness", "acid",
            "water now, ppm (90 %)", "settled included, ppm", "ingress, g/h (90 %)", "next sample by", "why",
        ],
        &rows,
    ));
    top_page(input, "reservoirs.html", "Reservoirs", &body)
}

fn chart_row(row: &ReservoirRisk) -> IntervalRow {
    IntervalRow {
        label: row.reservoir_id.to_string(),
        middle: row.p_water_limit,
        lower: None,
        upper: None,
        hollow: row.water_limit_is_default,
        note: format!(
            "rank {} ({} to {})",
            row.rank, row.rank_lower_90, row.rank_upper_90
        ),
    }
}

fn cells(input: &ReportInput<'_>, row: &ReservoirRisk) -> Vec<Cell> {
    let register = input.registers.reservoir(&row.reservoir_id);
    let service = register
        .and_then(|r| r.service.as_deref())
        .unwrap_or(NONE)
        .replace('_', " ");
    let oil = register
        .and_then(|r| r.oil_type.as_ref())
        .map_or(NONE, |oil| oil.as_str());
    let limit = row.water_limit_ppm.map_or_else(String::new, |limit| {
        format!(
            " (limit {limit:.0} ppm{})",
            if row.water_limit_is_default {
                ", default"
            } else {
                ""
            }
        )
    });
    vec![
        Cell::Figure(format!(
            "{} ({}–{})",
            row.rank, row.rank_lower_90, row.rank_upper_90
        )),
        Cell::Markup(format!(
            "<span id=\"{}\">{}</span>",
            slug(row.reservoir_id.as_str()),
            escape(row.reservoir_id.as_str())
        )),
        Cell::Text(format!("{service}, {oil}")),
        Cell::Text(format!("{}{limit}", chance(row.p_water_limit))),
        Cell::Figure(chance(row.p_free_water)),
        Cell::Figure(chance(row.p_cleanliness_limit)),
        Cell::Figure(chance(row.p_acid_limit)),
        Cell::Figure(format!(
            "{} ({})",
            number(row.water_sample_ppm, 0),
            range(row.water_sample_lower_90, row.water_sample_upper_90, 0)
        )),
        Cell::Figure(number(row.water_all_ppm, 0)),
        Cell::Figure(format!(
            "{} ({})",
            number(row.ingress_g_per_h, 2),
            range(row.ingress_lower_90, row.ingress_upper_90, 2)
        )),
        Cell::Text(
            row.next_sample_by
                .map_or_else(|| NONE.to_owned(), |day| day.to_string()),
        ),
        Cell::Text(row.driver.clone()),
    ]
}
