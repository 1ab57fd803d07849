//! What must be on every page, whatever the fleet.

use std::collections::{BTreeMap, BTreeSet};

use drydown_findings::{FindingState, ForecastEnd, Severity};
use drydown_quantity::RunId;

use super::as_read;
use super::world::{World, day, finding, forecast, risk, score, unsampled};
use crate::{CAUTION_LINE, FIRST_WORD, Page, render_report};

/// The pages as written.
fn raw_pages(world: &World) -> BTreeMap<String, String> {
    render_report(&world.input())
        .into_iter()
        .map(|Page { path, text }| (path, text))
        .collect()
}

/// The pages as read: without what only keeps words on one line.
pub(super) fn pages(world: &World) -> BTreeMap<String, String> {
    raw_pages(world)
        .into_iter()
        .map(|(path, text)| (path, as_read(&text)))
        .collect()
}

pub(super) fn page<'a>(pages: &'a BTreeMap<String, String>, path: &str) -> &'a str {
    pages
        .get(path)
        .unwrap_or_else(|| panic!("no page {path}: {:?}", pages.keys().collect::<Vec<_>>()))
}

/// Names that break pages, addresses or files where they are not made safe.
const AWKWARD: [&str; 4] = [
    "<script>alert(1)</script>",
    "U/7 \"a\" & 'b'",
    "../U-1",
    "Ünit 7",
];

fn worlds() -> Vec<(String, World)> {
    let mut worlds = vec![
        ("empty".to_owned(), World::default()),
        ("one unit".to_owned(), World::one_unit("U-1", "R-1")),
    ];
    let mut no_sample = World::one_unit("U-1", "R-1");
    no_sample.risks = vec![unsampled("R-1", 1)];
    no_sample.removal_runs.clear();
    no_sample.pump_health.clear();
    no_sample.coefficients.clear();
    worlds.push(("no sample".to_owned(), no_sample));
    let mut stranger = World::one_unit("U-1", "R-1");
    stranger.registers.units.clear();
    worlds.push(("not in the register".to_owned(), stranger));
    worlds.push(("large".to_owned(), super::large::large()));
    for name in AWKWARD {
        let mut world = World::one_unit(name, name);
        world.findings = vec![
            finding("pump_change", name, Severity::Act),
            finding(name, name, Severity::Info),
        ];
        world.forecasts = vec![forecast(name, None, None)];
        world.scores = vec![score()];
        worlds.push((name.to_owned(), world));
    }
    worlds
}

/// Tags that are not closed, or closed in the wrong order.
fn unbalanced(html: &str) -> Option<String> {
    const VOID: [&str; 4] = ["meta", "br", "img", "!doctype"];
    let script = html.find("<script>").unwrap_or(html.len());
    let mut open: Vec<&str> = Vec::new();
    for part in html.get(..script).unwrap_or_default().split('<').skip(1) {
        let tag = part.split('>').next().unwrap_or_default();
        let name = tag
            .split([' ', '/'])
            .find(|name| !name.is_empty())
            .unwrap_or_default();
        if let Some(closed) = tag.strip_prefix('/') {
            if open.pop() != Some(closed.trim()) {
                return Some(format!("</{closed}> after {open:?}"));
            }
        } else if !tag.ends_with('/') && !VOID.contains(&name) {
            open.push(name);
        }
    }
    (open != ["html", "body"]).then(|| format!("left open: {open:?}"))
}

#[test]
fn every_page_is_whole_safe_and_cautious() {
    for (name, world) in worlds() {
        for (path, html) in raw_pages(&world) {
            let here = format!("{name}: {path}");
            assert_eq!(unbalanced(&html), None, "{here}");
            assert!(!html.contains("<script>alert"), "{here}");
            assert!(
                html.starts_with("<!doctype html>\n<html lang=\"en\">"),
                "{here}"
            );
            assert_eq!(html.matches("<h1>").count(), 1, "{here}");
            let top = html.split("<main").next().unwrap();
            for part in ["Heard from", CAUTION_LINE, FIRST_WORD.get(..11).unwrap()] {
                assert!(top.contains(&part.replace('\'', "&#39;")), "{here}: {part}");
            }
            for raw in [
                "NaN",
                "inf ",
                "-0.0",
                "– (–)",
                ">-0<",
                "wet_oil",
                "sensor_stuck",
            ] {
                assert!(!html.contains(raw), "{here}: {raw}");
            }
        }
    }
}

