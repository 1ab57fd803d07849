//! Scores of forecasts against scikit-learn 1.9.1, statsmodels 0.15.0 and scipy 1.17.1.

use super::read::{certified, check, columns, near};
use drydown_stats::normal;
use drydown_stats::regress::fit_isotonic;
use drydown_stats::scores::{
    auc, brier, brier_parts, c_index, calibration, conformal_quantile, crps_ensemble, crps_normal,
    dcg, interval_score, log_loss, ndcg, pinball, skill,
};

/// Two hundred probability forecasts made for this project.
#[test]
fn probability_forecasts() {
    let data = columns(include_str!("../data/prob_forecasts.csv"));
    let rows = certified(include_str!("../data/prob_forecasts.certified.csv"));
    let (p, y) = (
        &data[0],
        data[1].iter().map(|v| *v > 0.5).collect::<Vec<bool>>(),
    );
    let set = "prob_forecasts";
    let score = brier(p, &y).unwrap();
    let parts = brier_parts(p, &y, 10).unwrap();
    check(set, &rows, "brier", score);
    check(
        set,
        &rows,
        "brier_skill_vs_climatology",
        skill(score, parts.uncertainty).unwrap(),
    );
    check(set, &rows, "reliability", parts.reliability);
    check(set, &rows, "resolution", parts.resolution);
    check(set, &rows, "uncertainty", parts.uncertainty);
    check(set, &rows, "within_bin_remainder", parts.within);
    check(set, &rows, "ece10", parts.calibration_error);
    check(set, &rows, "log_loss", log_loss(p, &y).unwrap());
    check(set, &rows, "auc", auc(p, &y).unwrap());
    let c = calibration(p, &y).unwrap();
    check(set, &rows, "calibration_slope", c.slope);
    check(set, &rows, "calibration_intercept_joint", c.intercept);
    check(set, &rows, "calibration_in_the_large", c.in_the_large);
    check(set, &rows, "spiegelhalter_z", c.spiegelhalter_z);
    let fit = fit_isotonic(p, &data[1], None).unwrap();
    for at in ["0.05", "0.1", "0.2", "0.3", "0.5", "0.7", "0.9"] {
        let got = fit.predict(at.parse().unwrap()).unwrap();
        check(set, &rows, &format!("isotonic({at})"), got);
    }
}

#[test]
fn quantile_and_density_scores() {
    let data = columns(include_str!("../data/scores.csv"));
    let rows = certified(include_str!("../data/scores.certified.csv"));
    let z = normal::quantile(0.95);
    for i in 0..3 {
        let (m, s, y) = (data[0][i], data[1][i], data[2][i]);
        let name = format!("{i}.crps_normal(m={m};s={s};y={y})");
        check("scores", &rows, &name, crps_normal(m, s, y));
        let (low, high) = (m - z * s, m + z * s);
        let got = interval_score(0.9, low, high, y);
        check("scores", &rows, &format!("{i}.interval_score90"), got);
        check(
            "scores",
            &rows,
            &format!("{i}.pinball05"),
            pinball(0.05, low, y),
        );
        check(
            "scores",
            &rows,
            &format!("{i}.pinball95"),
            pinball(0.95, high, y),
        );
        check(
            "scores",
            &rows,
            &format!("{i}.pit"),
            normal::cdf((y - m) / s),
        );
    }
    let members = [15.5, 18.8, 20.3, 22.1, 25.7];
    near(
        "ensemble",
        crps_ensemble(&members, 24.0).unwrap(),
        2.304,
        1e-10,
    );
}

/// Järvelin & Kekäläinen 2002; the six relevances of the worked example are from memory.
#[test]
fn ranked_lists() {
    let listed = [3.0, 2.0, 3.0, 0.0, 1.0, 2.0];
    near("dcg", dcg(&listed, 6), 6.861_126_688_593_5, 1e-12);
    let order: Vec<f64> = (0..6).map(|i| -f64::from(i)).collect();
    near(
        "ndcg",
        ndcg(&order, &listed, 6).unwrap(),
        0.960_808_194_336_062,
        1e-12,
    );
    near(
        "at 3",
        ndcg(&order, &listed, 3).unwrap(),
        0.977_781_361_630_505,
        1e-12,
    );
    near(
        "at 5",
        ndcg(&order, &listed, 5).unwrap(),
        0.861_044_176_037_503,
        1e-12,
    );
    let tied = columns(include_str!("../data/ndcg_ties.csv"));
    near(
        "ties",
        ndcg(&tied[0], &tied[1], 5).unwrap(),
        0.937_246_925_621_577,
        1e-10,
    );
}

/// The lung cancer trial of Kalbfleisch & Prentice 1980 (`veteran` of R's package survival 3.5-3), censored
/// times against the risks of a proportional-hazards fit; figures of scikit-survival 0.28.0 and of R.
#[test]
fn concordance_of_censored_times() {
    let data = columns(include_str!("../data/veteran_risk.csv"));
    let rows = certified(include_str!("../data/veteran_risk.certified.csv"));
    let event: Vec<bool> = data[1].iter().map(|v| *v > 0.5).collect();
    let got = c_index(&data[2], &data[0], &event).unwrap();
    check("veteran_risk", &rows, "harrell_c", got.index);
    check("veteran_risk", &rows, "harrell_c.R", got.index);
    check("veteran_risk", &rows, "concordant", got.concordant as f64);
    check("veteran_risk", &rows, "discordant", got.discordant as f64);
    check("veteran_risk", &rows, "tied_risk", got.tied_risk as f64);
}

/// Split conformal quantiles and those of conformalised quantile regression (Vovk et al. 2005; Romano,
/// Patterson & Candès 2019), set made for this project.
#[test]
fn conformal_quantiles() {
    let data = columns(include_str!("../data/split_cqr.csv"));
    let rows = certified(include_str!("../data/split_cqr.certified.csv"));
    let regression: Vec<f64> = (0..data[0].len())
        .map(|i| (data[1][i] - data[3][i]).max(data[3][i] - data[2][i]))
        .collect();
    for (alpha, name) in [(0.05, "0.05"), (0.1, "0.1"), (0.2, "0.2")] {
        let split = conformal_quantile(&data[0], 1.0 - alpha);
        check("split_cqr", &rows, &format!("split.q(alpha={name})"), split);
        let cqr = conformal_quantile(&regression, 1.0 - alpha);
        check("split_cqr", &rows, &format!("cqr.q(alpha={name})"), cqr);
    }
}
