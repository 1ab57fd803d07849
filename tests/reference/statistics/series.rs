//! Series in time: level that wanders, known break, robust trends.

use super::read::near;
use drydown_stats::kalman::{Break, Intervention, Series, Slope, TrendSpec, Variance, fit_trend};
use drydown_stats::mixed::FixedPrior;
use drydown_stats::residuals::{anderson_darling, ljung_box, outlying, sign_runs};
use drydown_stats::trend::{mann_kendall, theil_sen};

/// Flow of the Nile at Aswan 1871 to 1970 (Cobb 1978, Biometrika 65:243-251; R 4.2.2 datasets::Nile).
const NILE: [f64; 100] = [
    1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0,
    1110.0, 994.0, 1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0,
    1260.0, 1220.0, 1030.0, 1100.0, 774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0,
    1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0, 824.0, 702.0, 1120.0, 1100.0, 832.0, 764.0, 821.0,
    768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0, 865.0, 845.0,
    944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0, 742.0, 801.0, 1040.0,
    860.0, 874.0, 848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0, 797.0, 923.0, 975.0,
    815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0, 919.0, 718.0, 714.0, 740.0,
];

fn nile() -> Series {
    Series {
        times: (1871..1971).map(f64::from).collect(),
        values: NILE.iter().map(|v| Some(*v)).collect(),
        known_var: vec![0.0; 100],
        covariates: Vec::new(),
        interventions: Vec::new(),
    }
}

const LOCAL_LEVEL: TrendSpec = TrendSpec {
    noise: Variance::Estimated,
    level: Variance::Estimated,
    slope: Slope::Absent,
};

/// Local level: Durbin & Koopman, Time Series Analysis by State Space Methods, section 2.10 (from
/// memory: 15099 and 1469.1); digits by R 4.2.2 StructTS and statsmodels 0.15.0 (exact diffuse start).
#[test]
fn nile_local_level() {
    let fit = fit_trend(&nile(), &LOCAL_LEVEL).unwrap();
    near("noise", fit.variances.noise, 15_098.515_5, 2e-4);
    near("level", fit.variances.level, 1_469.177, 5e-4);
    assert!(
        (fit.ln_likelihood + 632.545_625_103_041).abs() < 1e-4,
        "{}",
        fit.ln_likelihood
    );
    let smoothed: Vec<_> = fit.smoothed.iter().map(|s| s.unwrap()).collect();
    near("first", smoothed[0].level, 1_111.668_679_518_19, 1e-4);
    near("fiftieth", smoothed[49].level, 834.762_951_178_502, 1e-4);
    near(
        "its variance",
        smoothed[49].level_var,
        2_326.778_139_900_56,
        1e-3,
    );
    let last = fit.filtered[99].unwrap();
    near("last", last.level, 798.367_286_470_747, 1e-4);
    let ahead = last.ahead(10.0, &fit.variances);
    let se = (ahead.level_var + fit.variances.noise).sqrt();
    near("forecast", ahead.level, 798.367_286_470_747, 1e-4);
    near("its standard error", se, 183.908_829_714_721, 1e-3);
}

/// With a break at 1899 (Cobb 1978; Zeileis et al. 2003, CSDA 44:109-123) the level no longer wanders,
/// and the break is the difference of the means before and after: 849.97 - 1097.75.
#[test]
fn nile_known_break() {
    let mut series = nile();
    series.interventions.push(Intervention {
        index: 28,
        kind: Break::Level,
        size: FixedPrior::Flat,
    });
    let fit = fit_trend(&series, &LOCAL_LEVEL).unwrap();
    assert!(
        fit.variances.level <= 1e-6 * fit.variances.noise,
        "{:?}",
        fit.variances
    );
    let (size, sd) = fit.effects[0].unwrap();
    near("break", size, 849.972_222_222_222 - 1_097.75, 1e-6);
    assert!((25.0..33.0).contains(&sd), "{sd}");
    near("before", fit.smoothed[0].unwrap().level, 1_097.75, 1e-6);
}

/// Mann–Kendall and Theil–Sen on the Nile: R package trend 1.1.6.
#[test]
fn nile_trend() {
    let test = mann_kendall(&NILE).unwrap();
    near("S", test.s, -1387.0, 1e-12);
    near("var S", test.var_s, 112_728.333_333_333, 1e-12);
    near("z", test.z, -4.128_066_522_844_1, 1e-10);
    assert!((test.p_value / 3.658_262_921_664_33e-5 - 1.0).abs() < 1e-9);
    near("tau", test.tau, -0.280_741_334_724_613, 1e-10);
    let years: Vec<f64> = (1871..1971).map(f64::from).collect();
    near(
        "slope",
        theil_sen(&years, &NILE, 0.9).unwrap().slope,
        -2.6,
        1e-12,
    );
}

/// Memory, sign runs and normality of the Nile, and a binomial tail: Python's statsmodels 0.15.0 (`acorr_ljungbox` with
/// one fitted coefficient, `runstest_1samp`, `normal_ad`) and scipy 1.17.1 (`binom.sf(2, 100, 2·norm.sf(3))`).
#[test]
fn nile_as_if_it_were_residuals() {
    let memory = ljung_box(&NILE, 10, 1).unwrap();
    near("Q", memory.statistic, 88.126_871_551_299_8, 1e-10);
    assert!(memory.p_value < 1e-12, "{memory:?}");
    near(
        "z of runs",
        sign_runs(&NILE, 900.0).unwrap().z,
        -4.219_058_671_626_971,
        1e-10,
    );
    let normal = anderson_darling(&NILE).unwrap();
    near("A2", normal.statistic, 1.031_974_074_344_475_4, 1e-9);
    near("p", normal.p_value, 0.009_820_959_397_275_467, 1e-8);
    let mut values = vec![0.0; 100];
    values.iter_mut().take(3).for_each(|value| *value = 4.0);
    near(
        "tail",
        outlying(&values, 3.0).unwrap().p_value,
        0.002_617_456_273_386_892_3,
        1e-9,
    );
}

/// Worked example of Sen 1968 (JASA 63:1379-1389, section 6), as quoted in the tests of scipy: slope 4,
/// 93 % interval 3.71 to 4.38 on 21 pairs.
#[test]
fn sen_worked_example() {
    let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let fit = theil_sen(&x, &y, 0.93).unwrap();
    near("slope", fit.slope, 4.0, 1e-12);
    near("intercept", fit.intercept, 6.0, 1e-9);
    assert_eq!(fit.n_pairs, 21);
    assert!(
        (fit.interval.lower - 3.71).abs() < 0.006,
        "{:?}",
        fit.interval
    );
    assert!(
        (fit.interval.upper - 4.38).abs() < 0.006,
        "{:?}",
        fit.interval
    );
}