#[test]
fn headings_and_tables_can_be_walked_by_a_screen_reader() {
    for (name, world) in worlds() {
        for (path, html) in pages(&world) {
            let here = format!("{name}: {path}");
            let levels: Vec<u32> = html
                .split("<h")
                .skip(1)
                .filter_map(|part| part.get(..2).filter(|t| t.ends_with('>')))
                .filter_map(|part| part.chars().next()?.to_digit(10))
                .collect();
            assert_eq!(levels.first(), Some(&1), "{here}");
            for (a, b) in levels.iter().zip(levels.iter().skip(1)) {
                assert!(b <= &(a + 1), "{here}: heading {b} after {a}");
            }
            assert_eq!(
                html.matches("<th").count() - html.matches("<thead").count(),
                html.matches("scope=\"").count(),
                "{here}"
            );
            assert_eq!(
                html.matches("<table").count(),
                html.matches("<caption").count()
            );
            for svg in html.split("<svg ").skip(1) {
                let head = svg.split('>').next().unwrap();
                assert!(head.contains("role=\"img\" aria-label=\""), "{here}");
            }
            assert_eq!(
                html.matches("<svg").count(),
                html.matches("<figcaption>").count()
            );
        }
    }
}

#[test]
fn links_lead_somewhere() {
    for (name, world) in worlds() {
        let pages = pages(&world);
        for (path, html) in &pages {
            let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
            for link in html
                .split("href=\"")
                .skip(1)
                .filter_map(|part| part.split('"').next())
            {
                let (file, anchor) = link.split_once('#').unwrap_or((link, ""));
                let target = match (file, file.strip_prefix("../")) {
                    ("", _) => path.clone(),
                    (_, Some(up)) => up.to_owned(),
                    (_, None) if folder.is_empty() => file.to_owned(),
                    (_, None) => format!("{folder}/{file}"),
                };
                let text = pages.get(&target);
                assert!(text.is_some(), "{name}: {path} links to {link}");
                assert!(
                    anchor.is_empty() || text.unwrap().contains(&format!("id=\"{anchor}\"")),
                    "{name}: {path} links to {link}"
                );
            }
        }
    }
}

#[test]
fn an_empty_fleet_has_its_six_pages() {
    let pages = pages(&World::default());
    assert_eq!(pages.len(), 6);
    let index = page(&pages, "index.html");
    assert!(index.contains("Heard from 0 of 0 units"));
    assert!(index.contains("To act on (0)") && index.contains("<p>None.</p>"));
    assert!(page(&pages, "reservoirs.html").contains("nothing to draw yet"));
}

#[test]
fn severity_goes_before_newness() {
    let mut world = World::one_unit("U-1", "R-1");
    let mut new_info = finding("sensor_disagrees", "U-9", Severity::Info);
    new_info.state = FindingState::New;
    let mut gone = finding("hot_oil", "U-8", Severity::Act);
    gone.state = FindingState::Cleared;
    world.risks = vec![risk("R-2", 1), risk("R-1", 2)];
    world.findings = vec![
        new_info,
        finding("volume_suspect", "R-7", Severity::Watch),
        finding("reservoir_wet", "R-1", Severity::Act),
        finding("reservoir_wet", "R-2", Severity::Act),
        finding("hot_oil", "U-4", Severity::Act),
        gone,
    ];
    let pages = pages(&world);
    let index = page(&pages, "index.html");
    let places: Vec<usize> = [
        "Reservoirs at most risk",
        "Vacuum pumps to look at",
        "To act on (3)",
        "evidence of hot_oil on U-4",
        "evidence of reservoir_wet on R-2",
        "evidence of reservoir_wet on R-1",
        "To watch (1)",
        "evidence of volume_suspect on R-7",
        "For information (1)",
        "Cleared in the last six months (1)",
    ]
    .into_iter()
    .map(|text| {
        let text = text.replacen('e', "E", usize::from(text.starts_with("evidence")));
        index
            .find(&text)
            .unwrap_or_else(|| panic!("no {text:?} in {index}"))
    })
    .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(index.contains("3 (0 new) to act on, 1 (0 new) to watch, 1 (1 new) for information"));
    // Both wet reservoirs ask for the same, so it is said once.
    assert_eq!(index.matches("See to reservoir_wet.").count(), 1);
}

