//! What the demo says at its end.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Result;
use drydown_findings::FindingState;
use drydown_pumps::{LimitStanding, PumpState};
use drydown_removal::{Basis, RemovalCoefficient};
use drydown_report::FileLoad;
use serde_json::json;

use super::answers::Answers;

/// The summary as text.
pub(super) fn render(answers: &Answers<'_>, folder: &Path) -> String {
    let mut out =
        String::from("drydown demo: an invented fleet, from its exports to what to do next\n\n");
    out.push_str(&rows_and_runs(answers));
    out.push_str(&coefficients(answers));
    out.push_str(&pumps(answers));
    out.push_str(&reservoirs(answers));
    let count = |state| {
        answers
            .findings
            .iter()
            .filter(|row| row.state == state)
            .count()
    };
    let _ = writeln!(
        out,
        "\nfindings           {} new, {} open, {} cleared",
        count(FindingState::New),
        count(FindingState::Open),
        count(FindingState::Cleared)
    );
    out.push_str(&where_to_look(answers, folder));
    out.push_str(
        "\nAdvice from records, never an interlock. Hot oil, vacuum, electricity and insulating oil\ncan hurt: local codes and licensed practice come first.\n",
    );
    out
}

fn total(answers: &Answers<'_>, of: fn(&FileLoad) -> i64) -> i64 {
    answers.loads.iter().map(of).sum()
}

fn rows_and_runs(answers: &Answers<'_>) -> String {
    let told = answers
        .removal_runs
        .values()
        .filter(|row| row.removal_rate_per_h.is_some())
        .count();
    format!(
        "rows read          {} in {} files\n                   {} kept, {} duplicate, {} rejected\nruns               {}, of which {told} tell a removal rate\n",
        total(answers, |l| l.rows_in),
        answers.loads.len(),
        total(answers, |l| l.rows_kept),
        total(answers, |l| l.rows_duplicate),
        total(answers, |l| l.rows_rejected),
        answers.runs.len()
    )
}

fn coefficients(answers: &Answers<'_>) -> String {
    let mut out = String::from(
        "\nremoval per pass at 65 °C, 20 kPa abs (90 % interval of the long-run mean)\n",
    );
    let (best, worst) = extremes(&answers.coefficients);
    for (word, rows) in [("best", best), ("worst", worst)] {
        for row in rows {
            let _ = writeln!(
                out,
                "  {word:<6} {:<8} {:<22} {:.2}  ({:.2} to {:.2}), {} runs",
                row.unit_id,
                row.oil_type,
                row.removal_per_pass.unwrap_or(f64::NAN),
                row.lower_90.unwrap_or(f64::NAN),
                row.upper_90.unwrap_or(f64::NAN),
                row.n_runs
            );
        }
    }
    out
}

fn pumps(answers: &Answers<'_>) -> String {
    let mut out = String::from("\nvacuum pumps in alert or alarm\n");
    let rows = weak_pumps(answers);
    if rows.is_empty() {
        out.push_str("  none\n");
    }
    for row in rows {
        let limit = row.limit_as_of(answers.context.as_of);
        let days = match (
            limit.standing,
            limit.p10,
            limit.p90,
            limit.p10_at.zip(limit.p90_at),
        ) {
            (LimitStanding::Ahead, Some(p10), Some(p90), Some((from, to))) => format!(
                "limit in {p10:.0} to {p90:.0} days (80 %): {} to {}",
                from.day(),
                to.day()
            ),
            _ => limit
                .said()
                .unwrap_or_else(|| "not getting worse".to_owned()),
        };
        let cause = row
            .cause
            .map_or("cause unknown", |cause| cause.as_str())
            .replace('_', " ");
        let _ = writeln!(out, "  {:<8} {:<6} {cause}, {days}", row.unit_id, row.state);
    }
    out
}

