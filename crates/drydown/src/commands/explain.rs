//! `drydown explain`: the runs that made one coefficient, and what would narrow it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use drydown_quantity::{OilType, RunId, UnitId};
use drydown_removal::{
    CellAccount, FleetRun, Narrowing, PooledRun, RunAccount, Step, account_cell,
};
use serde_json::{Value, json};

use super::answers::Answers;
use crate::cli::{Cli, ExplainArgs, Format};
use crate::config::{AnalysisSection, Config};
use crate::jobs::removal_config;
use crate::output::{print_result, print_warning, wrap};
use crate::usage::UsageError;

/// Runs that the text lists, the weightiest of them.
const RUNS_SHOWN: usize = 20;

pub(super) fn run(cli: &Cli, arguments: &ExplainArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let store = super::open_store(&config)?;
    let answers = Answers::load(&store, &config)?;
    if let Some(past) = answers.past() {
        print_warning(&format!(
            "{past}; `drydown analyse` brings the answers up to date"
        ));
    }
    let account = account(arguments, &answers, &config)?;
    print_result(&match cli.format {
        Format::Text => render(&account, &config.analysis),
        Format::Json => format!(
            "{}\n",
            serde_json::to_string_pretty(&to_json(&account, &config.analysis))?
        ),
    });
    Ok(0)
}

fn account(arguments: &ExplainArgs, answers: &Answers<'_>, config: &Config) -> Result<CellAccount> {
    let indicators: BTreeMap<&RunId, f64> = answers
        .pump_health
        .iter()
        .filter_map(|row| Some((&row.run_id, row.indicator?)))
        .collect();
    let runs: Vec<FleetRun<'_>> = answers
        .runs
        .iter()
        .filter_map(|run| {
            Some(FleetRun {
                fit: answers.removal_runs.get(&run.run_id)?,
                run,
                pump_indicator: indicators.get(&run.run_id).copied(),
            })
        })
        .collect();
    let pair = (
        &UnitId::from(arguments.unit.as_str()),
        &OilType::from(arguments.oil.as_str()),
    );
    let fleet = removal_config(&config.analysis).fleet;
    if let Some(account) = account_cell(&runs, &answers.registers, &fleet, pair) {
        return Ok(account);
    }
    let coefficients = &answers.coefficients;
    let error = if coefficients.iter().any(|row| row.unit_id == *pair.0) {
        let known = names(coefficients.iter().map(|row| row.oil_type.as_str()));
        format!("--oil: found \"{}\", expected one of {known}", pair.1)
    } else {
        let known = names(coefficients.iter().map(|row| row.unit_id.as_str()));
        format!("--unit: found \"{}\", expected one of {known}", pair.0)
    };
    Err(UsageError(error).into())
}

fn names<'a>(all: impl Iterator<Item = &'a str>) -> String {
    let mut names: Vec<&str> = all.collect();
    names.sort_unstable();
    names.dedup();
    names.join(", ")
}

fn render(account: &CellAccount, section: &AnalysisSection) -> String {
    let row = &account.coefficient;
    let mut out = String::new();
    let number = |value: Option<f64>| value.map_or("–".to_owned(), |v| format!("{v:.2}"));
    let _ = writeln!(
        out,
        "{} on {}: removal per pass {} (90 % {} to {})",
        row.unit_id,
        row.oil_type,
        number(row.removal_per_pass),
        number(row.lower_90),
        number(row.upper_90)
    );
    out.push_str(&wrap(
        &format!(
            "The long-run mean at {:.0} °C, {:.0} kPa absolute and nameplate flow; one new run lies within {} to {} (90 %): plan with that.",
            section.reference_oil_degc,
            section.reference_chamber_kpa,
            number(row.new_run_lower_90),
            number(row.new_run_upper_90)
        ),
        "",
    ));
    out.push_str(&wrap(&standing(account), ""));
    out.push_str(&pooled_runs(account));
    out.push_str(&left_out_runs(account));
    out.push_str(&badly_mixed(account));
    out.push_str("\nwhat would narrow the interval of the long-run mean\n");
    if account.narrowings.is_empty() {
        out.push_str("  nothing that this program can foretell\n");
    }
    for narrowing in &account.narrowings {
        let text = format!(
            "{}: {}",
            percent(narrowing.width_ratio),
            to_words(narrowing)
        );
        out.push_str(&wrap(&text, "  to "));
    }
    out.push_str("  (of its width today, on the log scale)\n");
    out
}

