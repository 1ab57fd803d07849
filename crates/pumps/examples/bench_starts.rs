//! The timed half of `cargo xtask bench pumps`: makes start curves, writes them for the peer, fits them on
//! two threads, and prints seconds as JSON.
//!
//! `bench_starts FOLDER N_STARTS` writes `curves.csv` (pressures of one start a line, every 5 s) and
//! `fits.csv` (ln of relative speed, its standard error, base) below FOLDER.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "a tool of the bench, not of the product"
)]

use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

use drydown_pumps::{PumpStart, PumpsConfig, fit_start};
use drydown_quantity::Stamp;
use drydown_runs::StartCurve;
use drydown_runs::history::BarometerBasis;
use drydown_runs::pump_down::pressure_kpa;
use drydown_stats::rng;
use rayon::prelude::*;

/// The bar is set for two cores.
const THREADS: usize = 2;
const STEP_S: f64 = 5.0;
const N_POINTS: usize = 60;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let folder = Path::new(&arguments[0]);
    let n_starts: usize = arguments[1].parse().expect("a number of starts");
    let curves = curves(n_starts, STEP_S, N_POINTS);
    let mut text = String::new();
    for curve in &curves {
        let cells: Vec<String> = curve.chamber_kpa.iter().map(ToString::to_string).collect();
        writeln!(text, "{}", cells.join(",")).unwrap();
    }
    std::fs::write(folder.join("curves.csv"), text).unwrap();
    let pool = rayon::ThreadPoolBuilder::new().num_threads(THREADS);
    let pool = pool.build().expect("two threads");
    let (seconds, starts) = timed(&pool, &curves);
    let mut text = String::from("ln_speed,ln_speed_se,base_kpa\n");
    for start in &starts {
        let of = |value: Option<f64>| value.unwrap_or(f64::NAN);
        let ln_speed = of(start.relative_speed_per_s).ln();
        let se = of(start.ln_speed_se);
        writeln!(text, "{ln_speed},{se},{}", of(start.base_kpa)).unwrap();
    }
    std::fs::write(folder.join("fits.csv"), text).unwrap();
    // The other fit: a minute between readings, ten minutes.
    let slow = self::curves(n_starts / 4, 60.0, 11);
    let (slow_seconds, _) = timed(&pool, &slow);
    println!(
        "{{\"threads\": {THREADS}, \"n\": {n_starts}, \"seconds\": {seconds}, \"step_s\": {STEP_S}, \"n_slow\": {}, \"slow_seconds\": {slow_seconds}}}",
        slow.len()
    );
}

/// Best of three: what else the machine does only ever takes time away.
fn timed(pool: &rayon::ThreadPool, curves: &[StartCurve]) -> (f64, Vec<PumpStart>) {
    let config = PumpsConfig::documented();
    let mut best = f64::INFINITY;
    let mut starts = Vec::new();
    for _ in 0..3 {
        let begun = Instant::now();
        starts = pool.install(|| {
            let fits = curves
                .par_iter()
                .map(|curve| fit_start(curve, None, &config));
            fits.collect()
        });
        best = best.min(begun.elapsed().as_secs_f64());
    }
    (best, starts)
}

/// Falls of pumps with time constants of 8 to 90 s behind a gauge with noise, some with a dead time.
fn curves(n: usize, step_s: f64, n_points: usize) -> Vec<StartCurve> {
    let mut noise = rng::seeded(4, &format!("starts every {step_s} s"));
    (0..n)
        .map(|number| {
            let tau_s = 8.0 * (rng::uniform(&mut noise) * (90.0f64 / 8.0).ln()).exp();
            let base = 1.0 + 7.0 * rng::uniform(&mut noise);
            let dead_s = step_s * rng::uniform(&mut noise) * 2.0;
            let seconds: Vec<f64> = (0..n_points).map(|k| k as f64 * step_s).collect();
            let chamber_kpa = seconds
                .iter()
                .map(|t| {
                    let kpa = pressure_kpa(101.325, base, 1.0 / tau_s, (t - dead_s).max(0.0));
                    kpa + 0.15 * rng::standard_normal(&mut noise)
                })
                .collect();
            StartCurve {
                unit_id: "U-1".into(),
                run_id: "U-1@20260101T000000Z".into(),
                started_at: Stamp::from_seconds(1_767_225_600).plus_hours(number as f64),
                seconds,
                chamber_kpa,
                ambient_kpa: Some(101.325),
                barometer_basis: Some(BarometerBasis::Measured),
                oil_flow_from_s: None,
                vent_open_from_s: None,
                vent_logged: true,
                oil_degc: None,
                vacuum_pump_degc: None,
                ambient_degc: None,
                step_s,
                idle_h: Some(24.0),
            }
        })
        .collect()
}