#[test]
fn every_finding_is_on_the_first_page_however_many() {
    let mut world = World::default();
    for idx in 0..120 {
        let severity = [Severity::Act, Severity::Watch, Severity::Info][idx % 3];
        let mut row = finding("volume_suspect", &format!("R-{idx:03}"), severity);
        if idx % 5 == 0 {
            row.state = FindingState::Cleared;
        }
        world.findings.push(row);
    }
    let pages = pages(&world);
    let index = page(&pages, "index.html");
    let shown: BTreeSet<usize> = (0..120)
        .filter(|idx| index.contains(&format!("on R-{idx:03},")))
        .collect();
    assert_eq!(shown.len(), 120);
}

#[test]
fn a_unit_shows_what_its_figures_rest_on() {
    let world = World::one_unit("U-1", "R-1");
    let pages = pages(&world);
    let unit = page(&pages, "units/U-1.html");
    for part in [
        "nameplate flow 76.0 L/min",
        "likely water in the pump&#39;s oil (over 99 %)",
        "in 100 to 185 days, between 2027-01-09",
        "Runs of the quarter that tell a rate (1)",
        "0.310 (0.280 to 0.350)",
        "13.3 (26.0)",
        "Read from exports/a &lt;1&gt;.csv, line 341.",
        "Runs of the quarter that tell no rate (1)",
        "oil already as dry as it gets",
        "Read from: not known.",
        "water moved 0 ppm.",
        "borrowed: this unit on other oils",
        ">pump oil</text>",
        "Removal per pass on GEAR-220: the long-run mean and 1 run behind it",
    ] {
        assert!(unit.contains(part), "{part}\n{unit}");
    }
}

#[test]
fn a_run_of_a_badly_mixed_reservoir_is_hollow_and_the_oldest_are_counted() {
    let mut world = World::one_unit("U-1", "R-1");
    let fits: Vec<_> = world.removal_runs.values().cloned().collect();
    let run = world.runs[0].clone();
    for day in 0..25 {
        let started_at = run.started_at.plus_days(-2.0 - f64::from(day));
        let run_id: drydown_quantity::RunId = format!("U-1@{}", started_at.compact()).into();
        world.runs.push(drydown_runs::Run {
            run_id: run_id.clone(),
            started_at,
            ended_at: started_at.plus_hours(9.0),
            ..run.clone()
        });
        let fit = fits.iter().find(|fit| fit.removal_per_pass.is_some());
        world.removal_runs.insert(
            run_id.clone(),
            drydown_removal::RemovalRun {
                run_id,
                regime: Some(drydown_removal::Regime::TwoCompartments),
                ..fit.unwrap().clone()
            },
        );
    }
    let pages = pages(&world);
    let unit = page(&pages, "units/U-1.html");
    let start = unit.find("Runs on GEAR-220").unwrap();
    let picture = unit[start..].split("</svg>").next().unwrap();
    assert_eq!(picture.matches("<circle").count(), 2 + 20);
    assert_eq!(picture.matches("fill=\"#fdfdfa\" stroke").count(), 19);
    assert!(unit.contains("The 6 before these 20 runs are not drawn."));
}