/// Whose data the figure rests on.
fn standing(account: &CellAccount) -> String {
    let row = &account.coefficient;
    let shares = &account.shares;
    let assumed = 1.0 - (shares.own + shares.unit + shares.oil + shares.rest);
    let runs = match (row.n_runs, row.n_jobs) {
        (0, _) => "It has no run of its own to rest on; it rests".to_owned(),
        (1, _) => format!("It rests by {} on its own run,", percent(shares.own)),
        (n, jobs) => format!(
            "It rests by {} on its own {n} runs ({jobs} jobs),",
            percent(shares.own)
        ),
    };
    let mut text = format!(
        "{runs} by {} on the unit's runs on other oils, by {} on other units on this oil",
        percent(shares.unit),
        percent(shares.oil)
    );
    // What a difference of two runs tells needs a level to stand on, which is no share of its own.
    if shares.rest > 0.0 {
        text.push_str(&format!(", by {} on the others", percent(shares.rest)));
    } else if shares.rest < -0.005 {
        text.push_str(&format!(
            ", less {} for the fleet's level, which these two share",
            percent(-shares.rest)
        ));
    }
    if assumed >= 0.005 {
        text.push_str(&format!(
            ", by {} on what was assumed beforehand",
            percent(assumed)
        ));
    }
    text.push('.');
    if !row.separable {
        text.push_str(" Unit and oil cannot be told apart: no chain of shared oils links this unit to the others on it.");
    }
    if row.extrapolated {
        text.push_str(" No run came near the reference conditions: the figure is extrapolated.");
    }
    text
}

fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}

fn pooled_runs(account: &CellAccount) -> String {
    let mut pooled: Vec<(&RunAccount, PooledRun)> = account
        .runs
        .iter()
        .filter_map(|run| Some((run, run.pooled?)))
        .collect();
    if pooled.is_empty() {
        return "\nno run of its own could be used\n".to_owned();
    }
    let n = pooled.len();
    // By weight, so that what is not shown weighs least.
    pooled.sort_by(|a, b| b.1.share.total_cmp(&a.1.share));
    pooled.truncate(RUNS_SHOWN);
    pooled.sort_by_key(|(run, _)| run.started_at);
    let mut out = String::from(
        "\nbegan       reservoir          share  L/min dried   against all the others\n",
    );
    for (run, one) in &pooled {
        let wild = if one.is_wild { ", wild: set back" } else { "" };
        let mixed = if run.badly_mixed { ", badly mixed" } else { "" };
        let _ = writeln!(
            out,
            "{}  {:<16}  {:>6}  {:>11}   {} sd{wild}{mixed}",
            run.started_at.day(),
            run.reservoir_id.as_ref().map_or("–", |id| id.as_str()),
            format!("{:.1} %", one.share * 100.0),
            run.dried_flow_lpm
                .map_or("–".to_owned(), |lpm| format!("{lpm:.1}")),
            signed(one.off_by_sd),
        );
    }
    if n > pooled.len() {
        let _ = writeln!(out, "and {} that weigh less", n - pooled.len());
    }
    out
}

/// `+1.2`, `−0.4`, `0.0`.
fn signed(value: f64) -> String {
    if value.abs() < 0.05 {
        " 0.0".to_owned()
    } else {
        format!("{value:+.1}").replace('-', "\u{2212}")
    }
}

