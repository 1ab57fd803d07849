//! The runs of one unit on each oil against what they came to: how far they scatter, and what was borrowed.

use drydown_quantity::OilType;
use drydown_removal::{Regime, RemovalCoefficient, RemovalRun};
use drydown_runs::Run;
use drydown_runs::history::Unit;

use super::parts::per_pass_axis;
use crate::chart::{IntervalRow, intervals};
use crate::html::{escape, figure};
use crate::input::ReportInput;
use crate::show::counted;

/// Runs drawn of one oil, the latest.
const DRAWN: usize = 20;

/// One figure an oil on which the unit has runs of its own, below what all of them show.
pub(super) fn pictures(input: &ReportInput<'_>, unit: &Unit) -> String {
    let figures: String = input
        .coefficients
        .iter()
        .filter(|row| row.unit_id == unit.unit_id)
        .filter_map(|row| picture(input, row))
        .collect();
    if figures.is_empty() {
        return figures;
    }
    format!(
        "<p>The pictures show first what all runs on an oil came to, then each run by its day, as it was (not at reference conditions), \
         with the 90 % interval of its own fit; hollow where the reservoir is badly mixed. Runs that scatter farther than their lines differ \
         by more than the fit: reservoir, volume, conditions. A mean apart from its runs is borrowed from others.</p>\n{figures}"
    )
}

fn picture(input: &ReportInput<'_>, cell: &RemovalCoefficient) -> Option<String> {
    let told = told(input, cell, &cell.oil_type);
    if told.is_empty() {
        return None;
    }
    let mut rows = vec![
        IntervalRow {
            label: "long-run mean".to_owned(),
            middle: cell.removal_per_pass,
            lower: cell.lower_90,
            upper: cell.upper_90,
            hollow: false,
            note: format!("own share {:.2}", cell.own_share),
        },
        IntervalRow {
            label: "one new run".to_owned(),
            middle: cell.removal_per_pass,
            lower: cell.new_run_lower_90,
            upper: cell.new_run_upper_90,
            hollow: false,
            note: String::new(),
        },
    ];
    let n_hidden = told.len().saturating_sub(DRAWN);
    rows.extend(told.into_iter().skip(n_hidden));
    let oil = cell.oil_type.as_str();
    let summary = format!(
        "Removal per pass on {oil}: the long-run mean and {} behind it",
        counted(rows.len() - 2, "run", "runs")
    );
    let axis = per_pass_axis(&summary);
    let hidden = if n_hidden > 0 {
        format!(
            " The {n_hidden} before these {} are not drawn.",
            counted(DRAWN, "run", "runs")
        )
    } else {
        String::new()
    };
    Some(format!(
        "<h3>Runs on {}</h3>\n{}",
        escape(oil),
        figure(
            &intervals(&rows, &axis),
            &format!("Long-run mean, one new run, and the runs on {oil}.{hidden}")
        )
    ))
}

/// Runs with a rate, by time.
fn told(input: &ReportInput<'_>, cell: &RemovalCoefficient, oil: &OilType) -> Vec<IntervalRow> {
    let mut runs: Vec<(&Run, &RemovalRun)> = input
        .runs
        .iter()
        .filter(|run| run.unit_id == cell.unit_id)
        .filter_map(|run| Some((run, input.removal_runs.get(&run.run_id)?)))
        .filter(|(_, fit)| fit.oil_type.as_ref() == Some(oil) && fit.removal_per_pass.is_some())
        .collect();
    runs.sort_by_key(|(run, _)| run.started_at);
    runs.into_iter()
        .map(|(run, fit)| {
            // Flow and volume are taken as known within a run: its removal per pass goes with its rate.
            let per_pass = |rate: Option<f64>| {
                Some(fit.removal_per_pass? * rate? / fit.removal_rate_per_h.filter(|k| *k > 0.0)?)
            };
            IntervalRow {
                label: run.started_at.day().to_string(),
                middle: fit.removal_per_pass,
                lower: per_pass(fit.removal_rate_lower_90),
                upper: per_pass(fit.removal_rate_upper_90),
                hollow: fit.regime == Some(Regime::TwoCompartments),
                note: fit
                    .reservoir_id
                    .as_ref()
                    .map_or_else(String::new, ToString::to_string),
            }
        })
        .collect()
}
