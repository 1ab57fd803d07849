//! Runs of which nothing says on which reservoir they were: most often a deployment that nobody entered.

use drydown_quantity::SiteId;
use drydown_runs::Run;
use drydown_runs::history::{Deployment, Site};

use super::{Rule, before_commissioning};
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// The flag that the stage `runs` gives them.
const FLAG: &str = "no_reservoir";
/// Days for which people remember where a unit was (common practice, no source).
const REMEMBERED_DAYS: f64 = 31.0;
/// Runs named in one sentence; the others are counted.
const NAMED_MOST: usize = 3;
/// A difference of altitude from which the wrong barometer shows: 100 m are 1.2 kPa near sea level
/// (ISO 2533).
const ALTITUDE_M: f64 = 100.0;

pub(super) const RULE: Rule = Rule {
    name: "no_reservoir",
    title: "runs on a reservoir not known",
    kind: Kind::Data,
    watches: "Runs of which neither a deployment nor the log names the reservoir: they tell nothing of any reservoir, and gauge pressures in them are read with the barometer of the unit's home.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    // Where the clock was wrong, no deployment would help: that is told by a rule of its own.
    let earliest = before_commissioning::earliest(case);
    let is_dated = |run: &&Run| earliest.is_none_or(|from| run.started_at >= from);
    let lost: Vec<&Run> = case
        .runs
        .iter()
        .filter(is_dated)
        .filter(|run| is_lost(run))
        .collect();
    if lost.is_empty() {
        return Vec::new();
    }
    if lost.len() == case.runs.len() && case.registers.deployments.is_empty() {
        // A fleet that names no reservoir anywhere: one thing to mend, not one for each unit.
        return whole_fleet(&lost).into_iter().collect();
    }
    lost.chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|runs| to_episode(case, runs))
        .collect()
}

fn is_lost(run: &Run) -> bool {
    run.flags.iter().any(|flag| flag == FLAG)
}

fn whole_fleet(lost: &[&Run]) -> Option<Episode> {
    Some(Episode {
        subject: "fleet".to_owned(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen: lost.iter().map(|run| run.ended_at).min()?,
        last_seen: lost.iter().map(|run| run.ended_at).max()?,
        holds: true,
        evidence: format!(
            "No run names its reservoir ({} runs), and there is no register of deployments: no reservoir can be judged from the units' runs.",
            lost.len()
        ),
        action: "Add the register of deployments (unit, reservoir, from, to) as a source, or map the log's reservoir column.".to_owned(),
    })
}

fn to_episode(case: &Case<'_>, runs: &[&Run]) -> Option<Episode> {
    let (first, last) = (runs.first()?, runs.last()?);
    let far: Vec<(&Run, &Site, &Site)> = runs
        .iter()
        .filter_map(|run| far_from_home(case, run))
        .collect();
    let is_recent = case.as_of.days_after(last.ended_at) <= REMEMBERED_DAYS;
    // The latest first: somebody may still know where that was.
    let named: Vec<String> = runs
        .iter()
        .rev()
        .take(NAMED_MOST)
        .map(|run| describe(case, run))
        .collect();
    let more = match runs.len() - named.len() {
        0 => String::new(),
        n => format!("; and {n} more since {}", first.started_at.day()),
    };
    let barometer = far.last().map_or_else(String::new, |(_, there, home)| {
        format!(
            " In {} of them the deployment before or after is at {} ({:.0} m), but the barometer is that of {} ({:.0} m): where none was logged, gauge pressures may be wrong by the difference, or were kept out.",
            far.len(),
            there.site_id,
            there.altitude_m.unwrap_or_default(),
            home.site_id,
            home.altitude_m.unwrap_or_default(),
        )
    });
    Some(Episode {
        subject: first.unit_id.to_string(),
        severity: if is_recent || !far.is_empty() {
            Severity::Watch
        } else {
            Severity::Info
        },
        onset_at: Some(first.started_at),
        first_seen: first.ended_at,
        last_seen: last.ended_at,
        holds: true,
        evidence: format!(
            "{} on a reservoir that neither deployment nor log names: {}{more}.{barometer}",
            if runs.len() == 1 {
                "One run was".to_owned()
            } else {
                format!("{} runs were", runs.len())
            },
            named.join("; "),
        ),
        action: if far.is_empty() {
            "Enter the missing deployments (unit, reservoir, from, to), ingest the register and analyse again."
        } else {
            "Enter the missing deployments (unit, reservoir, from, to), then take the unit's log again with `drydown ingest --again SOURCE`: pressures that were kept out do not come back otherwise."
        }
        .to_owned(),
    })
}

/// `2026-01-05 to 2026-01-09 (after R-2, before R-7)`.
fn describe(case: &Case<'_>, run: &Run) -> String {
    let (before, after) = neighbours(case, run);
    let name = |row: Option<&Deployment>| {
        row.and_then(|row| row.reservoir_id.as_ref())
            .map(ToString::to_string)
    };
    let between: Vec<String> = [("after", name(before)), ("before", name(after))]
        .into_iter()
        .filter_map(|(word, id)| Some(format!("{word} {}", id?)))
        .collect();
    let between = if between.is_empty() {
        String::new()
    } else {
        format!(" ({})", between.join(", "))
    };
    format!(
        "{} to {}{between}",
        run.started_at.day(),
        run.ended_at.day()
    )
}

/// The unit's deployments before and after the run.
fn neighbours<'a>(case: &Case<'a>, run: &Run) -> (Option<&'a Deployment>, Option<&'a Deployment>) {
    let rows = case.registers.deployments_of(&run.unit_id);
    let next = rows.partition_point(|row| row.from_at <= run.started_at);
    (
        next.checked_sub(1).and_then(|idx| rows.get(idx)),
        rows.get(next),
    )
}

/// The site of a deployment beside the run, and the site whose barometer was taken, where they
/// differ enough in altitude.
fn far_from_home<'a>(case: &Case<'a>, run: &'a Run) -> Option<(&'a Run, &'a Site, &'a Site)> {
    let registers = case.registers;
    let site = |row: &Deployment| -> Option<SiteId> {
        let reservoir = registers.reservoir(row.reservoir_id.as_ref()?)?;
        reservoir.site_id.clone()
    };
    let taken = registers.site_of_unit_at(&run.unit_id, run.started_at)?;
    let (before, after) = neighbours(case, run);
    [before, after]
        .into_iter()
        .flatten()
        .filter_map(|row| registers.site(&site(row)?))
        .find(|there| {
            there
                .altitude_m
                .zip(taken.altitude_m)
                .is_some_and(|(a, b)| (a - b).abs() > ALTITUDE_M)
        })
        .map(|there| (run, there, taken))
}
