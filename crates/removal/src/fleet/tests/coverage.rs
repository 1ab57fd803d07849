//! Whether the intervals hold the truth as often as they say, volumes being wrong or runs spoiled.

use super::*;

#[test]
fn intervals_hold_the_truth_in_small_fleets() {
    let shown = show(8, 4, 20);
    assert!((0.84..=0.96).contains(&shown.cell), "{}", shown.cell);
    assert!((0.82..=0.97).contains(&shown.unseen), "{}", shown.unseen);
    assert!((0.84..=0.97).contains(&shown.new_run), "{}", shown.new_run);
    assert!(shown.error_ratio < 0.8, "{}", shown.error_ratio);
    assert!(shown.components >= 0.80, "{}", shown.components);
}

#[test]
fn intervals_hold_the_truth_in_large_fleets() {
    let shown = show(25, 8, 6);
    assert!((0.84..=0.96).contains(&shown.cell), "{}", shown.cell);
    assert!((0.84..=0.97).contains(&shown.unseen), "{}", shown.unseen);
    assert!((0.84..=0.96).contains(&shown.new_run), "{}", shown.new_run);
    assert!(shown.error_ratio < 0.8, "{}", shown.error_ratio);
}

#[test]
fn volumes_worse_than_their_basis_says_are_noticed() {
    // All stated as dipped (5 %), all wrong by 20 %.
    let shown = show_with(
        14,
        6,
        8,
        Volumes {
            bases: [VolumeBasis::Dip; 3],
            sds: [0.20; 3],
        },
    );
    assert!((0.84..=0.96).contains(&shown.own), "{}", shown.own);
    assert!((0.82..=0.97).contains(&shown.unseen), "{}", shown.unseen);
}

#[test]
fn volumes_better_than_their_basis_says_do_not_widen_the_intervals() {
    let guessed = Volumes {
        bases: [VolumeBasis::Guess; 3],
        sds: [0.05; 3],
    };
    let shown = show_with(14, 6, 6, guessed);
    let told = show_with(
        14,
        6,
        6,
        Volumes {
            bases: [VolumeBasis::Dip; 3],
            ..guessed
        },
    );
    assert!((0.84..=0.97).contains(&shown.own), "{}", shown.own);
    let ratio = shown.width / told.width;
    assert!(
        ratio < 1.25,
        "width {ratio} times that of a fleet whose volumes are stated rightly"
    );
}

#[test]
fn five_runs_in_a_hundred_spoiled_cost_little() {
    let (mut clean, mut spoiled) = (0.0, 0.0);
    for seed in 0..4 {
        let mut sim = simulate(14, 6, seed);
        let error = |sim: &Sim| {
            pool(sim)
                .coefficients
                .iter()
                .enumerate()
                .map(|(idx, row)| {
                    (row.removal_per_pass.unwrap().ln() - sim.truth[idx / 6][idx % 6]).powi(2)
                })
                .sum::<f64>()
        };
        clean += error(&sim);
        for (fit, _) in sim.runs.iter_mut().skip(7).step_by(20) {
            // A fault that the run's own fit did not notice: three times the rate, with a small error.
            for value in [
                &mut fit.removal_rate_per_h,
                &mut fit.removal_rate_lower_90,
                &mut fit.removal_rate_upper_90,
                &mut fit.removal_rate_se,
                &mut fit.dried_flow_lpm,
            ] {
                *value = value.map(|value| 3.0 * value);
            }
        }
        spoiled += error(&sim);
    }
    let ratio = f64::sqrt(spoiled / clean);
    println!("5 % of runs spoiled: error {ratio:.3} times");
    assert!(ratio < 1.15, "{ratio}");
}
