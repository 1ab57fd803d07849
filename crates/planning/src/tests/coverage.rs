//! How often the hours and the floors hold what they say.

use super::*;

#[test]
fn a_doubtful_floor_is_not_called_infeasible() {
    let oil = oil();
    let job = job(&oil, 1000.0, 400.0, 30.0);
    let unit = unit("U-1", "only", 20.0);
    let coefficient = coefficient("U-1", 0.5, (0.4, 0.6));
    let vapour = vapour("U-1", 30.0, 0.8);
    let candidate = Candidate {
        unit: &unit,
        coefficient: Some(&coefficient),
        capacity: None,
        vapour: Some(&vapour),
        temperature_slope: None,
    };
    let row = size(&job, &[candidate], &config())
        .rows
        .into_iter()
        .next()
        .unwrap();
    assert_eq!(row.verdict, Verdict::NotShownFeasible, "{row:?}");
    assert!(
        row.note.starts_with("not shown feasible: floor 1") && row.note.contains("ppm"),
        "{}",
        row.note
    );
    assert!(row.hours_p10.is_some() && row.hours_p90.is_none());
}

fn true_hours(share: f64, volume_l: f64, start: f64, target: f64, floor: f64) -> f64 {
    let rate = share * 20.0 * GALLON_L * 60.0 / volume_l;
    let (mut water, mut hours) = (start, 0.0);
    while water > target && hours < 1e4 {
        water -= rate * (water - floor) * 0.002;
        hours += 0.002;
    }
    if water > target { f64::INFINITY } else { hours }
}

#[test]
fn hours_of_new_runs_fall_between_their_ends_as_often_as_said() {
    let oil = oil();
    let unit = unit("U-1", "only", 20.0);
    let (n_jobs, n_past) = (400, 10);
    let (mut held, mut below) = (0, 0);
    for idx in 0..n_jobs {
        let mut rng = rng::seeded(7, &format!("job {idx}"));
        let z = rng::standard_normals(&mut rng, n_past + 6);
        let (cell, run_sd) = (-0.9 + 0.2 * z[0], 0.15);
        // Ten past runs, the textbook interval of the next one.
        let past: Vec<f64> = z[6..].iter().map(|z| cell + run_sd * z).collect();
        let mean = past.iter().sum::<f64>() / n_past as f64;
        let sd =
            (past.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (n_past - 1) as f64).sqrt();
        let half = normal::student_t_quantile(0.95, (n_past - 1) as f64)
            * sd
            * (1.0 + 1.0 / n_past as f64).sqrt();
        let coefficient = coefficient(
            "U-1",
            mean.exp(),
            ((mean - half).exp(), (mean + half).exp()),
        );
        let vapour = vapour("U-1", 20.0, 0.5);
        let mut job = job(&oil, 1000.0, 600.0, 100.0);
        (job.volume_log_sd, job.start_log_sd) = (0.10, 0.10);
        let candidate = Candidate {
            unit: &unit,
            coefficient: Some(&coefficient),
            capacity: None,
            vapour: Some(&vapour),
            temperature_slope: None,
        };
        let row = size(
            &job,
            &[candidate],
            &PlanningConfig {
                seed: idx,
                ..config()
            },
        )
        .rows
        .into_iter()
        .next()
        .unwrap();
        let hours = true_hours(
            (cell + run_sd * z[1]).exp(),
            job.volume_l * (0.10 * z[2]).exp(),
            600.0 * (0.10 * z[3]).exp(),
            100.0,
            20.0 * (0.5 * z[4]).exp(),
        );
        let (low, high) = (
            row.hours_p10.unwrap(),
            row.hours_p90.unwrap_or(f64::INFINITY),
        );
        held += i32::from(low <= hours && hours <= high);
        below += i32::from(hours < low);
    }
    let coverage = f64::from(held) / n_jobs as f64;
    println!("hours: {coverage:.3} of new runs between P10 and P90, {below} of {n_jobs} below");
    // 80 % said; three standard errors of 400 trials are 6 %.
    assert!((0.74..=0.86).contains(&coverage), "{coverage}");
}