#[test]
fn estimates_carry_intervals_and_are_never_certain() {
    let world = World::one_unit("U-1", "R-1");
    let pages = pages(&world);
    let reservoirs = page(&pages, "reservoirs.html");
    for part in [
        "over 99 %",
        "under 1 %",
        "180 (140 to 230)",
        "1.25 (0.50 to 2.50)",
        "1 (1 to 77)",
        "<tr class=\"below\"><td colspan=\"10\">Steam turbine, GEAR-220, water limit 200 ppm (the service&#39;s default). Mostly the water limit",
    ] {
        assert!(reservoirs.contains(part), "{part}");
    }
    let removal = page(&pages, "coefficients.html");
    for part in [
        "0.37 (0.34 to 0.40)",
        "0.30 to 0.46",
        "28.0 L/min",
        "21 (9)",
        "0 (−9 to 8)",
        "cannot be told apart; no run came near the reference conditions",
        "Units on oils they have not run on: all borrowed (1)",
    ] {
        assert!(removal.contains(part), "{part}");
    }
}

#[test]
fn a_reservoir_without_a_sample_says_so_in_one_dash_each() {
    let mut world = World::one_unit("U-1", "R-1");
    world.risks = vec![unsampled("R-1", 1)];
    let pages = pages(&world);
    let html = page(&pages, "reservoirs.html");
    assert!(html.contains("No sample and no run tells the water here."));
    assert!(html.contains(">free –, limit –<") && html.contains("<td>1 (1 to 77)</td>"));
    assert!(html.contains("<td>–</td>") && !html.contains("(–)"));
}

#[test]
fn the_scorecard_shows_its_counts() {
    let mut world = World::one_unit("U-1", "R-1");
    world.forecasts = vec![
        forecast("R-1", Some(ForecastEnd::Due), Some(1.0)),
        forecast("R-2", Some(ForecastEnd::Due), Some(0.0)),
        forecast("R-3", Some(ForecastEnd::Due), Some(0.0)),
        forecast("R-4", Some(ForecastEnd::Treatment), None),
        forecast("R-5", Some(ForecastEnd::NotObserved), None),
        forecast("R-6", None, None),
    ];
    world.scores = vec![score()];
    let pages = pages(&world);
    let html = page(&pages, "scorecard.html");
    let figures = |values: &[&str]| -> String {
        values
            .iter()
            .map(|v| format!("<td class=\"figure\">{v}</td>"))
            .collect()
    };
    // Made, happened, did not, heeded, nobody looked, not yet due.
    assert!(
        html.contains(&figures(&["6", "1", "2", "1", "1", "1"])),
        "{html}"
    );
    assert!(
        html.contains(&figures(&["16", "under 1 %", "2", "12 %"])),
        "{html}"
    );
    assert!(html.contains("Too few outcomes to judge: 2 events"));
}

#[test]
fn runs_of_the_quarter_only() {
    let mut world = World::one_unit("U-1", "R-1");
    let early: RunId = "U-1@20260101T000000Z".into();
    let mut old = world.runs.first().unwrap().clone();
    old.run_id = early;
    old.started_at = day(0).plus_days(-9.0);
    old.ended_at = day(0).plus_hours(-1.0);
    world.runs.insert(0, old);
    let pages = pages(&world);
    assert!(page(&pages, "index.html").contains("2 runs ended in the quarter"));
}

#[test]
fn reasons_are_grouped_and_none_is_lost() {
    let late = (0..90).map(|n| {
        let reason = format!("2036-04-08T20:{n:02}:12Z lies more than a day after the load");
        (reason, 7)
    });
    let world = World {
        reject_reasons: late.chain([("the header again".to_owned(), 3)]).collect(),
        ..World::default()
    };
    let pages = pages(&world);
    let html = page(&pages, "data.html");
    assert!(html.contains(
        "<th scope=\"row\">a time after the load</th><td class=\"figure\">630</td><td class=\"figure\">90</td>"
    ));
    assert!(html.contains("the header again"));
}
