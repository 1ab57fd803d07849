//! What several pages show the same way.

use std::collections::BTreeSet;

use drydown_pumps::{LimitStanding, PumpHealth, mended_since};
use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::Unit;

use crate::chart::{Axis, Scale};
use crate::frame::{Frame, page};
use crate::html::{Cell, escape, link, slug};
use crate::input::ReportInput;
use crate::pages::Page;
use crate::pages::reservoirs::file_of;
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
    let units = &input.registers.units;
    let has_page = units
        .binary_search_by(|unit| unit.unit_id.as_str().cmp(id))
        .is_ok()
        || input
            .runs
            .binary_search_by(|run| run.unit_id.as_str().cmp(id))
            .is_ok();
    if has_page {
        link(&format!("{up}units/{}.html", slug(id)), id)
    } else {
        escape(id)
    }
}

/// A reservoir as a link to its row, where it has one.
pub(super) fn reservoir_link(input: &ReportInput<'_>, id: &str, up: &str) -> String {
    let place = input
        .risks
        .iter()
        .position(|row| row.reservoir_id.as_str() == id);
    match place {
        Some(place) => link(&format!("{up}{}#{}", file_of(place), slug(id)), id),
        None => escape(id),
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

/// Work since the judged run that may have ended what it showed: the days counted from before it are void.
pub(super) fn mended(input: &ReportInput<'_>, row: &PumpHealth) -> Option<String> {
    let work = input.registers.maintenance_of(&row.unit_id);
    let (at, action) = mended_since(work, row.at, row.cause)?;
    Some(format!(
        "worked on {} ({}), not run since",
        at.day(),
        words::maintenance(action)
    ))
}

/// Days to the limit from the time of the analysis: even odds, and 1 in 10 sooner to 1 in 10 later, with the dates;
/// or why there are none.
pub(super) fn days_to_limit(input: &ReportInput<'_>, row: &PumpHealth) -> Cell {
    if let Some(done) = mended(input, row) {
        return Cell::Text(done);
    }
    let limit = row.limit_as_of(input.as_of);
    let day = |at: Option<Stamp>| at.map(|at| at.day().to_string());
    Cell::Text(match limit.standing {
        LimitStanding::Passed => "none: it cannot hold it now".to_owned(),
        LimitStanding::PassedSince => format!(
            "none: probably passed since its run of {}",
            limit.seen_at.day()
        ),
        LimitStanding::LikelySince => format!(
            "none by even odds: passed since its run of {}, 1 in 10 after {}",
            limit.seen_at.day(),
            day(limit.p90_at).unwrap_or_else(|| "a year".to_owned())
        ),
        LimitStanding::NoDay(status) => limit.not_before().map_or_else(
            || words::days_status(status).to_owned(),
            |at| format!("not before {}", at.day()),
        ),
        LimitStanding::Ahead => {
            let days = with_range(limit.p50, limit.p10, limit.p90, 0);
            match (day(limit.p10_at), day(limit.p90_at)) {
                (Some(early), Some(late)) => format!("{days}: {early} to {late}"),
                (Some(early), None) => format!("{days}: not before {early}"),
                _ => days,
            }
        }
    })
}

/// What the days to the limit mean, below a table's title.
pub(super) fn days_caption(input: &ReportInput<'_>) -> String {
    format!(
        "Days from {} until it cannot hold the limit, if nothing is done: even odds (1 in 10 sooner to 1 in 10 later), and those two dates. Dates alone are those before which there is less than 1 chance in 10. Days that a unit stands idle count like others.",
        input.as_of.day()
    )
}