/// The runs that could not tell a rate, by status.
fn left_out_runs(account: &CellAccount) -> String {
    let mut by_status: BTreeMap<&str, Vec<&RunAccount>> = BTreeMap::new();
    for run in account.runs.iter().filter(|run| run.pooled.is_none()) {
        by_status.entry(run.status.as_str()).or_default().push(run);
    }
    let mut out = String::new();
    for (status, runs) in by_status {
        if out.is_empty() {
            out.push_str("\nnot used\n");
        }
        let Some(first) = runs.first() else { continue };
        let text = format!(
            "{} {}, such as that of {}: {}",
            runs.len(),
            status.replace('_', " "),
            first.started_at.day(),
            first.evidence
        );
        out.push_str(&wrap(&text, "  "));
    }
    out
}

/// Which reservoirs of its runs mix badly, and that a dip of their volume is not what is missing.
fn badly_mixed(account: &CellAccount) -> String {
    let names = account
        .runs
        .iter()
        .filter(|run| run.badly_mixed)
        .filter_map(|run| run.reservoir_id.as_ref());
    let mut reservoirs: Vec<&str> = names.map(|id| id.as_str()).collect();
    reservoirs.sort_unstable();
    reservoirs.dedup();
    if reservoirs.is_empty() {
        return String::new();
    }
    let text = format!(
        "Badly mixed: on {} only part of the oil passed the unit, so that water came back after the stop. The fit allows for it; suction and return further apart would tell more than a dip of the volume.",
        reservoirs.join(", ")
    );
    format!("\n{}", wrap(&text, ""))
}

fn to_words(narrowing: &Narrowing) -> String {
    match narrowing.step {
        Step::OneMoreRun => {
            "one run more at the reference conditions, on a reservoir whose volume was dipped"
                .to_owned()
        }
        Step::ThreeMoreRuns => "three such runs, on three reservoirs".to_owned(),
        Step::DipVolumes(n) => format!(
            "dip the volume of the {n} reservoirs of its runs that are known from a nameplate or a guess"
        ),
        Step::SampleRuns(n) => format!(
            "twice the precision in its {n} runs, as a sample before and after each would give"
        ),
    }
}

fn to_json(account: &CellAccount, section: &AnalysisSection) -> Value {
    let row = &account.coefficient;
    let shares = &account.shares;
    json!({
        "unit_id": row.unit_id.as_str(),
        "oil_type": row.oil_type.as_str(),
        "reference_oil_degc": section.reference_oil_degc,
        "reference_chamber_kpa": section.reference_chamber_kpa,
        "removal_per_pass": row.removal_per_pass,
        "lower_90": row.lower_90,
        "upper_90": row.upper_90,
        "new_run_lower_90": row.new_run_lower_90,
        "new_run_upper_90": row.new_run_upper_90,
        "basis": row.basis.as_str(),
        "n_runs": row.n_runs,
        "n_jobs": row.n_jobs,
        "separable": row.separable,
        "extrapolated": row.extrapolated,
        "shares": {"own": shares.own, "unit": shares.unit, "oil": shares.oil, "rest": shares.rest},
        "runs": account.runs.iter().map(run_to_json).collect::<Vec<_>>(),
        "narrowings": account.narrowings.iter().map(|narrowing| json!({
            "width_ratio": narrowing.width_ratio,
            "what": to_words(narrowing),
        })).collect::<Vec<_>>(),
    })
}

fn run_to_json(run: &RunAccount) -> Value {
    json!({
        "run_id": run.run_id.as_str(),
        "started_at": run.started_at.rfc3339(),
        "reservoir_id": run.reservoir_id.as_ref().map(|id| id.as_str()),
        "status": run.status.as_str(),
        "badly_mixed": run.badly_mixed,
        "dried_flow_lpm": run.dried_flow_lpm,
        "share": run.pooled.map(|one| one.share),
        "off_by_sd": run.pooled.map(|one| one.off_by_sd),
        "is_wild": run.pooled.map(|one| one.is_wild),
        "evidence": run.evidence,
    })
}
