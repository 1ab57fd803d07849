//! Alerts against the pumps that truly failed and those that did not.

use std::collections::BTreeMap;
use std::path::Path;

use drydown_quantity::Stamp;

use super::{AS_OF, stamp, truth};
use crate::binary::export;

/// Figures of one fleet.
#[derive(Debug)]
pub(crate) struct Figures {
    /// Wear and leak episodes that would have crossed the limit, and those found before they did (or were repaired).
    pub(crate) n_failing: usize,
    pub(crate) n_found: usize,
    /// Days from the first alert to the crossing, for the found: all, and those whose drift lasted
    /// at least 120 days.
    pub(crate) lead_days: Vec<f64>,
    pub(crate) long_lead_days: Vec<f64>,
    /// Rows in alert of wearing pumps with a forecast, and those whose P10 to P90 held the crossing.
    pub(crate) n_forecasts: usize,
    pub(crate) n_held: usize,
    /// Of the found, those whose cause was named rightly at the last row before crossing or repair.
    pub(crate) n_cause_right: usize,
    /// Sound unit-years and the alert episodes that began in them.
    pub(crate) healthy_years: f64,
    pub(crate) n_false: usize,
    /// Rows of sound pumps, and those of them in alert.
    pub(crate) n_healthy_rows: usize,
    pub(crate) n_healthy_in_alert: usize,
}

struct Row {
    at: Stamp,
    alert: bool,
    cause: String,
    /// P10 and P90 of days to the limit, where it is within the horizon.
    days: Option<(f64, f64)>,
}

/// P90 is empty where it lies beyond the horizon.
fn forecast(row: &BTreeMap<String, String>) -> Option<(f64, f64)> {
    let days = |name: &str| row[name].parse::<f64>();
    (row["days_to_limit_status"] == "within").then_some(())?;
    let late = days("days_to_limit_p90").unwrap_or(f64::INFINITY);
    Some((days("days_to_limit_p10").ok()?, late))
}

pub(crate) fn compare(demo: &Path) -> Figures {
    let runs: BTreeMap<String, Stamp> = export(demo, "pump_health")
        .iter()
        .map(|row| (row["run_id"].clone(), stamp(&row["at"]).unwrap()))
        .collect();
    let mut health: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    for row in export(demo, "pump_health") {
        health.entry(row["unit_id"].clone()).or_default().push(Row {
            at: runs[&row["run_id"]],
            alert: row["state"] == "alert" || row["state"] == "alarm",
            cause: row["cause"].clone(),
            days: forecast(&row),
        });
    }
    for rows in health.values_mut() {
        rows.sort_by_key(|row| row.at);
    }
    let mut figures = Figures {
        n_failing: 0,
        n_found: 0,
        lead_days: Vec::new(),
        long_lead_days: Vec::new(),
        n_forecasts: 0,
        n_held: 0,
        n_cause_right: 0,
        healthy_years: 0.0,
        n_false: 0,
        n_healthy_rows: 0,
        n_healthy_in_alert: 0,
    };
    failing(demo, &health, &mut figures);
    for span in truth(demo, "healthy") {
        let (from, to) = (
            stamp(&span["from_at"]).unwrap(),
            stamp(&span["to_at"]).unwrap(),
        );
        figures.healthy_years += to.days_after(from) / 365.25;
        let rows = health.get(&span["unit_id"]).map_or(&[][..], Vec::as_slice);
        let within: Vec<&Row> = rows
            .iter()
            .filter(|row| row.at >= from && row.at < to)
            .collect();
        figures.n_healthy_rows += within.len();
        figures.n_healthy_in_alert += within.iter().filter(|row| row.alert).count();
        figures.n_false += rows
            .windows(2)
            .filter(|pair| !pair[0].alert && pair[1].alert && pair[1].at >= from && pair[1].at < to)
            .count();
    }
    figures
}

