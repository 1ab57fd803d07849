//! First-passage laws at 50 digits (mpmath 1.4.1; scipy.stats.invgauss agrees to 1e-13).

use super::read::{certified, columns, near};
use drydown_stats::passage::{FirstPassage, gamma_process_cdf, lognormal_rate_cdf, wiener_density};

fn law(a: f64, mu: f64, s: f64) -> FirstPassage {
    FirstPassage {
        distance: a,
        distance_sd: 0.0,
        drift_mean: mu,
        drift_sd: 0.0,
        diffusion_sd: s,
    }
}

#[test]
fn wiener_law_density_and_survival() {
    let data = columns(include_str!("../data/first_passage.csv"));
    for i in 0..data[0].len() {
        let [a, mu, s, t, below, above, density] = [0, 1, 2, 3, 4, 5, 6].map(|j: usize| data[j][i]);
        let p = law(a, mu, s);
        for (got, want) in [(p.cdf(t), below), (p.survival(t), above)] {
            let allowed = if want > 1e-12 { 1e-9 * want } else { 1e-20 };
            assert!(
                (got - want).abs() <= allowed,
                "{a} {mu} {s} {t}: {got} {want}"
            );
        }
        let got = wiener_density(a, mu, s, t);
        assert!(
            (got - density).abs() <= 1e-9 * density + 1e-280,
            "{t}: {got} {density}"
        );
    }
}

#[test]
fn quantiles_and_other_laws() {
    // quantile(a=10;mu=0.1;sigma=0.3;p=0.05)
    let mut checked = 0;
    for row in certified(include_str!("../data/first_passage.certified.csv")) {
        if !row.is_toleranced() {
            continue;
        }
        let Some((kind, rest)) = row.quantity.split_once('(') else {
            continue;
        };
        let n: Vec<f64> = rest
            .trim_end_matches(')')
            .split(';')
            .map(|part| part.split_once('=').unwrap().1.parse().unwrap())
            .collect();
        let want = row.number();
        let got = match kind {
            "quantile" => law(n[0], n[1], n[2]).quantile(n[3], 1e7).unwrap(),
            "lognormal_rate" => lognormal_rate_cdf(n[1], n[0], (n[2], n[3]), n[4]),
            "gamma_process" => gamma_process_cdf(n[2], n[0], n[1], n[3]),
            // Mean and variance are closed forms of the certified file itself.
            _ => continue,
        };
        assert!(
            (got - want).abs() <= 1e-8 * want,
            "{}: {got} {want}",
            row.quantity
        );
        checked += 1;
    }
    assert_eq!(checked, 16 + 3 + 2);
    near(
        "never",
        law(5.0, -0.1, 0.5).cdf(f64::INFINITY),
        (-4.0_f64).exp(),
        1e-12,
    );
}