fn reservoirs(answers: &Answers<'_>) -> String {
    let horizon = answers.risks.first().map_or(0.0, |row| row.horizon_days);
    let mut out =
        format!("\nriskiest reservoirs (chances within {horizon:.0} days if no unit is sent)\n");
    let _ = writeln!(
        out,
        "  {:<16}{:<12}{:>11}{:>12}{:>13}{:>8}",
        "rank (90 %)", "reservoir", "water limit", "free water", "cleanliness", "acid"
    );
    let chance = |p: Option<f64>| p.map_or("–".to_owned(), |p| format!("{:.0} %", p * 100.0));
    for row in answers.risks.iter().take(5) {
        let rank = format!(
            "{} ({} to {})",
            row.rank, row.rank_lower_90, row.rank_upper_90
        );
        let _ = writeln!(
            out,
            "  {rank:<16}{:<12}{:>11}{:>12}{:>13}{:>8}",
            row.reservoir_id,
            chance(row.p_water_limit),
            chance(row.p_free_water),
            chance(row.p_cleanliness_limit),
            chance(row.p_acid_limit)
        );
    }
    out
}

fn where_to_look(answers: &Answers<'_>, folder: &Path) -> String {
    let mut out = String::from("\nwhere to look\n");
    for (what, path) in [
        ("report", "report-2026Q3/index.html"),
        ("mail", "mail"),
        ("store", "store"),
        ("truth", "truth"),
    ] {
        let _ = writeln!(out, "  {what:<8} {}", folder.join(path).display());
    }
    let dryable = answers.risks.iter().find(|row| {
        let register = answers.registers.reservoir(&row.reservoir_id);
        register.is_some_and(|r| r.paper_insulated != Some(true) && r.energised != Some(true))
    });
    if let Some(row) = dryable {
        let _ = writeln!(
            out,
            "  next     drydown --config {} size --reservoir {} --within 72",
            folder.join("drydown.toml").display(),
            row.reservoir_id
        );
    }
    out
}

/// The three best and worst cells that have runs of their own.
fn extremes(rows: &[RemovalCoefficient]) -> (Vec<&RemovalCoefficient>, Vec<&RemovalCoefficient>) {
    let mut own: Vec<&RemovalCoefficient> = rows
        .iter()
        .filter(|row| row.basis == Basis::Cell && row.removal_per_pass.is_some())
        .collect();
    own.sort_by(|a, b| {
        b.removal_per_pass
            .unwrap_or(0.0)
            .total_cmp(&a.removal_per_pass.unwrap_or(0.0))
    });
    let best: Vec<_> = own.iter().take(3).copied().collect();
    let worst: Vec<_> = own.iter().skip(3).rev().take(3).rev().copied().collect();
    (best, worst)
}

fn weak_pumps<'a>(answers: &'a Answers<'_>) -> Vec<&'a drydown_pumps::PumpHealth> {
    answers
        .pump_health
        .chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|rows| rows.last())
        .filter(|row| matches!(row.state, PumpState::Alert | PumpState::Alarm))
        .collect()
}

pub(super) fn render_json(answers: &Answers<'_>, folder: &Path) -> Result<String> {
    let (best, worst) = extremes(&answers.coefficients);
    let cell = |row: &&RemovalCoefficient| {
        json!({"unit_id": row.unit_id.as_str(), "oil_type": row.oil_type.as_str(), "removal_per_pass": row.removal_per_pass,
               "lower_90": row.lower_90, "upper_90": row.upper_90, "n_runs": row.n_runs})
    };
    let document = json!({
        "rows_in": total(answers, |l| l.rows_in),
        "rows_kept": total(answers, |l| l.rows_kept),
        "rows_duplicate": total(answers, |l| l.rows_duplicate),
        "rows_rejected": total(answers, |l| l.rows_rejected),
        "files": answers.loads.len(),
        "runs": answers.runs.len(),
        "best": best.iter().map(cell).collect::<Vec<_>>(),
        "worst": worst.iter().map(cell).collect::<Vec<_>>(),
        "pumps": weak_pumps(answers).iter().map(|row| json!({
            "unit_id": row.unit_id.as_str(), "state": row.state.as_str(), "cause": row.cause.map(|cause| cause.as_str()),
            "days_to_limit_p10": row.days_to_limit_p10, "days_to_limit_p90": row.days_to_limit_p90,
        })).collect::<Vec<_>>(),
        "reservoirs": answers.risks.iter().take(5).map(|row| json!({
            "reservoir_id": row.reservoir_id.as_str(), "rank": row.rank, "p_water_limit": row.p_water_limit, "p_free_water": row.p_free_water,
        })).collect::<Vec<_>>(),
        "report": folder.join("report-2026Q3/index.html"),
    });
    Ok(format!("{}\n", serde_json::to_string_pretty(&document)?))
}
