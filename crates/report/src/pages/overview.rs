//! The first page: what to look at first, then every finding.

use std::fmt::Write as _;

use drydown_findings::{FindingState, Severity};
use drydown_pumps::{PumpHealth, PumpState};

use super::Page;
use super::findings::by_severity;
use super::parts::{
    cause, days_caption, days_to_limit, in_quarter, mended, reservoir_link, top_page, unit_link,
};
use crate::html::{Cell, Record, link, records};
use crate::input::ReportInput;
use crate::pump_chart::is_out;
use crate::show::{NONE, chance, count, counted};
use crate::words::{pump_state, sentence};

/// Reservoirs on the first page; their own page has all.
const RISK_ROWS: usize = 8;
/// Pumps on the first page; that of the units has all.
const PUMP_ROWS: usize = 40;

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::new();
    body.push_str(&numbers(input));
    body.push_str(&wettest(input));
    body.push_str(&weak_pumps(input));
    body.push_str(&by_severity(input));
    top_page(input, "index.html", "What changed", &body)
}

fn numbers(input: &ReportInput<'_>) -> String {
    let mut out = String::from("<ul>\n");
    let open = |severity: Severity| {
        let rows = input
            .findings
            .iter()
            .filter(move |row| row.severity == severity && row.state != FindingState::Cleared);
        let new = rows.clone().filter(|row| row.state == FindingState::New);
        format!("{} ({} new)", rows.count(), new.count())
    };
    let _ = writeln!(
        out,
        "<li>Findings: {} to act on, {} to watch, {} for information.</li>",
        open(Severity::Act),
        open(Severity::Watch),
        open(Severity::Info)
    );
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
    let _ = writeln!(
        out,
        "<li>{} ended in the quarter; {told} could tell a removal rate ({}).</li>",
        counted(runs.len(), "run", "runs"),
        link("coefficients.html", "removal")
    );
    let _ = writeln!(
        out,
        "<li>{} of {} stand in alert or alarm ({}).</li>",
        latest(input).filter(|row| is_out(row)).count(),
        counted(input.registers.units.len(), "vacuum pump", "vacuum pumps"),
        link("units.html", "units and pumps")
    );
    let _ = writeln!(
        out,
        "<li>{} ranked by risk ({}).</li>",
        counted(input.risks.len(), "reservoir", "reservoirs"),
        link("reservoirs.html", "reservoirs")
    );
    let rejected: i64 = input.loads.iter().map(|load| load.rows_rejected).sum();
    let entries: i64 = input.reject_reasons.iter().map(|(_, n)| n).sum();
    let taken: i64 = input.loads.iter().map(|load| load.rows_in).sum();
    let _ = writeln!(
        out,
        "<li>{} rows were read in all, {} rejected whole; {} entries say which rows and which single values were kept out, with their raw text ({}).</li>",
        count(taken),
        count(rejected),
        count(entries),
        link("data.html", "data")
    );
    out.push_str("</ul>\n");
    out
}

/// Each unit's latest row.
fn latest<'a>(input: &'a ReportInput<'_>) -> impl Iterator<Item = &'a PumpHealth> {
    input
        .pump_health
        .chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|rows| rows.last())
}

fn wettest(input: &ReportInput<'_>) -> String {
    let rows: Vec<Record> = input
        .risks
        .iter()
        .take(RISK_ROWS)
        .map(|row| Record {
            id: None,
            cells: vec![
                Cell::Markup(reservoir_link(input, row.reservoir_id.as_str(), "")),
                Cell::Text(format!(
                    "{} ({} to {})",
                    row.rank, row.rank_lower_90, row.rank_upper_90
                )),
                Cell::Text(chance(row.p_water_limit)),
                Cell::Text(chance(row.p_free_water)),
                Cell::Text(
                    row.next_sample_by
                        .map_or_else(|| NONE.to_owned(), |day| day.to_string()),
                ),
            ],
            below: sentence(&row.driver),
        })
        .collect();
    let horizon = input.risks.first().map_or_else(String::new, |row| {
        format!(" within {:.0} days", row.horizon_days)
    });
    format!(
        "<h2>Reservoirs at most risk</h2>\n{}",
        records(
            &format!("One row is one reservoir: chances{horizon} if no unit is sent, and why."),
            &[
                "reservoir",
                "rank (90 % interval)",
                "passes its water limit",
                "free water when coldest",
                "next sample by",
            ],
            &rows
        )
    )
}

fn weak_pumps(input: &ReportInput<'_>) -> String {
    let is_weak = |row: &PumpHealth| {
        is_out(row) || (mended(input, row).is_none() && row.limit_as_of(input.as_of).is_passed())
    };
    let mut weak: Vec<&PumpHealth> = latest(input).filter(|row| is_weak(row)).collect();
    weak.sort_by(|a, b| {
        let days = |row: &PumpHealth| row.limit_as_of(input.as_of).p50.unwrap_or(f64::INFINITY);
        (a.state != PumpState::Alarm)
            .cmp(&(b.state != PumpState::Alarm))
            .then_with(|| days(a).total_cmp(&days(b)))
            .then_with(|| a.unit_id.cmp(&b.unit_id))
    });
    let more = if weak.len() > PUMP_ROWS {
        format!(
            "<p>The first {PUMP_ROWS} of {} stand here; {} has all.</p>\n",
            weak.len(),
            link("units.html", "units and pumps")
        )
    } else {
        String::new()
    };
    let rows: Vec<Record> = weak
        .into_iter()
        .take(PUMP_ROWS)
        .map(|row| Record {
            id: None,
            cells: vec![
                Cell::Markup(unit_link(input, row.unit_id.as_str(), "")),
                Cell::Text(pump_state(row.state).to_owned()),
                Cell::Text(cause(row)),
                days_to_limit(input, row),
            ],
            below: sentence(&row.evidence),
        })
        .collect();
    format!(
        "<h2>Vacuum pumps to look at</h2>\n{more}{}",
        records(
            &format!(
                "One row is one unit at its latest run, and what was seen: out of control, or not able to hold its limit. {}",
                days_caption(input)
            ),
            &[
                "unit",
                "state",
                "likely cause (its chance)",
                "days to the limit",
            ],
            &rows
        )
    )
}
