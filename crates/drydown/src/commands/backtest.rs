//! `drydown backtest`: what would have been said at past month starts, and what came of it.
//!
//! In memory, from the rows of the last analysis: nothing is written. Samples reported later, runs
//! not yet ended and events not yet recorded are left out of each replay.

use std::fmt::Write as _;

use anyhow::Result;
use drydown_findings::{
    Case, FEWEST_EVENTS, Forecast, Score, forecast_weights, forecasts, last_sample_over_limit,
    score,
};
use drydown_quantity::Stamp;
use drydown_removal::RemovalRun;
use drydown_stats::scores::{
    ndcg, skill, weighted_auc, weighted_brier, weighted_calibration, weighted_mean,
};
use serde_json::{Value, json};

use super::answers::Answers;
use crate::cli::{BacktestArgs, Cli, Format};
use crate::config::Config;
use crate::jobs::{Past, replay};
use crate::output::{Progress, print_result};
use crate::usage::UsageError;

/// Month starts of one replay at most: ten years.
const MONTHS_MOST: usize = 120;

pub(super) fn run(cli: &Cli, arguments: &BacktestArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let store = super::open_store(&config)?;
    let answers = Answers::load(&store, &config)?;
    let times = month_starts(arguments, answers.context.as_of)?;
    let progress = Progress::new(cli.quiet);
    let step = progress.step(&format!("backtest: {} month starts", times.len()));
    let found = trial(&answers, &times)?;
    drop(step);
    print_result(&match cli.format {
        Format::Text => render(&found, &times),
        Format::Json => format!(
            "{}\n",
            serde_json::to_string_pretty(&to_json(&found, &times))?
        ),
    });
    Ok(0)
}

fn month_starts(arguments: &BacktestArgs, as_of: Stamp) -> Result<Vec<Stamp>> {
    let parse = |option: &str, text: &str| -> Result<Stamp> {
        text.parse().map_err(|_| {
            UsageError(format!(
                "{option}: found \"{text}\", expected a date such as 2026-01-01"
            ))
            .into()
        })
    };
    let (from, to) = (
        parse("--from", &arguments.from)?,
        parse("--to", &arguments.to)?,
    );
    let mut times = Vec::new();
    let mut at = to;
    loop {
        let start = at.month_start();
        if start < from || times.len() > MONTHS_MOST {
            break;
        }
        if start < as_of {
            times.push(start);
        }
        at = start.plus_hours(-1.0);
    }
    times.reverse();
    if times.is_empty() {
        return Err(UsageError(format!(
            "--from {} --to {}: no month begins there before the analysis of {}",
            from.day(),
            to.day(),
            as_of.day()
        ))
        .into());
    }
    if times.len() > MONTHS_MOST {
        return Err(UsageError(format!(
            "--from {} --to {}: found more than {MONTHS_MOST} months, expected fewer",
            from.day(),
            to.day()
        ))
        .into());
    }
    Ok(times)
}

/// The forecasts and how they came out.
struct Trial {
    forecasts: Vec<Forecast>,
    score: Option<Score>,
    /// Of the forecasts with a known outcome and a sample before them.
    paired: Paired,
}

/// Chances said, shares of the limit in the last sample, outcomes, and how many forecasts each stands for.
#[derive(Default)]
struct Paired {
    said: Vec<f64>,
    naive: Vec<f64>,
    happened: Vec<bool>,
    weights: Vec<f64>,
}

impl Paired {
    /// Brier scores: said, the overall share, the last sample as a share of the limit.
    fn briers(&self) -> Option<[f64; 3]> {
        let share = weighted_mean(&self.gains(), &self.weights)?;
        let base = vec![share; self.happened.len()];
        let naive: Vec<f64> = self
            .naive
            .iter()
            .map(|ratio| ratio.clamp(0.0, 1.0))
            .collect();
        Some([
            weighted_brier(&self.said, &self.happened, &self.weights)?,
            weighted_brier(&base, &self.happened, &self.weights)?,
            weighted_brier(&naive, &self.happened, &self.weights)?,
        ])
    }

