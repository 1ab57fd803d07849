//! Reservoirs likely too wet: which of them ask for action, and what is advised.

use drydown_quantity::Stamp;
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::history::Registers;

use super::{case, replayed};
use crate::case::{Case, Snapshot};
use crate::episode::Episode;
use crate::rows::Severity;

fn risk(rank: i64, p_water_limit: f64, p_free_water: f64) -> ReservoirRisk {
    ReservoirRisk {
        reservoir_id: format!("R-{rank:02}").as_str().into(),
        rank,
        rank_lower_90: 1,
        rank_upper_90: 30,
        risk: p_free_water + 0.5 * p_water_limit,
        p_water_limit: Some(p_water_limit),
        p_free_water: Some(p_free_water),
        p_cleanliness_limit: None,
        p_acid_limit: None,
        expected_excess_ppm_days: None,
        ingress_g_per_h: None,
        ingress_lower_90: None,
        ingress_upper_90: None,
        water_sample_ppm: None,
        water_sample_lower_90: None,
        water_sample_upper_90: None,
        water_all_ppm: None,
        driver: "Mostly free water".to_owned(),
        next_sample_by: None,
        horizon_days: 60.0,
        n_samples: 4,
        n_run_ends: 0,
        water_limit_ppm: Some(200.0),
        water_limit_is_default: false,
    }
}

fn found(risks: Vec<ReservoirRisk>) -> Vec<Episode> {
    let registers = Registers::default();
    let as_of: Stamp = "2026-10-01".parse().unwrap();
    let snapshots = [Snapshot {
        as_of,
        risks,
        coefficients: Vec::new(),
        quarters: Vec::new(),
    }];
    let case = Case {
        snapshots: &snapshots,
        ..case(&registers, &[])
    };
    replayed("reservoir_wet", &case)
}

#[test]
fn of_many_wet_reservoirs_the_first_by_rank_ask_for_action() {
    // A cold fleet: free water nearly certain in 40 of 41.
    let mut risks: Vec<ReservoirRisk> = (1..=40).map(|rank| risk(rank, 0.2, 0.99)).collect();
    risks.push(risk(41, 0.1, 0.2));
    let episodes = found(risks);
    assert_eq!(episodes.len(), 40);
    let acts: Vec<&str> = episodes
        .iter()
        .filter(|episode| episode.severity == Severity::Act)
        .map(|episode| episode.subject.as_str())
        .collect();
    assert_eq!(acts.len(), 10);
    assert_eq!((acts[0], acts[9]), ("R-01", "R-10"));
    let first = &episodes[0];
    assert!(
        first
            .evidence
            .starts_with("Rank 1 of 41 by risk (90 %: 1 to 30). "),
        "{}",
        first.evidence
    );
    assert!(
        first.action.ends_with("and plan a unit."),
        "{}",
        first.action
    );
    assert!(
        episodes[10]
            .action
            .contains("after those that rank before it")
    );
}

#[test]
fn a_first_rank_alone_asks_for_nothing() {
    let severities = |p: f64| -> Vec<Severity> {
        found(vec![risk(1, p, 0.1)])
            .iter()
            .map(|episode| episode.severity)
            .collect()
    };
    assert_eq!(severities(0.9), [Severity::Act]);
    assert_eq!(severities(0.7), [Severity::Watch]);
    assert_eq!(severities(0.3), [Severity::Info; 0]);
}

#[test]
fn settled_water_is_drained_where_there_is_some() {
    let told = |p_free_water: Option<f64>, all_ppm: f64| {
        let row = ReservoirRisk {
            p_free_water,
            water_sample_ppm: Some(150.0),
            water_all_ppm: Some(all_ppm),
            ..risk(1, 0.9, 0.8)
        };
        found(vec![row])[0].action.clone()
    };
    for (p_free_water, all_ppm, expected) in [
        (
            Some(0.99),
            400.0,
            "Drain settled water, find where water gets in, and plan a unit.",
        ),
        (None, 400.0, "Drain settled water"),
        // It may shed water when cold, and holds none now.
        (
            Some(0.99),
            150.0,
            "Keep it warm, or dry it before it gets cold",
        ),
        (None, 150.0, "Look at the bottom first"),
        (
            Some(0.09),
            150.0,
            "Find where water gets in, and plan a unit.",
        ),
    ] {
        let action = told(p_free_water, all_ppm);
        assert!(action.starts_with(expected), "{action}");
    }
    let dirty = ReservoirRisk {
        p_cleanliness_limit: Some(0.99),
        ..risk(1, 0.9, 0.1)
    };
    assert!(found(vec![dirty])[0].action.contains("Filter it as well"));
}
