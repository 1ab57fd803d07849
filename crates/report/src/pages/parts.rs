//! What several pages show the same way.

use std::collections::BTreeSet;

use drydown_pumps::{PumpHealth, mended_since};
use drydown_quantity::UnitId;
use drydown_runs::Run;
use drydown_runs::history::Unit;

use crate::chart::{Axis, Scale};
use crate::frame::{Frame, page};
use crate::html::{Cell, escape, link, slug};
use crate::input::ReportInput;
use crate::pages::Page;
use crate::show::{chance, with_range};
use crate::words;

/// A page at the top of the report.
pub(super) fn top_page(input: &ReportInput<'_>, file: &str, title: &str, body: &str) -> Page {
    let frame = Frame {
        title: &format!("{title}, {}", input.quarter),
        standing: &standing(input),
        file,
        up: "",
    };
    Page {
        path: file.to_owned(),
        text: page(&frame, body),
    }
}

/// The line below every title: silence is not health.
pub(super) fn standing(input: &ReportInput<'_>) -> String {
    format!(
        "Quarter {} (UTC), analysed as of {} UTC. Heard from {} of {} units in the quarter.",
        input.quarter,
        input.as_of.minute(),
        input.heard.heard,
        input.heard.of
    )
}

/// Whether a run belongs to the quarter: it ended in it.
pub(super) fn in_quarter(input: &ReportInput<'_>, run: &Run) -> bool {
    run.ended_at >= input.quarter.start() && run.ended_at < input.quarter.end()
}

/// Every unit of the register, and every one that ran without standing in it: no run is left
/// without a page.
pub(super) fn fleet(input: &ReportInput<'_>) -> Vec<Unit> {
    let mut units = input.registers.units.clone();
    let known: BTreeSet<&UnitId> = input.registers.units.iter().map(|u| &u.unit_id).collect();
    let strangers: BTreeSet<&UnitId> = input
        .runs
        .iter()
        .map(|run| &run.unit_id)
        .filter(|id| !known.contains(id))
        .collect();
    units.extend(strangers.into_iter().map(unregistered));
    units
}

fn unregistered(id: &UnitId) -> Unit {
    Unit {
        unit_id: id.clone(),
        size_class: None,
        nameplate_flow_lpm: None,
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: None,
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

/// A unit as a link to its page, where it has one.
pub(super) fn unit_link(input: &ReportInput<'_>, id: &str, up: &str) -> String {
    let has_page = input
        .registers
        .units
        .iter()
        .any(|u| u.unit_id.as_str() == id)
        || input.runs.iter().any(|run| run.unit_id.as_str() == id);
    if has_page {
        link(&format!("{up}units/{}.html", slug(id)), id)
    } else {
        escape(id)
    }
}

/// A reservoir as a link to its row, where it has one.
pub(super) fn reservoir_link(input: &ReportInput<'_>, id: &str, up: &str) -> String {
    if input
        .risks
        .iter()
        .any(|row| row.reservoir_id.as_str() == id)
    {
        link(&format!("{up}reservoirs.html#{}", slug(id)), id)
    } else {
        escape(id)
    }
}

/// The page or row of a finding's subject, where there is one.
pub(super) fn subject_link(input: &ReportInput<'_>, subject: &str, up: &str) -> String {
    let unit = unit_link(input, subject, up);
    if unit.starts_with("<a") {
        unit
    } else {
        reservoir_link(input, subject, up)
    }
}

/// The axis of removal per pass.
pub(super) const fn per_pass_axis(summary: &str) -> Axis<'_> {
    Axis {
        title: "removal per pass (share of the water above the floor)",
        summary,
        scale: Scale::Number,
        from: 0.0,
        to: 1.0,
    }
}

/// A pump's likely cause with its probability.
pub(super) fn cause(row: &PumpHealth) -> String {
    row.cause.map_or_else(String::new, |cause| {
        format!(
            "{} ({})",
            words::cause(cause),
            chance(row.cause_probability)
        )
    })
}

/// Whether a pump can no longer hold its limit, by even odds within the day.
pub(super) fn is_past_limit(row: &PumpHealth) -> bool {
    row.days_to_limit_p50.is_some_and(|days| days < 0.5)
}

/// Work since the judged run that may have ended what it showed: the days counted from before it are void.
pub(super) fn mended(input: &ReportInput<'_>, row: &PumpHealth) -> Option<String> {
    let work = input.registers.maintenance_of(&row.unit_id);
    let (at, action) = mended_since(work, row.at, row.cause)?;
    Some(format!(
        "{} on {}, not run since",
        words::spaced(action.as_str()),
        at.day()
    ))
}

/// Days to the limit: even odds, and 1 in 10 sooner to 1 in 10 later; or why there are none.
pub(super) fn days_to_limit(input: &ReportInput<'_>, row: &PumpHealth) -> Cell {
    if let Some(done) = mended(input, row) {
        return Cell::Text(done);
    }
    match (
        row.days_to_limit_p10,
        row.days_to_limit_p50,
        row.days_to_limit_p90,
    ) {
        (None, None, None) => Cell::Text(words::days_status(row.days_to_limit_status).to_owned()),
        _ if is_past_limit(row) => Cell::Text("none: it cannot hold it now".to_owned()),
        (lower, middle, upper) => Cell::Text(with_range(middle, lower, upper, 0)),
    }
}
