//! The runs of one unit in the quarter: those that tell a removal rate, then the others, folded.

use drydown_runs::Run;
use drydown_runs::history::Unit;

use super::fits::start_link;
use super::parts::{in_quarter, reservoir_link};
use crate::html::{Cell, Record, escape, folded, records, slug};
use crate::input::ReportInput;
use crate::show::{NONE, number, vacuum_pair, with_range};
use crate::words::{flag, run_status, sentence};

/// Both tables.
pub(super) fn runs(input: &ReportInput<'_>, unit: &Unit) -> String {
    let (told, silent): (Vec<&Run>, Vec<&Run>) = input
        .runs
        .iter()
        .filter(|run| run.unit_id == unit.unit_id && in_quarter(input, run))
        .partition(|run| tells_rate(input, run));
    let zone = input.display.zone_name();
    let rows: Vec<Record> = told.iter().map(|run| told_row(input, run)).collect();
    let mut out = format!(
        "<h2>Runs of the quarter that tell a rate ({})</h2>\n{}",
        rows.len(),
        records(
            &format!(
                "One row is one run, and below it what the fit used and the file and line of its first reading. Its time leads to the picture of the fit. Times are those of {zone}; the gauge figure is for the unit's latest barometer."
            ),
            &[
                "run",
                "reservoir",
                "hours",
                "water at the sensor, ppm",
                "removal rate, 1/h (90 %)",
                "steady pressure, kPa abs (inHg, gauge)",
                "flags",
            ],
            &rows
        )
    );
    if !silent.is_empty() {
        let rows: Vec<Record> = silent.iter().map(|run| silent_row(input, run)).collect();
        let body = records(
            &format!(
                "One row is one run, why it tells no rate, and the file and line of its first reading. Its time leads to the picture of the fit, where one was made. Times are those of {zone}."
            ),
            &[
                "run",
                "reservoir",
                "hours",
                "water at the sensor, ppm",
                "why not",
                "steady pressure, kPa abs (inHg, gauge)",
                "flags",
            ],
            &rows,
        );
        out.push_str(&folded(
            "Runs of the quarter that tell no rate",
            rows.len(),
            &body,
        ));
    }
    out
}

/// Whether a run has a rate, or at least one end of its interval.
fn tells_rate(input: &ReportInput<'_>, run: &Run) -> bool {
    input.removal_runs.get(&run.run_id).is_some_and(|fit| {
        fit.removal_rate_per_h.is_some()
            || fit.removal_rate_lower_90.is_some()
            || fit.removal_rate_upper_90.is_some()
    })
}

fn told_row(input: &ReportInput<'_>, run: &Run) -> Record {
    let fit = input.removal_runs.get(&run.run_id);
    let rate = fit.map_or_else(
        || NONE.to_owned(),
        |fit| {
            with_range(
                fit.removal_rate_per_h,
                fit.removal_rate_lower_90,
                fit.removal_rate_upper_90,
                3,
            )
        },
    );
    let said = fit.map_or_else(String::new, |fit| {
        format!("{}: {} ", run_status(fit.status), sentence(&fit.evidence))
    });
    to_record(input, run, Cell::Figure(rate), &said)
}

fn silent_row(input: &ReportInput<'_>, run: &Run) -> Record {
    let fit = input.removal_runs.get(&run.run_id);
    let why = fit.map_or("not fitted", |fit| run_status(fit.status));
    let said = fit.map_or_else(String::new, |fit| format!("{} ", sentence(&fit.evidence)));
    to_record(input, run, Cell::Text(why.to_owned()), &said)
}

fn to_record(input: &ReportInput<'_>, run: &Run, fifth: Cell, said: &str) -> Record {
    let ambient = input.ambient_kpa.get(&run.unit_id).copied();
    let read_from = input.run_sources.get(&run.run_id).map_or_else(
        || "Read from: not known.".to_owned(),
        |source| format!("Read from {}, line {}.", source.file, source.line),
    );
    let flags: Vec<String> = run.flags.iter().map(|word| flag(word)).collect();
    Record {
        id: Some(slug(run.run_id.as_str())),
        cells: vec![
            Cell::Markup(start_link(input, run)),
            Cell::Markup(run.reservoir_id.as_ref().map_or_else(
                || escape(NONE),
                |id| reservoir_link(input, id.as_str(), "../"),
            )),
            Cell::Figure(number(Some(run.hours), 1)),
            Cell::Figure(water(run)),
            fifth,
            Cell::Figure(vacuum_pair(run.steady_kpa, ambient)),
            Cell::Text(flags.join(", ")),
        ],
        below: format!("{said}{read_from}"),
    }
}

/// `165 → 59`, or one dash where the run has no water reading.
fn water(run: &Run) -> String {
    match (run.water_first_ppm, run.water_last_ppm) {
        (None, None) => NONE.to_owned(),
        (first, last) => format!("{} → {}", number(first, 0), number(last, 0)),
    }
}
