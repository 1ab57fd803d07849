//! What capped runs set, and what they must not set.

use super::tests::{Sim, pool, simulate};
use crate::rows::Regime;

/// Every unit with a pump of 30 m3/h, which takes about 2.1 kg/h at 20 kPa half of it vapour.
fn fleet() -> Sim {
    let mut sim = simulate(8, 4, 3);
    for unit in &mut sim.registers.units {
        unit.vacuum_pump_m3h = Some(30.0);
    }
    sim
}

fn cap(sim: &mut Sim, idx: usize, kg_per_h: f64) {
    let fit = &mut sim.runs[idx].0;
    fit.capacity_kg_per_h = Some(kg_per_h);
    fit.regime = Some(Regime::Mixed);
}

#[test]
fn without_a_capped_run_there_is_no_capacity() {
    assert!(pool(&fleet()).capacities.is_empty());
}

#[test]
fn one_capped_run_moves_its_unit_and_leaves_the_fleet_in_doubt() {
    let mut sim = fleet();
    cap(&mut sim, 0, 1.2);
    let own = sim.runs[0].0.unit_id.clone();
    let pooled = pool(&sim).capacities;
    assert_eq!(pooled.len(), 8);
    let of_own = pooled.iter().find(|row| row.unit_id == own).unwrap();
    let other = pooled.iter().find(|row| row.unit_id != own).unwrap();
    assert!(
        (1.15..1.7).contains(&of_own.capacity_kg_per_h),
        "{of_own:?}"
    );
    // The others stay nearer to what their pumps can take, and are known less well.
    assert!(
        other.capacity_kg_per_h > of_own.capacity_kg_per_h,
        "{other:?}"
    );
    assert!(
        other.log_sd > 0.45 && other.log_sd > of_own.log_sd,
        "{other:?}"
    );
}

#[test]
fn many_capped_runs_are_believed() {
    let mut sim = fleet();
    for idx in 0..sim.runs.len() {
        if idx % 3 == 0 {
            cap(&mut sim, idx, 1.2);
        }
    }
    for row in pool(&sim).capacities {
        assert!((1.1..1.4).contains(&row.capacity_kg_per_h), "{row:?}");
        assert!(row.log_sd < 0.5, "{row:?}");
    }
}

#[test]
fn a_cap_that_other_runs_surpass_is_none() {
    let mut sim = fleet();
    // Each run of this fleet takes out some 0.6 kg/h at its start.
    cap(&mut sim, 0, 0.05);
    assert!(pool(&sim).capacities.is_empty());
}
