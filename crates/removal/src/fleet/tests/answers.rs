//! What a fleet answers with few runs, wild ones, none, and in islands.

use super::*;

#[test]
fn every_pair_has_a_row_and_the_order_of_runs_does_not_matter() {
    let mut sim = simulate(6, 3, 42);
    let first = pool(&sim);
    assert_eq!(first.coefficients.len(), 18);
    sim.runs.reverse();
    assert!(first == pool(&sim), "order matters");
    for row in &first.coefficients {
        let (low, mid, high) = (
            row.lower_90.unwrap(),
            row.removal_per_pass.unwrap(),
            row.upper_90.unwrap(),
        );
        assert!(
            0.0 < low && low <= mid && mid <= high && high < 1.0,
            "{row:?}"
        );
        assert!(row.new_run_lower_90.unwrap() <= low && high <= row.new_run_upper_90.unwrap());
        assert_eq!(row.n_runs > 0, row.own_share > 0.0);
    }
}

fn registers(units: &[&str], oils: &[&str]) -> Registers {
    Registers {
        units: units.iter().map(|id| unit(id)).collect(),
        oils: oils.iter().map(|id| oil(id)).collect(),
        reservoirs: vec![
            reservoir("R-1", VolumeBasis::Dip),
            reservoir("R-2", VolumeBasis::Dip),
        ],
        ..Registers::default()
    }
}

#[test]
fn no_run_and_one_run_are_answers_too() {
    let registers = registers(&["U-1", "U-2"], &["a", "b"]);
    let none = pool_fleet(&[], &registers, &FleetConfig::documented());
    assert_eq!(none.coefficients.len(), 4);
    assert!(
        none.coefficients
            .iter()
            .all(|row| row.removal_per_pass.is_none() && row.basis == Basis::Fleet)
    );
    let (fit, run) = found(plain("U-1", "a", 0.0, -0.9));
    let one = [FleetRun {
        fit: &fit,
        run: &run,
        pump_indicator: None,
    }];
    let one = pool_fleet(&one, &registers, &FleetConfig::documented());
    let bases: Vec<Basis> = one.coefficients.iter().map(|row| row.basis).collect();
    assert_eq!(bases, [Basis::Cell, Basis::Unit, Basis::Oil, Basis::Fleet]);
    let own = &one.coefficients[0];
    assert!(
        own.lower_90.unwrap() < 0.407 && 0.407 < own.upper_90.unwrap(),
        "{own:?}"
    );
    let width = |idx: usize| {
        let row = &one.coefficients[idx];
        row.upper_90.unwrap() / row.lower_90.unwrap()
    };
    assert!(
        width(0) < width(1) && width(1) < width(3),
        "{} {} {}",
        width(0),
        width(1),
        width(3)
    );
    assert!(!own.separable && !own.extrapolated && own.n_jobs == 1);
}

#[test]
fn a_wild_run_does_not_move_its_cell() {
    let registers = registers(&["U-1", "U-2", "U-3"], &["a", "b"]);
    let mut rng = rng::seeded(5, "wild");
    let mut runs = Vec::new();
    for unit in ["U-1", "U-2", "U-3"] {
        for oil in ["a", "b"] {
            for day in 0..6 {
                let level = -1.0 + 0.1 * rng::standard_normal(&mut rng);
                runs.push(found(plain(unit, oil, f64::from(day) * 20.0, level)));
            }
        }
    }
    let pooled = |runs: &[(RemovalRun, Run)]| {
        let rows: Vec<FleetRun<'_>> = runs
            .iter()
            .map(|(fit, run)| FleetRun {
                fit,
                run,
                pump_indicator: None,
            })
            .collect();
        pool_fleet(&rows, &registers, &FleetConfig::documented())
    };
    let before = pooled(&runs).coefficients[0].removal_per_pass.unwrap();
    runs.push(found(plain("U-1", "a", 200.0, -4.0)));
    let after = pooled(&runs).coefficients[0].removal_per_pass.unwrap();
    println!("wild run: {before:.4} to {after:.4}");
    // The plain mean of seven would fall by a third.
    assert!((after / before).ln().abs() < 0.06, "{before} {after}");
}

