//! A sample of another reservoir filed under this one: what it may and may not do to the answers.

use drydown_quantity::ReservoirId;
use drydown_runs::history::{Registers, Sample, Site};
use drydown_stats::rng::{index, seeded};

use crate::nature::{Invented, People, invent};
use crate::world::{config, oil, plain_reservoir, sample};
use crate::{ReservoirRisk, assess, histories};

fn rows_of(fleet: &Invented, samples: &[Sample]) -> Vec<ReservoirRisk> {
    let known = histories(
        &fleet.registers,
        samples,
        &fleet.runs,
        &[],
        &[],
        fleet.as_of,
    );
    let mut rows = assess(&known, fleet.as_of, &config());
    rows.sort_by(|a, b| a.reservoir_id.cmp(&b.reservoir_id));
    rows
}

/// How often the level lies in its interval, and the Brier score of the water limit.
fn score(fleet: &Invented, rows: &[ReservoirRisk]) -> (f64, f64) {
    let (mut inside, mut brier) = (0.0, 0.0);
    for (row, future) in rows.iter().zip(&fleet.futures) {
        let (low, high) = (row.water_sample_lower_90, row.water_sample_upper_90);
        let holds = low.unwrap() <= future.level_ppm && future.level_ppm <= high.unwrap();
        inside += f64::from(u8::from(holds));
        let came = f64::from(u8::from(future.passes_limit));
        brier += (row.p_water_limit.unwrap() - came).powi(2);
    }
    let n = rows.len() as f64;
    (inside / n, brier / n)
}

#[test]
fn one_swapped_label_in_every_reservoir_wrecks_none() {
    let (mut clean, mut swapped) = ((0.0, 0.0), (0.0, 0.0));
    for seed in 300..304 {
        let fleet = invent(seed, 60);
        let mut rng = seeded(seed, "swap");
        let mut samples = fleet.samples.clone();
        // each reservoir gets one bottle of another, at the time of one of its own but the last
        for reservoir in &fleet.registers.reservoirs {
            let id = Some(&reservoir.reservoir_id);
            let own = |row: &&Sample| row.reservoir_id.as_ref() == id;
            let own: Vec<&Sample> = fleet.samples.iter().filter(own).collect();
            if own.len() < 4 {
                continue;
            }
            let place = own[index(&mut rng, own.len() - 1)];
            let mut bottle = fleet.samples[index(&mut rng, fleet.samples.len())].clone();
            bottle.sample_id = format!("swapped {}", bottle.sample_id);
            bottle.reservoir_id = id.cloned();
            bottle.taken_at = place.taken_at.map(|at| at.plus_days(1.0));
            samples.push(bottle);
        }
        let before = score(&fleet, &rows_of(&fleet, &fleet.samples));
        let after = score(&fleet, &rows_of(&fleet, &samples));
        clean = (clean.0 + before.0 / 4.0, clean.1 + before.1 / 4.0);
        swapped = (swapped.0 + after.0 / 4.0, swapped.1 + after.1 / 4.0);
    }
    println!("level held, Brier: without {clean:?}, with one swapped label each {swapped:?}");
    assert!(swapped.0 > clean.0 - 0.05, "{clean:?} {swapped:?}");
    assert!(swapped.1 < clean.1 + 0.02, "{clean:?} {swapped:?}");
}

/// A fleet of calm reservoirs; the first one's last samples are replaced by these.
fn calm(last: &[(f64, f64)]) -> ReservoirRisk {
    let mut fleet = Invented {
        registers: Registers {
            oils: vec![oil()],
            ..Registers::default()
        },
        samples: Vec::new(),
        runs: Vec::new(),
        as_of: "2026-06-01T00:00:00Z".parse().unwrap(),
        start: "2025-06-01T00:00:00Z".parse().unwrap(),
        futures: Vec::new(),
        kinds: Vec::new(),
        laws: People::default(),
    };
    fleet.registers.sites.push(Site {
        site_id: "S-1".into(),
        name: None,
        altitude_m: None,
        timezone: None,
    });
    for idx in 0..12 {
        let id = ReservoirId::from(format!("R-{idx:03}"));
        fleet
            .registers
            .reservoirs
            .push(plain_reservoir(id.as_str()));
        for n in 0..10 {
            let days_ago = 290.0 - 29.0 * f64::from(n);
            let ppm = 60.0 + 2.0 * f64::from(n) + 3.0 * (f64::from(n + idx) * 1.7).sin();
            let at = fleet.as_of.plus_days(-days_ago).plus_hours(0.4);
            fleet.samples.push(sample(&id, n as usize, at, ppm));
        }
        for (n, (days_ago, ppm)) in last.iter().enumerate().filter(|_| idx == 0) {
            let at = fleet.as_of.plus_days(-days_ago).plus_hours(0.6);
            fleet.samples.push(sample(&id, 100 + n, at, *ppm));
        }
    }
    rows_of(&fleet, &fleet.samples)[0].clone()
}

#[test]
fn a_wrong_bottle_is_doubted_and_a_second_like_it_believed() {
    let level = |row: &ReservoirRisk| row.water_sample_ppm.unwrap();
    let without = calm(&[]);
    let once = calm(&[(20.0, 900.0)]);
    let contradicted = calm(&[(20.0, 900.0), (10.0, 80.0)]);
    let repeated = calm(&[(20.0, 900.0), (10.0, 920.0)]);
    println!(
        "without {:?} once {:?} contradicted {:?} repeated {:?}",
        (level(&without), without.p_water_limit),
        (level(&once), once.p_water_limit),
        (level(&contradicted), contradicted.p_water_limit),
        (level(&repeated), repeated.p_water_limit),
    );
    assert!(
        level(&contradicted) < 1.2 * level(&without),
        "{contradicted:?}"
    );
    let p = |row: &ReservoirRisk| row.p_water_limit.unwrap();
    assert!(p(&contradicted) < p(&without) + 0.05, "{contradicted:?}");
    // one such bottle leaves both readings open, neither forgotten
    assert!(p(&once) > p(&without) + 0.02 && p(&once) < 0.98, "{once:?}");
    assert!(
        level(&repeated) > 600.0 && p(&repeated) > 0.95,
        "{repeated:?}"
    );
}
