//! The account of a coefficient against what the pooling itself gives.

use drydown_quantity::{OilType, UnitId};

use super::account::{CellAccount, Step, account_cell};
use super::tests::{Found, Sim, as_fleet, found, plain, pool, simulate};
use super::*;

fn account(sim: &Sim, unit: &str, oil: &str) -> Option<CellAccount> {
    let pair = (&UnitId::from(unit), &OilType::from(oil));
    let config = FleetConfig::documented();
    account_cell(&as_fleet(&sim.runs), &sim.registers, &config, pair)
}

fn log_width(row: &RemovalCoefficient) -> f64 {
    (row.upper_90.unwrap() / row.lower_90.unwrap()).ln()
}

#[test]
fn shares_and_coefficient_are_those_of_the_pooling() {
    let sim = simulate(10, 4, 5);
    let pooled = pool(&sim);
    for row in pooled.coefficients.iter().take(12) {
        let account = account(&sim, row.unit_id.as_str(), row.oil_type.as_str()).unwrap();
        assert_eq!(&account.coefficient, row);
        let own: f64 = account
            .runs
            .iter()
            .filter_map(|run| Some(run.pooled?.share))
            .sum();
        assert!((own - account.shares.own).abs() < 1e-12);
        assert!((own.clamp(0.0, 1.0) - row.own_share).abs() < 1e-9);
        assert_eq!(account.runs.len() as i64, row.n_runs);
    }
    assert_eq!(account(&sim, "nobody", "oil-00"), None);
}

#[test]
fn a_run_moves_the_coefficient_by_its_share() {
    let sim = simulate(8, 3, 6);
    let row = pool(&sim)
        .coefficients
        .into_iter()
        .find(|row| row.n_runs >= 2)
        .unwrap();
    let (unit, oil) = (row.unit_id.as_str(), row.oil_type.as_str());
    let before = account(&sim, unit, oil).unwrap();
    let moved = before.runs.first().unwrap();
    let by = 0.02_f64;
    let mut other = simulate(8, 3, 6);
    let (fit, _) = other
        .runs
        .iter_mut()
        .find(|(fit, _)| fit.run_id == moved.run_id)
        .unwrap();
    for rate in [
        &mut fit.removal_rate_per_h,
        &mut fit.removal_rate_se,
        &mut fit.removal_rate_lower_90,
        &mut fit.removal_rate_upper_90,
        &mut fit.dried_flow_lpm,
    ] {
        *rate = rate.map(|value| value * by.exp());
    }
    let after = account(&other, unit, oil).unwrap();
    let log = |row: &RemovalCoefficient| row.removal_per_pass.unwrap().ln();
    let step = (log(&after.coefficient) - log(&before.coefficient)) / by;
    // The spreads are estimated anew, so the step is the share but for second-order terms.
    let share = moved.pooled.unwrap().share;
    assert!((step - share).abs() < 0.1 * share + 0.02, "{step} {share}");
}

#[test]
fn a_wild_run_is_called_wild_and_counts_for_little() {
    let mut sim = simulate(8, 3, 7);
    let row = pool(&sim)
        .coefficients
        .into_iter()
        .find(|row| row.n_runs >= 4)
        .unwrap();
    let (unit, oil) = (row.unit_id.as_str(), row.oil_type.as_str());
    let neighbour = sim
        .runs
        .iter()
        .find(|(fit, _)| fit.unit_id == row.unit_id && fit.oil_type.as_ref() == Some(&row.oil_type))
        .and_then(|(fit, _)| fit.reservoir_id.clone())
        .unwrap();
    sim.runs.push(found(Found {
        se: 0.05,
        reservoir: neighbour.as_str(),
        ..plain(unit, oil, 700.0, 1.0)
    }));
    let account = account(&sim, unit, oil).unwrap();
    let wild = account.runs.last().unwrap().pooled.unwrap();
    assert!(wild.is_wild && wild.off_by_sd > 3.0, "{wild:?}");
    let others: Vec<f64> = account
        .runs
        .iter()
        .filter_map(|run| run.pooled)
        .filter(|run| !run.is_wild)
        .map(|run| run.share)
        .collect();
    let mean = others.iter().sum::<f64>() / others.len() as f64;
    assert!(wild.share < 0.5 * mean, "{wild:?} {mean}");
}

/// Median standard error of a unit's runs.
fn usual_se(sim: &Sim, unit: &str) -> f64 {
    let own = sim
        .runs
        .iter()
        .filter(|(fit, _)| fit.unit_id.as_str() == unit);
    let ses: Vec<f64> = own
        .filter_map(|(fit, _)| Some(fit.removal_rate_se? / fit.removal_rate_per_h?))
        .collect();
    drydown_stats::robust::median(&ses).unwrap()
}

#[test]
fn what_a_run_more_would_give_is_what_it_gives() {
    let (mut ratios, mut misses) = (Vec::new(), Vec::new());
    for seed in 0..6 {
        let mut sim = simulate(16, 5, 20 + seed);
        let before = pool(&sim);
        let row = before
            .coefficients
            .iter()
            .find(|row| row.n_runs == i64::try_from(seed % 3).unwrap())
            .unwrap();
        let (unit, oil) = (row.unit_id.as_str(), row.oil_type.as_str());
        let account = account(&sim, unit, oil).unwrap();
        let said = account
            .narrowings
            .iter()
            .find(|narrowing| narrowing.step == Step::OneMoreRun)
            .unwrap()
            .width_ratio;
        let place = sim.registers.reservoirs.len();
        let mut new = sim.registers.reservoirs[0].clone();
        new.reservoir_id = format!("new-{place}").as_str().into();
        let id = new.reservoir_id.to_string();
        sim.registers.reservoirs.push(new);
        let level = row.removal_per_pass.unwrap().ln();
        sim.runs.push(found(Found {
            reservoir: &id,
            se: usual_se(&sim, unit),
            ..plain(unit, oil, 800.0, level)
        }));
        let after = pool(&sim);
        let found = after
            .coefficients
            .iter()
            .find(|other| other.unit_id == row.unit_id && other.oil_type == row.oil_type)
            .unwrap();
        let came = log_width(found) / log_width(row);
        // The spreads are estimated anew with the run; what was said took them as known.
        assert!(
            said < 1.0 && (came / said - 1.0).abs() < 0.25,
            "{seed}: {said} {came}"
        );
        ratios.push(said);
        misses.push((came / said).ln());
    }
    let mean = misses.iter().sum::<f64>() / misses.len() as f64;
    assert!(mean.abs() < 0.08, "{misses:?}");
    // Without a run of its own a cell gains most.
    assert!(ratios[0] < ratios[2] && ratios[3] < ratios[5], "{ratios:?}");
}

#[test]
fn volumes_that_are_guesses_are_worth_dipping() {
    let mut sim = simulate(8, 3, 9);
    for reservoir in &mut sim.registers.reservoirs {
        reservoir.volume_basis = Some(drydown_runs::history::VolumeBasis::Guess);
    }
    let row = pool(&sim)
        .coefficients
        .into_iter()
        .max_by_key(|row| row.n_runs)
        .unwrap();
    let account = account(&sim, row.unit_id.as_str(), row.oil_type.as_str()).unwrap();
    let dip = account
        .narrowings
        .iter()
        .find(|narrowing| matches!(narrowing.step, Step::DipVolumes(n) if n > 0))
        .unwrap();
    assert!(dip.width_ratio < 0.9, "{dip:?}");
    let ratios = account.narrowings.iter().map(|one| one.width_ratio);
    assert!(ratios.is_sorted());
}
