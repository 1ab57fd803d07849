//! Control charts: worked examples of the handbooks, and run lengths.

use super::read::near;
use drydown_stats::cusum::{
    Cusum, cusum_arl, cusum_arl_two_sided, cusum_arl_under_drift, design_limit, ewma_arl,
    ewma_path, ewma_sd, siegmund_arl,
};

/// Tabular CUSUM of Montgomery, Introduction to Statistical Quality Control, chapter 9 (data and the
/// three figures from memory): mean 10, sd 1, k = 0.5, h = 5. First signal at sample 29, C+ = 5.28,
/// seven samples since the last zero.
#[test]
fn montgomery_tabular_cusum() {
    let x = [
        9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4,
        10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62,
        11.31, 10.52,
    ];
    let z: Vec<f64> = x.iter().map(|v| v - 10.0).collect();
    let run = Cusum {
        reference: 0.5,
        limit: 5.0,
    }
    .run(&z, 0.0);
    assert_eq!(run.alarm, Some(28));
    assert_eq!(run.onset, Some(22), "seven samples, 23 to 29");
    near("C+", run.path[28], 5.28, 1e-9);
}

/// NIST/SEMATECH e-Handbook 6.3.2.3 (data from memory): target 325, k = 0.3175, h = 4.1959, upper
/// side; first signal at group 14.
#[test]
fn nist_handbook_cusum() {
    let x = [
        324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
        324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
    ];
    let z: Vec<f64> = x.iter().map(|v| v - 325.0).collect();
    let run = Cusum {
        reference: 0.3175,
        limit: 4.1959,
    }
    .run(&z, 0.0);
    assert_eq!(run.alarm, Some(13));
}

/// NIST/SEMATECH e-Handbook 6.3.2.4 (data and figures from memory): weight 0.3, start 50, s 2.0539;
/// limits 52.5884 and 47.4115, last average 51.99.
#[test]
fn nist_handbook_ewma() {
    let x = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
        51.2, 52.6, 52.4, 53.6, 52.1,
    ];
    let path = ewma_path(&x, 0.3, 50.0);
    near("first", path[0], 50.6, 1e-12);
    near("third", path[2], 50.564, 1e-12);
    near("last", path[19], 51.988_243_258_644_6, 1e-11);
    assert!((50.0 + 3.0 * 2.0539 * ewma_sd(0.3) - 52.5884).abs() < 2e-4);
    assert!((50.0 - 3.0 * 2.0539 * ewma_sd(0.3) - 47.4115).abs() < 2e-4);
}

/// Mean run lengths of R package spc 0.6.7 (Fredholm equations), started at 0:
/// h, shift, one-sided, two-sided; k = 0.5. The two-sided column for h = 4 and 5 is Montgomery's
/// table 9.3 (after Lucas 1976): 168, 74.2, 26.6, 8.38, 3.34, 1.71 and 465, 139, 38.0, 10.4, 4.01.
#[test]
fn cusum_run_lengths() {
    let table = [
        (4.0, 0.0, 335.367578, 167.683789),
        (4.0, 0.25, 77.0785171, 74.2240279),
        (4.0, 0.5, 26.6791624, 26.6302031),
        (4.0, 1.0, 8.38320213, 8.38313187),
        (4.0, 2.0, 3.34277013, 3.34277013),
        (4.0, 4.0, 1.70845716, 1.70845716),
        (5.0, 0.0, 930.887012, 465.443506),
        (5.0, 0.25, 141.687745, 139.49369),
        (5.0, 0.5, 38.0096099, 37.9961432),
        (5.0, 1.0, 10.3759753, 10.3759699),
        (5.0, 2.0, 4.00887106, 4.00887106),
        (5.0, 4.0, 2.01256752, 2.01256752),
        (8.0, 0.0, 18965.7275, 9482.86377),
        (8.0, 0.25, 736.787747, 736.119582),
        (8.0, 0.5, 84.0007869, 84.0006238),
        (8.0, 1.0, 16.3719599, 16.3719599),
        (8.0, 2.0, 6.0092556, 6.0092556),
        (8.0, 4.0, 2.83603017, 2.83603017),
    ];
    for (limit, shift, one, two) in table {
        let got = cusum_arl(0.5, limit, shift).unwrap();
        assert!(
            (got / one - 1.0).abs() < 1e-6,
            "{limit} {shift}: {got} {one}"
        );
        let got = cusum_arl_two_sided(0.5, limit, shift).unwrap();
        assert!(
            (got / two - 1.0).abs() < 1e-6,
            "{limit} {shift}: {got} {two}"
        );
    }
    // Siegmund 1985 gives 938 where the equation gives 931: within one part in a hundred.
    near("Siegmund", siegmund_arl(0.5, 5.0, 0.0), 938.0, 1e-3);
}

/// Mean run lengths of two-sided EWMA charts with fixed limits, R package spc 0.6.7; the row of
/// weight 0.4 and width 3.054 is Lucas & Saccucci 1990 (Technometrics 32:1-12): 500, 71.2, 14.3, 3.5.
#[test]
fn ewma_run_lengths() {
    let table = [
        (0.05, 2.615, 0.0, 499.933006),
        (0.05, 2.615, 0.5, 28.763728),
        (0.05, 2.615, 1.0, 11.3828037),
        (0.05, 2.615, 2.0, 5.22487983),
        (0.1, 2.814, 0.0, 499.57955),
        (0.1, 2.814, 0.5, 31.2974352),
        (0.1, 2.814, 1.0, 10.3306652),
        (0.1, 2.814, 2.0, 4.36225341),
        (0.2, 2.962, 0.0, 499.735122),
        (0.2, 2.962, 0.5, 41.7643958),
        (0.2, 2.962, 1.0, 10.5416658),
        (0.2, 2.962, 2.0, 3.74343906),
        (0.25, 2.998, 0.0, 499.836004),
        (0.25, 2.998, 0.5, 48.2938751),
        (0.25, 2.998, 1.0, 11.135502),
        (0.25, 2.998, 2.0, 3.61371083),
        (0.4, 3.054, 0.0, 499.951339),
        (0.4, 3.054, 0.5, 71.200502),
        (0.4, 3.054, 1.0, 14.2627643),
        (0.4, 3.054, 2.0, 3.5215392),
    ];
    for (weight, width, shift, arl) in table {
        let got = ewma_arl(weight, width, shift).unwrap();
        assert!(
            (got / arl - 1.0).abs() < 1e-5,
            "{weight} {width} {shift}: {got} {arl}"
        );
    }
}

/// Mean run length while the mean ramps (k = 0.5, h = 5), R package spc 0.6.7.
#[test]
fn cusum_run_lengths_under_a_ramp() {
    let table = [
        (0.005, 89.016_294_357_489_2),
        (0.01, 57.158_869_549_441_9),
        (0.02, 36.525_797_084_634_1),
        (0.05, 20.383_738_643_453_2),
        (0.1, 13.314_957_757_772_7),
        (0.5, 5.257_085_532_834_66),
        (1.0, 3.604_471_962_873_02),
    ];
    for (drift, arl) in table {
        let got = cusum_arl_under_drift(0.5, 5.0, drift).unwrap();
        assert!((got / arl - 1.0).abs() < 1e-5, "{drift}: {got} {arl}");
    }
}

/// The limit is the inverse of the run length: the two-sided 465 of the table is 931 on one side.
#[test]
fn designed_limit_inverts_the_table() {
    let limit = design_limit(0.5, 1.0, 930.887_012_064_076).unwrap();
    near("limit", limit, 5.0, 1e-7);
}
