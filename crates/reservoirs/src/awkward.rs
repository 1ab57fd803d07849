//! Reservoirs of which something is missing or strange in every combination: each gets an answer or a
//! named reason, and finite numbers.

use drydown_quantity::{OilType, ReservoirId};
use drydown_runs::history::{Censor, ReservoirAction, ReservoirEvent};

use crate::ReservoirRisk;
use crate::world::{Making, World, run, sample, world};

/// What may be strange of one reservoir.
const HABITS: [fn(&mut World, &ReservoirId, usize); 9] = [
    |world, id, _| {
        world
            .samples
            .retain(|row| row.reservoir_id.as_ref() != Some(id));
    },
    |world, id, _| {
        world
            .runs
            .retain(|row| row.reservoir_id.as_ref() != Some(id));
    },
    // nothing but bounds
    |world, id, _| {
        let own = world.samples.iter_mut();
        for row in own.filter(|row| row.reservoir_id.as_ref() == Some(id)) {
            row.water_censor = Some(Censor::Below);
        }
    },
    // another laboratory, the same day, five times as much; and one of the future
    |world, id, n| {
        let at = world.as_of.plus_days(-9.0);
        for (k, (at, ppm)) in [(at, 60.0), (at, 300.0), (world.as_of.plus_days(3.0), 9e4)]
            .into_iter()
            .enumerate()
        {
            let mut row = sample(id, 90_000 + 10 * n + k, at, ppm);
            row.lab = format!("other-{k}");
            world.samples.push(row);
        }
    },
    // days, not times, and water that no number tells
    |world, id, _| {
        let own = world.samples.iter_mut();
        for row in own.filter(|row| row.reservoir_id.as_ref() == Some(id)) {
            row.taken_at = row.taken_at.map(|at| at.day().start());
            if row.water_ppm.is_some_and(|ppm| ppm > 150.0) {
                row.water_ppm = None;
            }
        }
    },
    |world, _, n| world.registers.reservoirs[n].volume_l = Some(0.0),
    |world, _, n| world.registers.reservoirs[n].oil_type = Some(OilType::from("unheard-of")),
    // another oil in the middle of its history, of zero water
    |world, id, _| {
        world.registers.reservoir_events.push(ReservoirEvent {
            reservoir_id: id.clone(),
            at: world.as_of.plus_days(-100.0),
            action: ReservoirAction::OilChange,
            volume_l: Some(0.0),
            oil_type: Some(OilType::from("unheard-of")),
            water_ppm: Some(0.0),
            note: None,
        });
    },
    // a run of no time that ends at nothing
    |world, id, n| {
        let at = world.as_of.plus_days(-4.0);
        world
            .runs
            .push(run(id, 90_000 + n, (at, at), (5000.0, 0.0)));
    },
];

fn check(row: &ReservoirRisk, what: &str) {
    let said = row.p_water_limit.is_some() && row.water_sample_ppm.is_some();
    assert!(said || row.driver.len() > 20, "{what}: {row:?}");
    for p in [row.p_water_limit, row.p_free_water] {
        assert!(
            p.is_none_or(|p| (0.0..=1.0).contains(&p)),
            "{what}: {row:?}"
        );
    }
    let numbers = [
        row.ingress_g_per_h,
        row.ingress_lower_90,
        row.ingress_upper_90,
        row.water_sample_ppm,
        row.water_sample_lower_90,
        row.water_sample_upper_90,
        row.water_all_ppm,
        row.expected_excess_ppm_days,
        Some(row.risk),
    ];
    let finite = numbers.iter().flatten().all(|x| x.is_finite());
    assert!(finite, "{what}: {row:?}");
    let ends = [
        (row.ingress_lower_90, row.ingress_g_per_h),
        (row.ingress_g_per_h, row.ingress_upper_90),
        (row.water_sample_lower_90, row.water_sample_ppm),
        (row.water_sample_ppm, row.water_sample_upper_90),
    ];
    for (low, high) in ends {
        assert!(low <= high, "{what}: {row:?}");
    }
}

#[test]
fn every_pair_of_awkward_habits_gets_an_answer_or_a_reason() {
    let n = HABITS.len();
    let mut world = world(Making {
        seed: 21,
        n: n * n,
        unrest: 0.3,
        informative: false,
        moving: true,
    });
    for pair in 0..n * n {
        let id = world.registers.reservoirs[pair].reservoir_id.clone();
        for habit in [pair / n, pair % n] {
            HABITS[habit](&mut world, &id, pair);
        }
    }
    world
        .registers
        .reservoir_events
        .sort_by(|a, b| (&a.reservoir_id, a.at).cmp(&(&b.reservoir_id, b.at)));
    let rows = world.rows();
    assert_eq!(rows.len(), n * n);
    for (pair, row) in rows.iter().enumerate() {
        check(row, &format!("habits {} and {}", pair / n, pair % n));
    }
    // what nobody can know changes nothing
    let future = rows.iter().filter_map(|row| row.water_sample_ppm);
    assert!(future.fold(0.0, f64::max) < 2e4);
}