#[test]
fn islands_of_units_and_oils_are_not_separable() {
    let registers = registers(&["U-1", "U-2", "U-3"], &["a", "b", "c"]);
    let runs: Vec<(RemovalRun, Run)> = [("U-1", "a"), ("U-1", "b"), ("U-2", "a"), ("U-3", "c")]
        .into_iter()
        .enumerate()
        .map(|(day, (unit, oil))| found(plain(unit, oil, day as f64 * 30.0, -1.0)))
        .collect();
    let rows: Vec<FleetRun<'_>> = runs
        .iter()
        .map(|(fit, run)| FleetRun {
            fit,
            run,
            pump_indicator: None,
        })
        .collect();
    let pooled = pool_fleet(&rows, &registers, &FleetConfig::documented());
    let separable: Vec<bool> = pooled
        .coefficients
        .iter()
        .map(|row| row.separable)
        .collect();
    assert_eq!(
        separable,
        [true, true, false, true, true, false, false, false, false]
    );
}

#[test]
fn cold_runs_are_marked_as_extrapolated_and_quarters_follow_the_runs() {
    let registers = registers(&["U-1"], &["a"]);
    let runs: Vec<(RemovalRun, Run)> = (0..8)
        .map(|idx| {
            let mut of = plain(
                "U-1",
                "a",
                f64::from(idx) * 45.0,
                if idx < 4 { -0.7 } else { -1.3 },
            );
            of.degc = 45.0;
            found(of)
        })
        .collect();
    let rows: Vec<FleetRun<'_>> = runs
        .iter()
        .map(|(fit, run)| FleetRun {
            fit,
            run,
            pump_indicator: None,
        })
        .collect();
    let pooled = pool_fleet(&rows, &registers, &FleetConfig::documented());
    assert!(pooled.coefficients[0].extrapolated);
    assert_eq!(pooled.coefficients[0].n_jobs, 8);
    let first = pooled.quarters.first().unwrap();
    let last = pooled.quarters.last().unwrap();
    assert!(
        first.removal_per_pass.unwrap() > last.removal_per_pass.unwrap(),
        "{:?}",
        pooled.quarters
    );
    assert_eq!(pooled.quarters.iter().map(|row| row.n_runs).sum::<i64>(), 8);
    assert_eq!(pooled.vapour_fractions.len(), 1);
}

#[test]
fn no_run_of_odd_numbers_spoils_the_fleet() {
    let odd = [f64::NAN, f64::INFINITY, -3.0, 0.0, 1e-12, 1e12];
    for seed in 0..40 {
        let mut sim = simulate(4, 3, seed);
        let mut rng = rng::seeded(seed, "odd");
        let n = sim.runs.len();
        for _ in 0..3 {
            let pick = |rng: &mut rng::Pcg64| odd[rng::index(rng, odd.len())];
            let (fit, run) = &mut sim.runs[rng::index(&mut rng, n)];
            match rng::index(&mut rng, 5) {
                0 => fit.dried_flow_lpm = Some(pick(&mut rng)),
                1 => fit.removal_rate_lower_90 = Some(pick(&mut rng)),
                2 => run.oil_degc = Some(pick(&mut rng)),
                3 => run.chamber_kpa = Some(pick(&mut rng)),
                _ => run.flow_lpm = Some(pick(&mut rng)),
            }
        }
        for row in pool(&sim).coefficients {
            let share = row.removal_per_pass.unwrap();
            assert!(share > 0.0 && share < 1.0, "seed {seed}: {row:?}");
            assert!(row.lower_90.unwrap() <= share && share <= row.upper_90.unwrap());
        }
    }
}
