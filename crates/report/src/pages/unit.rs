//! One unit: its findings, its pump over time, its removal, and its runs of the quarter.

use drydown_pumps::{LimitStanding, PumpHealth};
use drydown_runs::Run;
use drydown_runs::history::Unit;

use super::Page;
use super::findings::of_subject;
use super::parts::{cause, mended, standing};
use super::runs::runs;
use super::shrinkage::pictures;
use crate::frame::{Frame, page};
use crate::html::{Cell, DAY, escape, figure, prose, slug, table};
use crate::input::ReportInput;
use crate::pump_chart::{PRESSURE_MARK, PUMP_MARK, pressure_chart, pump_chart};
use crate::show::{number, range, with_range};
use crate::words::{basis, days_status, pump_state, sentence, spaced};

pub(super) fn render(input: &ReportInput<'_>, unit: &Unit) -> Page {
    let mut body = about(input, unit);
    body.push_str(&of_subject(input, unit.unit_id.as_str()));
    body.push_str(&pump(input, unit));
    body.push_str(&removal(input, unit));
    body.push_str(&pictures(input, unit));
    body.push_str(&runs(input, unit));
    let title = format!("Unit {}, {}", unit.unit_id, input.quarter);
    let frame = Frame {
        title: &title,
        standing: &standing(input),
        file: "",
        up: "../",
    };
    Page {
        path: format!("units/{}.html", slug(unit.unit_id.as_str())),
        text: page(&frame, &body),
    }
}

fn about(input: &ReportInput<'_>, unit: &Unit) -> String {
    if input.registers.unit(&unit.unit_id).is_none() {
        return "<p>This unit is not in the register: enter it, else neither its pump nor its suitability can be judged.</p>\n".to_owned();
    }
    let pump_size = unit.vacuum_pump_m3h.map_or_else(String::new, |size| {
        format!(" {} m³/h", number(Some(size), 0))
    });
    format!(
        "<p>Size {}, nameplate flow {}, vacuum pump{pump_size} ({}), chamber {}, water sensor at the {}.</p>\n",
        escape(unit.size_class.as_deref().unwrap_or("not stated")),
        input.display.flow(unit.nameplate_flow_lpm),
        unit.vacuum_pump_kind.map_or_else(
            || "kind not stated".to_owned(),
            |kind| spaced(kind.as_str())
        ),
        input.display.volume(unit.chamber_volume_l),
        unit.water_sensor_place
            .map_or("place not stated", |place| place.as_str()),
    )
}

fn pump(input: &ReportInput<'_>, unit: &Unit) -> String {
    let rows: Vec<_> = input
        .pump_health
        .iter()
        .filter(|row| row.unit_id == unit.unit_id)
        .collect();
    let latest = rows.last().map_or_else(String::new, |row| {
        let because = cause(row);
        let because = if because.is_empty() {
            String::new()
        } else {
            let is_likely = row.cause_probability.is_none_or(|p| p >= 0.5);
            format!(
                ", {} {because}",
                if is_likely { "likely" } else { "perhaps" }
            )
        };
        let then = mended(input, row).map_or_else(
            || outlook(input, row),
            |done| format!("Since then: {done}. Test it before it goes."),
        );
        format!(
            "<p>At the latest run, {}: <strong>{}</strong>{}. {} {}</p>\n",
            row.at.day(),
            pump_state(row.state),
            escape(&because),
            prose(&sentence(&row.evidence), DAY),
            prose(&then, DAY),
        )
    });
    let runs: Vec<&Run> = input
        .runs
        .iter()
        .filter(|run| run.unit_id == unit.unit_id)
        .collect();
    let pressures = pressure_chart(&runs, &rows, input.registers)
        .map_or_else(String::new, |chart| figure(&chart, PRESSURE_MARK));
    format!(
        "<h2>Vacuum pump</h2>\n{latest}{}{pressures}",
        figure(&pump_chart(&rows, input.registers), PUMP_MARK)
    )
}

/// The limit as it stands at the time of the analysis, if nothing is done.
fn outlook(input: &ReportInput<'_>, row: &PumpHealth) -> String {
    let limit = row.limit_as_of(input.as_of);
    let said = match limit.standing {
        LimitStanding::NoDay(status) if limit.said().is_none() => {
            format!("the limit is {}", days_status(status))
        }
        _ => limit.said().unwrap_or_default(),
    };
    format!("As of {}, if nothing is done: {said}.", input.as_of.day())
}

fn removal(input: &ReportInput<'_>, unit: &Unit) -> String {
    let rows: Vec<Vec<Cell>> = input
        .coefficients
        .iter()
        .filter(|row| row.unit_id == unit.unit_id)
        .map(|row| {
            vec![
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
                Cell::Text(basis(row).to_owned()),
            ]
        })
        .collect();
    format!(
        "<h2>Removal</h2>\n{}",
        table(
            "One row is this unit on one oil, at reference conditions (65 °C, 20 kPa absolute, nameplate flow). Own share: 1 where the figure is all its own data, 0 where all is borrowed. The dried flow has the interval of the removal per pass, in proportion.",
            &[
                "oil",
                "removal per pass (90 %, long-run mean)",
                "90 %, one new run",
                "dried flow",
                "runs (jobs)",
                "own share",
                "whose runs",
            ],
            &rows
        )
    )
}
