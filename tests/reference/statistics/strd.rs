//! NIST Statistical Reference Datasets: linear and nonlinear least squares.
//!
//! Source: NIST StRD, https://www.itl.nist.gov/div898/strd/ (public domain). Nonlinear parameters must
//! agree to 1e-6 relative from both starting points, standard errors to 1e-4.

use super::read::{certified, check, columns, value};
use drydown_stats::linear::{Design, least_squares};
use drydown_stats::optimise::{LmConfig, levenberg_marquardt};

macro_rules! set {
    ($name:literal) => {
        (
            $name,
            include_str!(concat!("../data/", $name, ".csv")),
            include_str!(concat!("../data/", $name, ".certified.csv")),
        )
    };
}

type Set = (&'static str, &'static str, &'static str);

fn check_linear((name, data, rows): Set, predictors: impl Fn(&[Vec<f64>]) -> Vec<Vec<f64>>) {
    let (data, rows) = (columns(data), certified(rows));
    let y = &data[0];
    let design = Design::with_intercept(y.len(), predictors(&data[1..])).unwrap();
    let fit = least_squares(&design, y, None).unwrap();
    for (j, (b, se)) in fit
        .coefficients
        .iter()
        .zip(&fit.standard_errors)
        .enumerate()
    {
        check(name, &rows, &format!("B{j}"), *b);
        check(name, &rows, &format!("B{j}.se"), *se);
    }
    check(name, &rows, "residual_sd", fit.residual_sd);
}

fn powers(x: &[Vec<f64>]) -> Vec<Vec<f64>> {
    (1..=5)
        .map(|k| x[0].iter().map(|v| v.powi(k)).collect())
        .collect()
}

#[test]
fn linear_sets() {
    check_linear(set!("Norris"), <[Vec<f64>]>::to_vec);
    check_linear(set!("Longley"), <[Vec<f64>]>::to_vec);
    check_linear(set!("Wampler1"), powers);
    check_linear(set!("Wampler2"), powers);
    check_linear(set!("Wampler3"), powers);
}

fn check_nonlinear((name, data, rows): Set, model: impl Fn(&[f64], f64) -> f64) {
    let (data, rows) = (columns(data), certified(rows));
    let (y, x) = (&data[0], &data[1]);
    let p = (1..)
        .take_while(|k| rows.iter().any(|r| r.quantity == format!("b{k}")))
        .count();
    let residuals =
        |b: &[f64]| -> Vec<f64> { x.iter().zip(y).map(|(x, y)| y - model(b, *x)).collect() };
    for start in ["start1", "start2"] {
        let from: Vec<f64> = (1..=p)
            .map(|k| value(&rows, &format!("{start}.b{k}")))
            .collect();
        let fit = levenberg_marquardt(&residuals, &from, &LmConfig::strict())
            .unwrap_or_else(|e| panic!("{name} {start}: {e}"));
        let set = format!("{name} from {start} ({} iterations)", fit.iterations);
        let se = fit
            .standard_errors()
            .unwrap_or_else(|| panic!("{set}: no covariance"));
        for k in 1..=p {
            check(&set, &rows, &format!("b{k}"), fit.x[k - 1]);
            check(&set, &rows, &format!("b{k}.se"), se[k - 1]);
        }
        check(&set, &rows, "rss", fit.rss);
        check(&set, &rows, "residual_sd", fit.residual_sd);
    }
}

#[test]
fn nonlinear_sets_of_lower_difficulty() {
    check_nonlinear(set!("Misra1a"), |b, x| b[0] * (1.0 - (-b[1] * x).exp()));
    check_nonlinear(set!("Misra1b"), |b, x| {
        b[0] * (1.0 - (1.0 + b[1] * x / 2.0).powi(-2))
    });
    check_nonlinear(set!("Chwirut2"), |b, x| {
        (-b[0] * x).exp() / (b[1] + b[2] * x)
    });
    check_nonlinear(set!("DanWood"), |b, x| b[0] * x.powf(b[1]));
    check_nonlinear(set!("Lanczos3"), |b, x| {
        b[0] * (-b[1] * x).exp() + b[2] * (-b[3] * x).exp() + b[4] * (-b[5] * x).exp()
    });
    check_nonlinear(set!("Gauss1"), |b, x| {
        b[0] * (-b[1] * x).exp()
            + b[2] * (-((x - b[3]) / b[4]).powi(2)).exp()
            + b[5] * (-((x - b[6]) / b[7]).powi(2)).exp()
    });
}

#[test]
fn nonlinear_sets_of_average_difficulty() {
    check_nonlinear(set!("Kirby2"), |b, x| {
        (b[0] + b[1] * x + b[2] * x * x) / (1.0 + b[3] * x + b[4] * x * x)
    });
    check_nonlinear(set!("Misra1c"), |b, x| {
        b[0] * (1.0 - (1.0 + 2.0 * b[1] * x).powf(-0.5))
    });
    check_nonlinear(set!("Misra1d"), |b, x| b[0] * b[1] * x / (1.0 + b[1] * x));
}

#[test]
fn nonlinear_sets_of_higher_difficulty() {
    check_nonlinear(set!("BoxBOD"), |b, x| b[0] * (1.0 - (-b[1] * x).exp()));
    check_nonlinear(set!("Rat42"), |b, x| b[0] / (1.0 + (b[1] - b[2] * x).exp()));
    check_nonlinear(set!("MGH09"), |b, x| {
        b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3])
    });
    check_nonlinear(set!("Thurber"), |b, x| {
        (b[0] + b[1] * x + b[2] * x * x + b[3] * x.powi(3))
            / (1.0 + b[4] * x + b[5] * x * x + b[6] * x.powi(3))
    });
}
