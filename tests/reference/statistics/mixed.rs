//! Random effects against lme4 and published pooled results.
//!
//! Dyestuff, Dyestuff2 and Penicillin: Davies & Goldsmith 1972, Box & Tiao 1973; data as in R package
//! lme4 1.1-31, values by its REML (published: Bates, lme4 book, chapters 1 and 2).

use super::read::near;
use drydown_stats::linear::Design;
use drydown_stats::mixed::{CrossedModel, Group, Outliers, RemlFit, Residual, Spread, fit_reml};

fn fit(y: &[f64], factors: Vec<(Vec<usize>, usize)>) -> RemlFit {
    let spread = Spread::Estimated {
        prior_scale: f64::INFINITY,
    };
    let model = CrossedModel {
        y: y.to_vec(),
        known_var: vec![0.0; y.len()],
        fixed: Design::with_intercept(y.len(), Vec::new()).unwrap(),
        fixed_priors: Vec::new(),
        groups: factors
            .into_iter()
            .map(|(levels, n_levels)| Group {
                levels,
                n_levels,
                spread: spread.clone(),
            })
            .collect(),
        residual: Residual::Estimated {
            prior_scale: f64::INFINITY,
        },
        outliers: Outliers::Normal,
    };
    fit_reml(&model).unwrap()
}

#[test]
fn dyestuff() {
    let y = [
        1545.0, 1440.0, 1440.0, 1520.0, 1580.0, 1540.0, 1555.0, 1490.0, 1560.0, 1495.0, 1595.0,
        1550.0, 1605.0, 1510.0, 1560.0, 1445.0, 1440.0, 1595.0, 1465.0, 1545.0, 1595.0, 1630.0,
        1515.0, 1635.0, 1625.0, 1520.0, 1455.0, 1450.0, 1480.0, 1445.0,
    ];
    let found = fit(&y, vec![((0..30).map(|i| i / 5).collect(), 6)]);
    near("criterion", found.criterion, 319.654_276_842_257, 3e-7);
    near("batch", found.group_sds[0], 42.000_594_381_423_1, 1e-4);
    near("residual", found.residual_sd, 49.510_100_136_420_8, 1e-4);
    near("mean", found.fixed[0], 1527.5, 1e-9);
    near(
        "se",
        found.fixed_covariance[0][0].sqrt(),
        19.383_411_857_808_2,
        1e-4,
    );
}

#[test]
fn a_variance_of_zero_is_a_legal_estimate() {
    let y = [
        7.298, 3.846, 2.434, 9.566, 7.99, 5.22, 6.556, 0.608, 11.788, -0.892, 0.11, 10.386, 13.434,
        5.51, 8.166, 2.212, 4.852, 7.092, 9.288, 4.98, 0.282, 9.014, 4.458, 9.446, 7.198, 1.722,
        4.782, 8.106, 0.758, 3.758,
    ];
    let found = fit(&y, vec![((0..30).map(|i| i / 5).collect(), 6)]);
    assert!(found.group_sds[0] <= 0.0, "{found:?}");
    near("criterion", found.criterion, 161.828_277_812_288, 6e-7);
    near("residual", found.residual_sd, 3.715_684_274_475_73, 1e-4);
    near(
        "se",
        found.fixed_covariance[0][0].sqrt(),
        0.678_388_031_232_524,
        1e-4,
    );
    assert!(found.effects[0].iter().all(|e| e.abs() < 1e-12));
}

