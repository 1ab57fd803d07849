//! A reservoir whose runs imply more than all water per pass: its volume is likely wrong, or it mixes badly.

use std::collections::BTreeMap;

use drydown_removal::{Regime, RemovalRun, RunStatus};
use drydown_runs::Run;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// z for a one-sided 95 % bound.
const Z_95: f64 = 1.645;
/// A volume that is wrong is wrong for every run on it: this share of the reservoir's runs has to say so.
const SHARE_MIN: f64 = 0.5;

pub(super) const RULE: Rule = Rule {
    name: "volume_suspect",
    title: "registered volume doubtful",
    kind: Kind::Data,
    watches: "Reservoirs of whose runs at least half have a dried flow that exceeds the oil flow beyond their own interval (more than all the water per pass): the registered volume is too large, or only part of the oil passes the unit.",
    replay,
};

/// One run that tells a dried flow, against its oil flow.
struct Told<'a> {
    run: &'a Run,
    /// Dried flow over oil flow.
    ratio: f64,
    /// Above 1 beyond its own interval.
    is_too_much: bool,
}

/// What is known of one reservoir.
#[derive(Default)]
struct Known<'a> {
    told: Vec<Told<'a>>,
    n_badly_mixed: usize,
}

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut by_reservoir: BTreeMap<&str, Known<'_>> = BTreeMap::new();
    for run in case.runs {
        let fit = case
            .removal_runs
            .binary_search_by(|row| row.run_id.cmp(&run.run_id))
            .ok()
            .and_then(|idx| case.removal_runs.get(idx));
        let (Some(fit), Some(reservoir)) = (fit, &run.reservoir_id) else {
            continue;
        };
        let known = by_reservoir.entry(reservoir.as_str()).or_default();
        known.n_badly_mixed += usize::from(fit.regime == Some(Regime::TwoCompartments));
        known.told.extend(to_told(run, fit));
    }
    by_reservoir
        .into_iter()
        .filter_map(|(reservoir, known)| to_episode(reservoir, &known))
        .collect()
}

/// A run whose interval is closed: an open end is no evidence of how much was dried.
fn to_told<'a>(run: &'a Run, fit: &RemovalRun) -> Option<Told<'a>> {
    let flow = run.flow_lpm.filter(|flow| *flow > 0.0)?;
    let rate = fit.removal_rate_per_h.filter(|rate| *rate > 0.0)?;
    let (dried, se) = (fit.dried_flow_lpm?, fit.removal_rate_se?);
    (fit.status == RunStatus::Identified).then(|| Told {
        run,
        ratio: dried / flow,
        is_too_much: dried * (1.0 - Z_95 * se / rate).max(0.0) > flow,
    })
}