    /// Chance that of two reservoirs, one of which got too wet, that one was ranked higher.
    fn ranks(&self) -> Option<[f64; 2]> {
        Some([
            weighted_auc(&self.said, &self.happened, &self.weights)?,
            weighted_auc(&self.naive, &self.happened, &self.weights)?,
        ])
    }

    /// 1 where the limit was passed.
    fn gains(&self) -> Vec<f64> {
        self.happened
            .iter()
            .map(|y| f64::from(u8::from(*y)))
            .collect()
    }

    /// Slope and intercept of the calibration line, and the intercept at slope 1, on the logit.
    fn calibration(&self) -> Option<[f64; 3]> {
        weighted_calibration(&self.said, &self.happened, &self.weights)
            .map(|fit| [fit.slope, fit.intercept, fit.in_the_large])
    }

    /// How high those that got too wet stand in the list, said and by the last sample (NDCG, gain 1).
    fn heights(&self) -> Option<[f64; 2]> {
        let gain = self.gains();
        Some([
            ndcg(&self.said, &gain, gain.len())?,
            ndcg(&self.naive, &gain, gain.len())?,
        ])
    }
}

fn trial(answers: &Answers<'_>, times: &[Stamp]) -> Result<Trial> {
    let context = &answers.context;
    let snapshots = replay(context, &Past::load(context)?, times)?;
    let fits: Vec<RemovalRun> = answers.removal_runs.values().cloned().collect();
    let samples = context.samples()?;
    let case = Case {
        as_of: context.as_of,
        registers: &answers.registers,
        runs: &answers.runs,
        removal_runs: &fits,
        pump_health: &answers.pump_health,
        pump_limit_kpa: context.config.analysis.pump_limit_kpa,
        sensor_checks: &answers.sensor_checks,
        lab_alarms: &[],
        samples: &samples,
        snapshots: &snapshots,
        last_heard: &[],
        sources: &[],
    };
    let forecasts = forecasts(&case);
    let mut paired = Paired::default();
    let asked: Vec<&Forecast> = forecasts
        .iter()
        .filter(|row| row.probability.is_some())
        .collect();
    for (row, weight) in asked.iter().zip(forecast_weights(&asked)) {
        if let (Some(p), Some(outcome), Some(ratio)) = (
            row.probability,
            row.outcome,
            last_sample_over_limit(&case, row),
        ) {
            paired.said.push(p);
            paired.naive.push(ratio);
            paired.happened.push(outcome > 0.5);
            paired.weights.push(weight);
        }
    }
    Ok(Trial {
        score: score(&forecasts).into_iter().next(),
        forecasts,
        paired,
    })
}