#[test]
fn penicillin_crossed() {
    // Diameters, plate by plate (a to x), samples A to F.
    let y = [
        27, 23, 26, 23, 23, 21, 27, 23, 26, 23, 23, 21, 25, 21, 25, 24, 24, 20, 26, 23, 25, 23, 23,
        20, 25, 22, 26, 22, 23, 20, 24, 22, 25, 23, 22, 19, 24, 20, 23, 21, 22, 19, 26, 22, 26, 24,
        24, 21, 24, 21, 24, 22, 22, 20, 24, 21, 24, 23, 22, 19, 26, 23, 26, 24, 24, 21, 25, 22, 26,
        24, 24, 20, 26, 24, 26, 24, 25, 22, 26, 23, 26, 23, 23, 20, 26, 23, 25, 24, 24, 22, 25, 22,
        25, 23, 23, 20, 25, 21, 24, 23, 23, 20, 25, 22, 24, 23, 23, 19, 24, 21, 23, 21, 21, 19, 26,
        23, 26, 24, 24, 21, 25, 21, 24, 22, 22, 18, 25, 22, 25, 22, 22, 20, 24, 21, 24, 22, 24, 19,
        24, 21, 24, 22, 21, 18,
    ]
    .map(f64::from);
    let plate = (0..144).map(|i| i / 6).collect();
    let sample = (0..144).map(|i| i % 6).collect();
    let found = fit(&y, vec![(plate, 24), (sample, 6)]);
    near("criterion", found.criterion, 330.860_588_991_086, 3e-7);
    near("plate", found.group_sds[0], 0.846_704_337_502_195, 1e-4);
    near("sample", found.group_sds[1], 1.931_558_722_350_53, 1e-4);
    near("residual", found.residual_sd, 0.549_923_133_664_449, 1e-4);
    near("mean", found.fixed[0], 22.972_222_222_228_9, 1e-9);
    near(
        "se",
        found.fixed_covariance[0][0].sqrt(),
        0.808_573_517_637_754,
        1e-4,
    );
    // Conditional modes of the sample effects.
    let modes = [
        2.187_057_969_983_46,
        -1.010_476_150_698_08,
        1.937_899_467_073_2,
        -0.096_894_973_360_493_6,
        -0.013_842_139_057_077_1,
        -3.003_744_173_980_07,
    ];
    for (got, want) in found.effects[1].iter().zip(modes) {
        near("sample effect", *got, want, 1e-4);
    }
    near("plate a", found.effects[0][0], 0.804_547_047_134_046, 1e-4);
}

/// Thirteen trials pooled with known variances (Colditz et al. 1994, JAMA 271:698-702; pooled results
/// as in Viechtbauer 2010, J. Stat. Softw. 36(3)): the two-stage model with one group of one run each.
/// Digits beyond the published ones by scipy 1.17.1.
#[test]
fn known_variances_with_a_covariate() {
    let y = [
        -0.889_311_333_920_205,
        -1.585_388_657_201_43,
        -1.348_073_148_299_69,
        -1.441_551_190_021_31,
        -0.217_547_322_211_296,
        -0.786_115_585_818_864,
        -1.620_898_223_598_39,
        0.011_952_333_523_841_2,
        -0.469_417_648_738_149,
        -1.371_344_803_472_78,
        -0.339_358_828_338_39,
        0.445_913_400_571_378,
        -0.017_313_948_216_879_1,
    ];
    let known_var = vec![
        0.325_584_765_003_961,
        0.194_581_121_398_144,
        0.415_367_965_367_965,
        0.020_010_031_902_247_6,
        0.051_210_172_169_630_9,
        0.006_905_618_455_908_76,
        0.223_017_247_572_315,
        0.003_961_579_297_817_73,
        0.056_434_210_463_249,
        0.073_024_793_613_042_9,
        0.012_412_213_971_559_7,
        0.532_505_845_200_153,
        0.071_404_659_683_986_3,
    ];
    let latitude = vec![
        44.0, 55.0, 42.0, 52.0, 13.0, 44.0, 19.0, 13.0, 27.0, 42.0, 18.0, 33.0, 33.0,
    ];
    let pooled = |columns: Vec<Vec<f64>>| {
        fit_reml(&CrossedModel {
            y: y.to_vec(),
            known_var: known_var.clone(),
            fixed: Design::with_intercept(13, columns).unwrap(),
            fixed_priors: Vec::new(),
            groups: vec![Group {
                levels: (0..13).collect(),
                n_levels: 13,
                spread: Spread::Estimated {
                    prior_scale: f64::INFINITY,
                },
            }],
            residual: Residual::Absent,
            outliers: Outliers::Normal,
        })
        .unwrap()
    };
    let plain = pooled(Vec::new());
    near(
        "tau^2",
        plain.group_sds[0].powi(2),
        0.313_243_263_312_592,
        3e-6,
    );
    near("mean", plain.fixed[0], -0.714_532_342_631_692, 1e-6);
    near(
        "se",
        plain.fixed_covariance[0][0].sqrt(),
        0.179_781_517_301_124,
        2e-6,
    );
    near(
        "shrunk 1",
        plain.fixed[0] + plain.effects[0][0],
        -0.800_233_562_933_454,
        1e-5,
    );
    near(
        "shrunk 8",
        plain.fixed[0] + plain.effects[0][7],
        0.002_879_248_038_906_24,
        1e-5,
    );
    let sloped = pooled(vec![latitude]);
    near(
        "tau^2",
        sloped.group_sds[0].powi(2),
        0.076_347_963_914_907,
        7e-6,
    );
    near("intercept", sloped.fixed[0], 0.251_468_210_030_813, 2e-5);
    near("slope", sloped.fixed[1], -0.029_101_725_012_033_3, 3e-6);
    near(
        "slope se",
        sloped.fixed_covariance[1][1].sqrt(),
        0.007_195_327_219_542_27,
        7e-7,
    );
}
