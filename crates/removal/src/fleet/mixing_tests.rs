//! Runs on badly mixed reservoirs in the fleet, and the chamber gas where few floors are told.

use super::tests::{as_fleet, pool, simulate};
use super::*;
use crate::rows::Regime;

/// Where a third of one reservoir's runs show two compartments, the other two thirds (too fast by 1.6) hardly move
/// the cell they belong to; unmarked, they drag it along.
#[test]
fn runs_blind_to_the_mixing_that_others_show_hardly_count() {
    let mut shifts = [0.0, 0.0];
    for seed in 0..6 {
        let clean = simulate(8, 4, seed);
        let reservoir = clean.runs[0].0.reservoir_id.clone();
        let own = clean.runs[0].0.clone();
        let cell = |out: &FleetRemoval| {
            let row = out.coefficients.iter().find(|row| {
                row.unit_id == own.unit_id && Some(&row.oil_type) == own.oil_type.as_ref()
            });
            row.unwrap().removal_per_pass.unwrap()
        };
        let before = cell(&pool(&clean));
        for (place, mark) in [false, true].into_iter().enumerate() {
            let mut runs = clean.runs.clone();
            let of_it = runs
                .iter_mut()
                .filter(|(fit, _)| fit.reservoir_id == reservoir);
            for (idx, (fit, _)) in of_it.enumerate() {
                if idx % 3 == 1 && mark {
                    fit.regime = Some(Regime::TwoCompartments);
                }
                if idx % 3 != 1 {
                    for cell in [
                        &mut fit.removal_rate_per_h,
                        &mut fit.removal_rate_lower_90,
                        &mut fit.removal_rate_upper_90,
                        &mut fit.dried_flow_lpm,
                    ] {
                        *cell = cell.map(|value| 1.6 * value);
                    }
                }
            }
            let out = pool_fleet(
                &as_fleet(&runs),
                &clean.registers,
                &FleetConfig::documented(),
            );
            shifts[place] += (cell(&out) / before).ln().abs() / 6.0;
        }
    }
    println!(
        "badly mixed reservoir: cell moves {:.3} unmarked, {:.3} marked",
        shifts[0], shifts[1]
    );
    assert!(shifts[1] < 0.75 * shifts[0], "{shifts:?}");
}

/// Floors are told where they are high. Runs that end lower without telling one keep the pooled gas from following
/// the told ones alone.
#[test]
fn the_gas_does_not_follow_the_told_floors_alone() {
    let mut sim = simulate(4, 2, 1);
    for oil in &mut sim.registers.oils {
        (oil.solubility_a, oil.solubility_b_k) = (Some(7.34), Some(1705.0));
    }
    let gas = |sim: &super::tests::Sim| {
        let fractions = pool(sim).vapour_fractions;
        let n: i64 = fractions.iter().map(|row| row.n_runs).sum();
        let mean = fractions.iter().map(|row| row.log_mean).sum::<f64>() / fractions.len() as f64;
        (mean, n)
    };
    for (idx, (fit, _)) in sim.runs.iter_mut().enumerate() {
        (fit.floor_ppm, fit.end_ppm) = if idx % 8 == 0 {
            (Some(60.0), Some(70.0))
        } else {
            (None, Some(25.0))
        };
    }
    let (mixed, n) = gas(&sim);
    let n_told = sim.runs.len().div_ceil(8) as i64;
    assert_eq!(n, n_told);
    sim.runs.retain(|(fit, _)| fit.floor_ppm.is_some());
    let (alone, _) = gas(&sim);
    assert!(mixed < alone - 0.5, "{mixed} {alone}");
}
