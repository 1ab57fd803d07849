//! The pictures of fits: from real fits of invented readings.

use drydown_quantity::RunId;
use drydown_removal::{RemovalConfig, RemovalRun, RunInput, fit_run, run_curve};
use drydown_runs::{Phase, Run, SeriesPoint};

use super::as_read;
use super::world::World;
use crate::render_report;

/// Readings of every ten minutes: from 165 ppm towards 40, with a small wave in place of noise.
fn series(run: &Run, n: u32) -> Vec<SeriesPoint> {
    (0..n)
        .map(|i| {
            let hours = f64::from(i) / 6.0;
            let wave = 1.5 * (f64::from(i) * 2.399).sin();
            SeriesPoint {
                run_id: run.run_id.clone(),
                at: run.started_at.plus_hours(hours),
                phase: Phase::Drying,
                n_readings: 60,
                water_ppm: Some(40.0 + 125.0 * (-0.2 * hours).exp() + wave),
                water_censor: None,
                from_activity: false,
                oil_degc: Some(63.0),
                flow_lpm: Some(70.0),
                chamber_kpa: Some(15.0),
                ambient_kpa: Some(101.325),
                vent_open_pct: None,
                heater_kw: None,
                vacuum_pump_degc: None,
                ambient_degc: None,
            }
        })
        .collect()
}

/// The world of one unit, its first run fitted from so many readings.
fn fitted(n: u32) -> (World, RunId, RemovalRun) {
    let mut world = World::one_unit("U-1", "R-1");
    let run = world.runs.first().unwrap().clone();
    let series = series(&run, n);
    let input = RunInput {
        run: &run,
        series: &series,
        samples: &[],
        unit: world.registers.units.first(),
        oil: None,
        reservoir: world.registers.reservoirs.first(),
    };
    let config = RemovalConfig::documented().run;
    let row = fit_run(&input, &config);
    let curve = run_curve(&input, &row, &config);
    world.removal_runs.insert(run.run_id.clone(), row.clone());
    world.curves.insert(run.run_id.clone(), curve);
    (world, run.run_id, row)
}

fn page(world: &World, path: &str) -> Option<String> {
    let pages = render_report(&world.input());
    let page = pages.iter().find(|page| page.path == path)?;
    Some(as_read(&page.text))
}

#[test]
fn a_fitted_run_has_a_picture_that_its_unit_leads_to() {
    let (world, run_id, row) = fitted(300);
    let html = page(&world, "fits/U-1.html").unwrap();
    assert!(html.contains(&format!(
        "<section id=\"{}\">",
        crate::html::slug(run_id.as_str())
    )));
    // 300 readings are drawn as every second, whose line has as many corners.
    assert_eq!(html.matches("h0M").count() + 2, 150 + residuals(&html));
    let rate = format!("removal rate {:.3} (", row.removal_rate_per_h.unwrap());
    for part in [
        rate.as_str(),
        "1 run fitted",
        "Nothing was left out.",
        "Ljung–Box p",
        "beyond three sd",
        "../reservoirs.html#R-1",
    ] {
        assert!(html.contains(part), "{part}: {html}");
    }
    let unit = page(&world, "units/U-1.html").unwrap();
    let target = format!("../fits/U-1.html#{}", crate::html::slug(run_id.as_str()));
    assert_eq!(unit.matches(&target).count(), 1);
}

/// Residuals drawn in the strip: those that the fit used.
fn residuals(html: &str) -> usize {
    let said = html.split(" Of ").nth(1).unwrap();
    said.split(" values").next().unwrap().parse().unwrap()
}

#[test]
fn the_page_on_removal_counts_what_fits_leave_over() {
    let (world, _, _) = fitted(300);
    let html = page(&world, "coefficients.html").unwrap();
    assert!(html.contains("of 1 fit whose residuals could be checked"));
    // A sine is no independent error: something must be odd.
    assert!(html.contains("residuals remember each other"), "{html}");
}

#[test]
fn a_run_that_could_not_be_fitted_has_no_picture() {
    let (world, run_id, _) = fitted(2);
    assert!(world.curves.get(&run_id).unwrap().fit.is_none());
    assert_eq!(page(&world, "fits/U-1.html"), None);
    let unit = page(&world, "units/U-1.html").unwrap();
    assert!(!unit.contains("../fits/"));
    let removal = page(&world, "coefficients.html").unwrap();
    assert!(!removal.contains("What the fits of the quarter leave over"));
}
