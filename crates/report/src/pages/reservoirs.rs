//! All reservoirs by risk.

use drydown_reservoirs::ReservoirRisk;

use super::Page;
use super::parts::top_page;
use crate::chart::{Axis, IntervalRow, Scale, intervals};
use crate::html::{Cell, Record, figure, records, slug};
use crate::input::ReportInput;
use crate::show::{NONE, chance, number, with_range};
use crate::words::{sentence, spaced};

/// Rows of the chart; the table has them all.
const CHART_ROWS: usize = 30;

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let horizon = input.risks.first().map_or_else(String::new, |row| {
        format!("within {:.0} days, ", row.horizon_days)
    });
    let mut body = format!(
        "<p>What is asked: {horizon}if no unit is sent and any treatment under way has ended. \
         \"Settled included\" counts water that a mid-stream sample does not show; no interval is stated for it.</p>\n"
    );
    body.push_str(&chart(input));
    let rows: Vec<Record> = input.risks.iter().map(|row| record(input, row)).collect();
    body.push_str(&records(
        "One row is one reservoir, with the reason below it. A dash means that the number cannot be stated; the reason says why.",
        &[
            "reservoir",
            "rank (90 %)",
            "service, oil",
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
    top_page(input, "reservoirs.html", "Reservoirs", &body)
}

fn chart(input: &ReportInput<'_>) -> String {
    let rows: Vec<IntervalRow> = input.risks.iter().take(CHART_ROWS).map(chart_row).collect();
    let summary = format!(
        "Chance of passing the water limit, the first {} of {} reservoirs by rank; the table below has the figures",
        rows.len(),
        input.risks.len()
    );
    let axis = Axis {
        title: "chance of passing the water limit within the horizon",
        summary: &summary,
        scale: Scale::Percent,
        from: 0.0,
        to: 1.0,
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
            "One dot is one reservoir's chance, none where it is not known; hollow where the limit is the service's default and not the owner's. Its rank by whole risk and the rank's 90 % interval stand at the right.{more}"
        ),
    )
}

fn chart_row(row: &ReservoirRisk) -> IntervalRow {
    let unknown = if row.p_water_limit.is_none() {
        ", not known"
    } else {
        ""
    };
    IntervalRow {
        label: row.reservoir_id.to_string(),
        middle: row.p_water_limit,
        lower: None,
        upper: None,
        hollow: row.water_limit_is_default,
        note: format!(
            "rank {} ({} to {}){unknown}",
            row.rank, row.rank_lower_90, row.rank_upper_90
        ),
    }
}

fn record(input: &ReportInput<'_>, row: &ReservoirRisk) -> Record {
    let register = input.registers.reservoir(&row.reservoir_id);
    let service = spaced(register.and_then(|r| r.service.as_deref()).unwrap_or(NONE));
    let oil = register
        .and_then(|r| r.oil_type.as_ref())
        .map_or(NONE, |oil| oil.as_str());
    let limit = row.water_limit_ppm.map_or_else(String::new, |limit| {
        let default = if row.water_limit_is_default {
            ", default"
        } else {
            ""
        };
        format!(" ({limit:.0} ppm{default})")
    });
    Record {
        id: Some(slug(row.reservoir_id.as_str())),
        cells: vec![
            Cell::Text(row.reservoir_id.to_string()),
            Cell::Text(format!(
                "{} ({} to {})",
                row.rank, row.rank_lower_90, row.rank_upper_90
            )),
            Cell::Text(format!("{service}, {oil}")),
            Cell::Text(format!("{}{limit}", chance(row.p_water_limit))),
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
        below: sentence(&row.driver),
    }
}
