//! What the pages say of pumps: their level, the days to their limit, what became of forecasts.

use drydown_findings::{Forecast, ForecastEnd, score_pumps};
use drydown_pumps::PumpState;
use drydown_runs::history::{Maintenance, MaintenanceAction};

use super::pages::{page, pages};
use super::world::{World, day, forecast};

#[test]
fn the_forecasts_of_pumps_have_a_summary() {
    let mut world = World::one_unit("U-1", "R-1");
    let pump = |days: Option<(f64, f64)>| Forecast {
        kind: "pump_limit".to_owned(),
        probability: None,
        p10: Some(20.0),
        p50: Some(30.0),
        p90: Some(40.0),
        observed_from: days.map(|(from, _)| day(0).plus_days(from)),
        observed_to: days.map(|(_, to)| day(0).plus_days(to)),
        ..forecast("U-1", days.map(|_| ForecastEnd::Due), days.map(|_| 1.0))
    };
    let html = |world: &mut World| {
        world.pump_score = score_pumps(&world.forecasts);
        page(&pages(world), "scorecard.html").to_owned()
    };
    world.forecasts = vec![pump(None)];
    let none = html(&mut world);
    assert!(
        none.contains("0 forecasts of 0 pumps came to the limit"),
        "{none}"
    );
    assert!(none.contains("not yet due; not looked at since"));
    world.forecasts = vec![
        pump(Some((15.0, 19.0))),
        pump(Some((21.0, 60.0))),
        pump(None),
    ];
    let some = html(&mut world);
    for part in [
        "2 forecasts of 1 pump came to the limit",
        "2 of 3 may belong to several parts",
        "passed the limit between 2026-07-16 and 2026-07-20, 15 to 19 days after",
        "too few outcomes to judge",
    ] {
        assert!(some.contains(part), "{part}\n{some}");
    }
    world.forecasts = (0..10).map(|_| pump(Some((21.0, 25.0)))).collect();
    let many = html(&mut world);
    let row = many
        .split("from the early end to even odds")
        .nth(1)
        .unwrap();
    let cells = row.split("</tr>").next().unwrap();
    assert!(
        cells.contains(">40 %<") && cells.contains(">10<") && cells.contains(">100 %<"),
        "{cells}"
    );
}

#[test]
fn the_level_is_drawn_with_the_state_of_today() {
    let mut world = World::one_unit("U-1", "R-1");
    let row = |world: &World| -> String {
        let pages = pages(world);
        let html = page(&pages, "units.html").to_owned();
        let figure = html.split("<figure>").nth(1).unwrap();
        figure.split("</figure>").next().unwrap().to_owned()
    };
    // The latest run was judged.
    let figure = row(&world);
    assert!(figure.contains("alert; level of 2026-07-21") && figure.contains("<circle"));
    // A later run could not be: the state is its, the dot hollow and of its own day.
    let mut later = world.pump_health[1].clone();
    later.at = day(40);
    later.run_id = "U-1@later".into();
    later.indicator = None;
    later.state = PumpState::Normal;
    world.pump_health.push(later);
    let figure = row(&world);
    assert!(
        figure.contains("normal; level of 2026-07-21")
            && figure.contains("fill=\"#fdfdfa\" stroke")
    );
    // Renewed since: its old level says nothing.
    world.registers.maintenance.push(Maintenance {
        at: day(30),
        action: MaintenanceAction::Vanes,
        ..world.registers.maintenance[0].clone()
    });
    let figure = row(&world);
    assert!(figure.contains("normal; new vanes 2026-07-31") && !figure.contains("<circle"));
}

#[test]
fn a_pump_past_its_limit_says_so() {
    let mut world = World::one_unit("U-1", "R-1");
    let last = world.pump_health.last_mut().unwrap();
    last.days_to_limit_p10 = Some(0.0);
    last.days_to_limit_p50 = Some(0.0);
    last.days_to_limit_p90 = Some(0.2);
    let pages = pages(&world);
    for path in ["index.html", "units.html"] {
        assert!(
            page(&pages, path).contains("none: it cannot hold it now"),
            "{path}"
        );
    }
    assert!(page(&pages, "units/U-1.html").contains("it can no longer hold the limit"));
}

#[test]
fn days_to_the_limit_count_from_the_analysis_and_name_their_dates() {
    let mut world = World::one_unit("U-1", "R-1");
    let last = world.pump_health.last_mut().unwrap();
    last.days_to_limit_p10 = Some(82.0);
    last.days_to_limit_p50 = Some(90.0);
    last.days_to_limit_p90 = Some(110.0);
    let cells = |world: &World| {
        let pages = pages(world);
        ["index.html", "units.html"].map(|path| page(&pages, path).to_owned())
    };
    // 72 days from 21 July to 1 October.
    for html in cells(&world) {
        assert!(
            html.contains("18 (10 to 38): 2026-10-11 to 2026-11-08"),
            "{html}"
        );
    }
    let unit = page(&pages(&world), "units/U-1.html").to_owned();
    assert!(
        unit.contains("in 10 to 38 days, between 2026-10-11 and 2026-11-08"),
        "{unit}"
    );
    let last = world.pump_health.last_mut().unwrap();
    last.days_to_limit_p10 = Some(20.0);
    last.days_to_limit_p50 = Some(30.0);
    last.days_to_limit_p90 = Some(40.0);
    for html in cells(&world) {
        assert!(
            html.contains("none: probably passed since its run of 2026-07-21"),
            "{html}"
        );
    }
}