fn to_episode(reservoir: &str, known: &Known<'_>) -> Option<Episode> {
    let too_much: Vec<&Told<'_>> = known.told.iter().filter(|one| one.is_too_much).collect();
    if (too_much.len() as f64) < SHARE_MIN * known.told.len() as f64 {
        return None;
    }
    let first_seen = too_much.iter().map(|one| one.run.ended_at).min()?;
    let last_seen = too_much.iter().map(|one| one.run.ended_at).max()?;
    let largest = too_much.iter().max_by(|a, b| a.ratio.total_cmp(&b.ratio))?;
    let mut evidence = format!(
        "{} of {} took out more than all the water of the oil that passed, beyond the run's own interval (up to {:.2} times all of it, in {})",
        too_much.len(),
        if known.told.len() == 1 {
            "1 run that tells its rate".to_owned()
        } else {
            format!("{} runs that tell their rate", known.told.len())
        },
        largest.ratio,
        largest.run.run_id
    );
    let action = if known.n_badly_mixed > 0 {
        evidence.push_str(&format!(
            "; {} of its runs showed that only part of the oil passes the unit, which looks the same: the loop dries faster than the whole.",
            known.n_badly_mixed
        ));
        "Look at where suction and return sit before the volume is doubted: water that comes back within a day of the stop says bad mixing."
    } else if known.told.len() == 1 {
        evidence.push_str(
            ", so the registered volume looks too large, unless the run was on another reservoir.",
        );
        "Check that the run was on this reservoir; then dip or otherwise measure the oil volume and correct the register."
    } else {
        evidence.push_str(", so the registered volume looks too large.");
        "Dip or otherwise measure the oil volume and correct the register."
    };
    Some(Episode {
        subject: reservoir.to_owned(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen,
        last_seen,
        holds: true,
        evidence,
        action: action.to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rules::tests as fixture;
    use drydown_runs::history::Registers;

    fn run(unit: &str, day: f64) -> Run {
        let started_at = drydown_quantity::Stamp::from_seconds(1_780_000_000).plus_days(day);
        Run {
            reservoir_id: Some("R-1".into()),
            ended_at: started_at.plus_hours(20.0),
            hours: 20.0,
            flow_lpm: Some(100.0),
            ..fixture::run(unit, &started_at.rfc3339())
        }
    }

    fn fit(run: &Run, dried: f64, regime: Regime, status: RunStatus) -> RemovalRun {
        RemovalRun {
            run_id: run.run_id.clone(),
            unit_id: run.unit_id.clone(),
            oil_type: None,
            reservoir_id: run.reservoir_id.clone(),
            removal_rate_per_h: Some(0.5),
            removal_rate_se: Some(0.01),
            removal_rate_lower_90: None,
            removal_rate_upper_90: None,
            dried_flow_lpm: Some(dried),
            removal_per_pass: None,
            floor_ppm: None,
            floor_lower_90: None,
            floor_upper_90: None,
            capacity_kg_per_h: None,
            limited_by: None,
            regime: Some(regime),
            status,
            start_ppm: None,
            end_ppm: None,
            n_used: 10,
            n_points: 10,
            residual_phi: None,
            evidence: String::new(),
        }
    }

    /// The finding on runs of these dried flows (of 100 L/min pumped).
    fn found(rows: &[(f64, Regime, RunStatus)]) -> Option<Episode> {
        let runs: Vec<Run> = (0..rows.len()).map(|idx| run("U-1", idx as f64)).collect();
        let fits: Vec<RemovalRun> = runs
            .iter()
            .zip(rows)
            .map(|(run, (dried, regime, status))| fit(run, *dried, *regime, *status))
            .collect();
        let registers = Registers::default();
        let case = Case {
            removal_runs: &fits,
            ..fixture::case(&registers, &runs)
        };
        fixture::replayed("volume_suspect", &case)
            .into_iter()
            .next()
    }

    #[test]
    fn a_volume_is_doubted_where_its_runs_agree_that_too_much_was_dried() {
        use Regime::FirstOrder;
        use RunStatus::{Identified, OneSided};
        let two = found(&[
            (140.0, FirstOrder, Identified),
            (130.0, FirstOrder, Identified),
        ])
        .unwrap();
        assert!(two.evidence.contains("2 of 2 runs"), "{}", two.evidence);
        assert!(two.evidence.contains("1.40 times"), "{}", two.evidence);
        assert!(two.action.starts_with("Dip"), "{}", two.action);
        let one = found(&[(140.0, FirstOrder, Identified)]).unwrap();
        assert!(one.action.contains("on this reservoir"), "{}", one.action);
        // One run of five says more of that run than of the volume; an open end says nothing.
        let mut five = [(60.0, FirstOrder, Identified); 5];
        five[2].0 = 300.0;
        assert!(found(&five).is_none());
        assert!(found(&[(17_000.0, FirstOrder, OneSided)]).is_none());
        assert!(found(&[(60.0, FirstOrder, Identified)]).is_none());
    }

    #[test]
    fn where_the_reservoir_is_known_to_mix_badly_that_is_said_and_not_the_register() {
        let episode = found(&[
            (140.0, Regime::FirstOrder, RunStatus::Identified),
            (120.0, Regime::TwoCompartments, RunStatus::Identified),
        ])
        .unwrap();
        assert!(
            episode.evidence.contains("1 of its runs showed"),
            "{}",
            episode.evidence
        );
        assert!(
            !episode.evidence.contains("too large"),
            "{}",
            episode.evidence
        );
        assert!(!episode.action.contains("register"), "{}", episode.action);
    }
}
