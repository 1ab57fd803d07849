//! The timed half of `cargo xtask bench removal`: makes the data, writes them for the peer, fits them
//! on one thread, and prints seconds and estimates as JSON.
//!
//! `bench_fits runs FOLDER N_RUNS`, `bench_fits mixed FOLDER N_RUNS N_UNITS N_OILS`, or
//! `bench_fits fit FOLDER`: the mixed model of the file mixed.csv there (y, unit, oil).
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a tool of the bench, not of the product"
)]

use std::fmt::Write as _;
use std::path::Path;

use drydown_stats::linear::Design;
use drydown_stats::mixed::{CrossedModel, Group, Outliers, Residual, Spread, fit_reml};
use drydown_stats::relaxation::fit_relaxation;
use drydown_stats::rng;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize| arguments[at].parse::<usize>().expect("a number");
    let folder = Path::new(&arguments[1]);
    match arguments[0].as_str() {
        "runs" => runs(folder, number(2)),
        "mixed" => mixed(folder, number(2), number(3), number(4)),
        "fit" => fit(folder),
        other => panic!("found {other}, expected runs, mixed or fit"),
    }
}

/// First-order runs of a day at five minutes: water = floor + fall · exp(−rate · t), in ppm and hours.
fn runs(folder: &Path, n_runs: usize) {
    const N_POINTS: usize = 288;
    let hours: Vec<f64> = (0..N_POINTS).map(|n| n as f64 / 12.0).collect();
    let mut noise = rng::seeded(1, "runs");
    let all: Vec<Vec<f64>> = (0..n_runs)
        .map(|_| {
            let floor = 20.0 + 60.0 * rng::uniform(&mut noise);
            let fall = 200.0 + 600.0 * rng::uniform(&mut noise);
            let rate = (-3.0 + 2.5 * rng::uniform(&mut noise)).exp();
            hours
                .iter()
                .map(|t| floor + fall * (-rate * t).exp() + 4.0 * rng::standard_normal(&mut noise))
                .collect()
        })
        .collect();
    let mut text = String::new();
    for run in &all {
        let cells: Vec<String> = run.iter().map(ToString::to_string).collect();
        writeln!(text, "{}", cells.join(",")).unwrap();
    }
    std::fs::write(folder.join("runs.csv"), text).unwrap();
    let begun = cpu_seconds();
    let mut rss = 0.0;
    let mut sum_rate = 0.0;
    for run in &all {
        let fit = fit_relaxation(&hours, run, 1e-8).expect("a fit");
        rss += fit.rss;
        sum_rate += fit.rate.ln();
    }
    let seconds = cpu_seconds() - begun;
    println!(
        "{{\"seconds\": {seconds}, \"n\": {n_runs}, \"rss\": {rss}, \"mean_ln_rate\": {}}}",
        sum_rate / n_runs as f64
    );
}

/// Log dried flow of runs, crossed over units and oils, with an effect of each cell.
fn mixed(folder: &Path, n_runs: usize, n_units: usize, n_oils: usize) {
    let mut noise = rng::seeded(2, "mixed");
    let unit_effects = scaled(rng::standard_normals(&mut noise, n_units), 0.25);
    let oil_effects = scaled(rng::standard_normals(&mut noise, n_oils), 0.35);
    let cell_effects = scaled(rng::standard_normals(&mut noise, n_units * n_oils), 0.12);
    let (mut y, mut units, mut oils) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..n_runs {
        let (unit, oil) = (
            rng::index(&mut noise, n_units),
            rng::index(&mut noise, n_oils),
        );
        let error = 0.2 * rng::standard_normal(&mut noise);
        y.push(
            3.0 + unit_effects[unit] + oil_effects[oil] + cell_effects[unit * n_oils + oil] + error,
        );
        units.push(unit);
        oils.push(oil);
    }
    let mut text = String::from("y,unit,oil\n");
    for ((y, unit), oil) in y.iter().zip(&units).zip(&oils) {
        writeln!(text, "{y},{unit},{oil}").unwrap();
    }
    std::fs::write(folder.join("mixed.csv"), text).unwrap();
    show(y, units, oils, n_units, n_oils);
}

/// The same model on a file of another's making: levels are numbered by their text.
fn fit(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("mixed.csv")).expect("mixed.csv");
    let rows: Vec<Vec<&str>> = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').collect())
        .collect();
    let y = rows
        .iter()
        .map(|row| row[0].parse().expect("a number"))
        .collect();
    let levels = |column: usize| {
        let mut seen: Vec<&str> = rows.iter().map(|row| row[column]).collect();
        seen.sort_unstable();
        seen.dedup();
        let found: Vec<usize> = rows
            .iter()
            .map(|row| seen.binary_search(&row[column]).unwrap())
            .collect();
        (found, seen.len())
    };
    let ((units, n_units), (oils, n_oils)) = (levels(1), levels(2));
    show(y, units, oils, n_units, n_oils);
}

/// Fits the crossed model with an effect of each cell and prints what came of it.
fn show(y: Vec<f64>, units: Vec<usize>, oils: Vec<usize>, n_units: usize, n_oils: usize) {
    let n_runs = y.len();
    let begun = cpu_seconds();
    let mut cells: Vec<usize> = units
        .iter()
        .zip(&oils)
        .map(|(u, o)| u * n_oils + o)
        .collect();
    let mut seen = cells.clone();
    seen.sort_unstable();
    seen.dedup();
    for cell in &mut cells {
        *cell = seen.binary_search(cell).unwrap();
    }
    let group = |levels: Vec<usize>, n_levels| Group {
        levels,
        n_levels,
        spread: Spread::Estimated {
            prior_scale: f64::INFINITY,
        },
    };
    let model = CrossedModel {
        known_var: vec![0.0; n_runs],
        fixed: Design::with_intercept(n_runs, Vec::new()).unwrap(),
        fixed_priors: Vec::new(),
        groups: vec![
            group(units, n_units),
            group(oils, n_oils),
            group(cells, seen.len()),
        ],
        residual: Residual::Estimated {
            prior_scale: f64::INFINITY,
        },
        outliers: Outliers::Normal,
        y,
    };
    let fit = fit_reml(&model).expect("a fit");
    let seconds = cpu_seconds() - begun;
    println!(
        "{{\"seconds\": {seconds}, \"n\": {n_runs}, \"n_cells\": {}, \"unit\": {}, \"oil\": {}, \"cell\": {}, \"residual\": {}, \"mean\": {}, \"criterion\": {}}}",
        seen.len(),
        fit.group_sds[0],
        fit.group_sds[1],
        fit.group_sds[2],
        fit.residual_sd,
        fit.fixed[0],
        fit.criterion
    );
}

/// Time that this thread of one has spent on a core: what else the machine does is not counted.
fn cpu_seconds() -> f64 {
    let spent = std::fs::read_to_string("/proc/self/schedstat").expect("Linux");
    let nanoseconds = spent.split_whitespace().next().expect("a number");
    nanoseconds.parse::<f64>().expect("a number") * 1e-9
}

fn scaled(values: Vec<f64>, by: f64) -> Vec<f64> {
    values.into_iter().map(|value| by * value).collect()
}