fn render(found: &Trial, times: &[Stamp]) -> String {
    let mut out = String::new();
    let span = |at: Option<&Stamp>| at.map_or(String::new(), |at| at.day().to_string());
    let _ = writeln!(
        out,
        "Will the reservoir pass its water limit, if no unit is sent?\n{} month starts, {} to {}, each from what was known then\n",
        times.len(),
        span(times.first()),
        span(times.last())
    );
    let Some(score) = &found.score else {
        out.push_str("no forecast could have been made: no reservoir had a limit and a sample\n");
        return out;
    };
    let n = found
        .forecasts
        .iter()
        .filter(|row| row.kind == score.kind)
        .count();
    for (what, n) in [
        ("forecasts", n),
        ("known outcome", score.n_due),
        ("  passed the limit", score.n_events),
        ("ended by a unit that was sent", score.n_treated),
        ("nobody looked", score.n_not_observed),
        ("not yet due", score.n_pending),
    ] {
        let _ = writeln!(out, "{what:<32}{n:>7}");
    }
    if !score.is_judged() {
        let _ = writeln!(
            out,
            "\ntoo few outcomes to judge: {} passed the limit, {FEWEST_EVENTS} are needed",
            score.n_events
        );
    }
    out.push_str(
        "\nA unit goes to what is wet, so known outcomes by themselves say too much came:\neach \
         counts for those like it, by the chance said, that a unit or nobody's look\nended before.\n",
    );
    out.push_str("\nchance said     forecasts   mean said   passed the limit\n");
    let share = |p: Option<f64>| p.map_or("–".to_owned(), |p| format!("{:.0} %", p * 100.0));
    for bin in &score.bins {
        let edges = format!("{:.0} to {:.0} %", bin.from * 100.0, bin.to * 100.0);
        let _ = writeln!(
            out,
            "{edges:<16}{:>9}{:>12}{:>19}",
            bin.n,
            share(bin.mean_probability),
            if bin.n > 0 && bin.observed_share.is_none() {
                "too few to judge".to_owned()
            } else {
                share(bin.observed_share)
            }
        );
    }
    out.push_str(&scores(&found.paired));
    out
}

fn scores(paired: &Paired) -> String {
    let Some([said, base, naive]) = paired.briers() else {
        return String::new();
    };
    let mut out = format!(
        "\nof the {} with a sample before them       this   last sample / limit   overall share\n",
        paired.said.len()
    );
    let _ = writeln!(
        out,
        "{:<38}{said:>8.3}{naive:>22.3}{base:>16.3}",
        "Brier score (0 is perfect)"
    );
    if let Some([own, naive]) = paired.ranks() {
        let _ = writeln!(
            out,
            "{:<38}{own:>8.3}{naive:>22.3}{:>16.3}",
            "ranks the wetter first (1 is always)", 0.5
        );
    }
    if let Some([own, naive]) = paired.heights() {
        let _ = writeln!(
            out,
            "{:<38}{own:>8.3}{naive:>22.3}",
            "lists the wet at the top (1 is best)"
        );
    }
    if let Some(skill) = skill(said, base) {
        let _ = writeln!(out, "{:<38}{skill:>8.2}", "skill against the overall share");
    }
    // a slope of 1 alone does not say that as much happened as was said
    if let Some(fit) = paired.calibration() {
        for (what, value) in [
            "calibration slope (1 is right)",
            "its intercept (0 is right)",
            "too high below 0, too low above it",
        ]
        .into_iter()
        .zip(fit)
        {
            let _ = writeln!(out, "{what:<38}{value:>8.2}");
        }
    }
    out
}

fn to_json(found: &Trial, times: &[Stamp]) -> Value {
    let briers = found.paired.briers();
    let ranks = found.paired.ranks();
    let heights = found.paired.heights();
    let calibration = found.paired.calibration();
    json!({
        "month_starts": times.iter().map(|at| at.rfc3339()).collect::<Vec<_>>(),
        "forecasts": found.forecasts.iter().filter(|row| row.probability.is_some()).map(|row| json!({
            "subject": row.subject,
            "made_at": row.made_at.rfc3339(),
            "probability": row.probability,
            "outcome": row.outcome,
            "ended_by": row.ended_by.map(|end| end.as_str()),
        })).collect::<Vec<_>>(),
        "n_paired": found.paired.said.len(),
        "brier": briers.map(|all| all[0]),
        "brier_overall_share": briers.map(|all| all[1]),
        "brier_last_sample": briers.map(|all| all[2]),
        "auc": ranks.map(|all| all[0]),
        "auc_last_sample": ranks.map(|all| all[1]),
        "ndcg": heights.map(|all| all[0]),
        "ndcg_last_sample": heights.map(|all| all[1]),
        "calibration_slope": calibration.map(|all| all[0]),
        "calibration_intercept": calibration.map(|all| all[1]),
        "calibration_in_the_large": calibration.map(|all| all[2]),
    })
}