fn failing(demo: &Path, health: &BTreeMap<String, Vec<Row>>, figures: &mut Figures) {
    let end = stamp(AS_OF).unwrap();
    for episode in truth(demo, "pumps") {
        if !matches!(episode["cause"].as_str(), "wear" | "leak") {
            continue;
        }
        let Some(crossed) = stamp(&episode["limit_crossed_at"]) else {
            continue;
        };
        let onset = stamp(&episode["onset_at"]).unwrap();
        let until = stamp(&episode["repaired_at"])
            .unwrap_or(end)
            .min(crossed)
            .min(end);
        let rows: Vec<&Row> = health
            .get(&episode["unit_id"])
            .map_or(&[][..], Vec::as_slice)
            .iter()
            .filter(|row| row.at >= onset && row.at < until)
            .collect();
        if episode["cause"] == "wear" {
            let alerts = rows.iter().filter(|row| row.alert);
            for (row, (early, late)) in alerts.filter_map(|row| Some((row, row.days?))) {
                let left = crossed.days_after(row.at);
                figures.n_forecasts += 1;
                figures.n_held += usize::from(early <= left && left <= late);
            }
        }
        // An episode that nobody could have seen: it was still young, or the unit hardly ran.
        let seen_share = until.days_after(onset) / crossed.days_after(onset).max(1.0);
        if rows.len() < 3 || seen_share < 0.6 {
            continue;
        }
        figures.n_failing += 1;
        if let Some(first) = rows.iter().find(|row| row.alert) {
            figures.n_found += 1;
            figures.lead_days.push(crossed.days_after(first.at));
            if crossed.days_after(onset) >= 120.0 {
                figures.long_lead_days.push(crossed.days_after(first.at));
            }
            figures.n_cause_right +=
                usize::from(rows.last().is_some_and(|row| row.cause == episode["cause"]));
        }
    }
}

pub(crate) fn judge(fleets: &[Figures]) {
    let failing: usize = fleets.iter().map(|f| f.n_failing).sum();
    let found: usize = fleets.iter().map(|f| f.n_found).sum();
    let right: usize = fleets.iter().map(|f| f.n_cause_right).sum();
    let years: f64 = fleets.iter().map(|f| f.healthy_years).sum();
    let n_false: usize = fleets.iter().map(|f| f.n_false).sum();
    let median = |of: fn(&Figures) -> &Vec<f64>| {
        let mut days: Vec<f64> = fleets.iter().flat_map(|f| of(f).iter().copied()).collect();
        days.sort_by(f64::total_cmp);
        days.get(days.len() / 2).copied()
    };
    let lead = median(|f| &f.lead_days).unwrap_or(f64::NAN);
    let long_lead = median(|f| &f.long_lead_days);
    let n_forecasts: usize = fleets.iter().map(|f| f.n_forecasts).sum();
    let n_held: usize = fleets.iter().map(|f| f.n_held).sum();
    let held = n_held as f64 / n_forecasts.max(1) as f64;
    let rate = n_false as f64 / years;
    let rows: usize = fleets.iter().map(|f| f.n_healthy_rows).sum();
    let in_alert: usize = fleets.iter().map(|f| f.n_healthy_in_alert).sum();
    let share = in_alert as f64 / rows.max(1) as f64;
    println!(
        "  pumps: {found} of {failing} failing found ({right} with the right cause), median lead {lead:.0} days, {long_lead:?} where the drift lasts 120 days; {n_false} false alert episodes in {years:.1} sound unit-years ({rate:.2} a year), {in_alert} of {rows} sound rows in alert ({share:.3}); P10 to P90 held {n_held} of {n_forecasts} ({held:.2})"
    );
    assert!(
        failing >= fleets.len(),
        "only {failing} failing episodes to judge by"
    );
    assert!(
        found * 10 >= failing * 9,
        "{found} of {failing} failing pumps found"
    );
    assert!(right * 4 >= found * 3, "{right} of {found} causes right");
    assert!(
        long_lead.is_none_or(|days| days >= 60.0),
        "{long_lead:?} days of lead"
    );
    // The design is 0.2 a year. Seeds 1 to 3 give 0.05, seven fleets together 0.10, the worst pair
    // of them 0.19; 29 episodes in 100 years are the 97.5 % limit of a Poisson law at the design.
    assert!(
        rate <= 0.29,
        "{rate} false alert episodes per sound unit-year"
    );
    // A sound pump that truly lost a few percent stays in alert until somebody looks: the seven
    // fleets have between 0.04 and 0.10 of their sound rows in alert.
    assert!(share < 0.15, "{share} of the sound rows in alert");
    // Nominal 0.8. Rows of one pump are one path, and a fleet has one or two that wear: the seven
    // fleets give 0.82 together, pairs of them 0.68 and 0.92.
    assert!(
        n_forecasts < 50 || (0.55..=0.98).contains(&held),
        "{n_held} of {n_forecasts} forecasts held the crossing"
    );
}
