//! Rules that ask where a unit was, and what was kept out of its log.

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::{Deployment, PcbStatus, Registers, Reservoir, Site};

use super::{case, replayed, run, unit};
use crate::case::{Case, FileRejects, RejectedCells, SourceHealth};
use crate::episode::Episode;
use crate::rows::Severity;

fn deployment(unit: &str, from: &str, reservoir: &str, to: Option<&str>) -> Deployment {
    Deployment {
        unit_id: unit.into(),
        from_at: from.parse().unwrap(),
        reservoir_id: Some(reservoir.into()),
        to_at: to.map(|to| to.parse().unwrap()),
    }
}

pub(super) fn reservoir(id: &str, site: Option<&str>) -> Reservoir {
    Reservoir {
        reservoir_id: id.into(),
        site_id: site.map(Into::into),
        service: None,
        oil_type: None,
        volume_l: None,
        volume_basis: None,
        water_limit_ppm: None,
        cleanliness_limit: None,
        acid_limit_mgkoh_g: None,
        coldest_oil_degc: None,
        max_oil_degc: None,
        criticality: None,
        paper_insulated: None,
        energised: None,
        pcb_status: None,
        breather: None,
    }
}

fn site(id: &str, altitude_m: f64) -> Site {
    Site {
        site_id: id.into(),
        name: None,
        altitude_m: Some(altitude_m),
        timezone: None,
    }
}

fn at(text: &str) -> Stamp {
    text.parse().unwrap()
}

#[test]
fn a_later_deployment_ends_the_one_on_a_barred_reservoir() {
    let barred = Reservoir {
        pcb_status: Some(PcbStatus::Suspect),
        ..reservoir("R-4", None)
    };
    let held = |deployments: Vec<Deployment>| -> Vec<bool> {
        let registers = Registers {
            units: vec![unit("U-1", None)],
            reservoirs: vec![reservoir("R-3", None), barred.clone()],
            deployments,
            ..Registers::default()
        };
        replayed("barred_unit", &case(&registers, &[]))
            .iter()
            .map(|episode| episode.holds)
            .collect()
    };
    let there = || deployment("U-1", "2026-09-10", "R-4", None);
    assert_eq!(held(vec![there()]), [true]);
    // It went on to another reservoir: over, and told for a month as what was done.
    assert_eq!(
        held(vec![there(), deployment("U-1", "2026-09-14", "R-3", None)]),
        [false]
    );
    // Eleven months ago: no finding at all.
    let old = deployment("U-1", "2025-11-02", "R-4", None);
    let next = deployment("U-1", "2025-11-06", "R-3", None);
    assert_eq!(held(vec![old, next]), [false; 0]);
}

#[test]
fn a_deployment_without_its_end_asks_for_it() {
    let found = |deployments: Vec<Deployment>| -> Vec<Episode> {
        let registers = Registers {
            deployments,
            ..Registers::default()
        };
        replayed("open_deployment", &case(&registers, &[]))
    };
    let next = || deployment("U-1", "2025-11-06", "R-3", None);
    let episodes = found(vec![deployment("U-1", "2025-11-02", "R-4", None), next()]);
    assert_eq!(episodes.len(), 1);
    assert_eq!(
        (episodes[0].severity, episodes[0].first_seen),
        (Severity::Info, at("2025-11-06"))
    );
    assert!(
        episodes[0]
            .evidence
            .contains("R-4 from 2025-11-02 (no end; to R-3 on 2025-11-06)."),
        "{}",
        episodes[0].evidence
    );
    for (to, expected) in [
        ("2025-11-06", 0),
        ("2025-11-06T20:00:00Z", 0),
        ("2025-11-09", 1),
    ] {
        let row = deployment("U-1", "2025-11-02", "R-4", Some(to));
        assert_eq!(found(vec![row, next()]).len(), expected, "{to}");
    }
    // The last one may be going on, and another unit's next is none of its own.
    assert!(found(vec![next()]).is_empty());
    assert!(
        found(vec![
            next(),
            deployment("U-2", "2025-12-01", "R-4", Some("2025-12-03"))
        ])
        .is_empty()
    );
}

fn lost(unit: &str, started_at: &str) -> Run {
    Run {
        flags: vec!["no_reservoir".to_owned()],
        ..run(unit, started_at)
    }
}

#[test]
fn runs_between_two_deployments_ask_for_the_missing_one() {
    let mut traveller = unit("U-1", None);
    traveller.home_site_id = Some("high".into());
    let registers = Registers {
        units: vec![traveller, unit("U-2", None)],
        sites: vec![site("high", 2000.0), site("low", 240.0)],
        reservoirs: vec![
            reservoir("R-1", Some("low")),
            reservoir("R-2", Some("low")),
            reservoir("R-9", Some("high")),
        ],
        deployments: vec![
            deployment("U-1", "2026-01-01", "R-1", Some("2026-01-04")),
            deployment("U-1", "2026-01-10", "R-2", Some("2026-01-14")),
            deployment("U-1", "2026-03-10", "R-9", Some("2026-03-14")),
            deployment("U-2", "2026-01-01", "R-1", Some("2026-01-04")),
        ],
        ..Registers::default()
    };
    let runs = [
        lost("U-1", "2026-01-05T00:00:00Z"),
        run("U-1", "2026-01-11T00:00:00Z"),
        lost("U-1", "2026-02-05T00:00:00Z"),
        run("U-2", "2026-01-02T00:00:00Z"),
        lost("U-2", "2026-09-20T00:00:00Z"),
    ];
    let episodes = replayed("no_reservoir", &case(&registers, &runs));
    let told: Vec<(&str, Severity)> = episodes
        .iter()
        .map(|episode| (episode.subject.as_str(), episode.severity))
        .collect();
    // U-1 may have stood 1760 m below the barometer that was taken; U-2's gap is of this month.
    assert_eq!(told, [("U-1", Severity::Watch), ("U-2", Severity::Watch)]);
    for part in [
        "2 runs were on",
        "2026-02-05 to 2026-02-06 (after R-2, before R-9)",
        "2026-01-05 to 2026-01-06 (after R-1, before R-2)",
        "In 2 of them the deployment before or after is at low (240 m), but the barometer is that of high (2000 m)",
    ] {
        assert!(
            episodes[0].evidence.contains(part),
            "{part}: {}",
            episodes[0].evidence
        );
    }
    assert!(episodes[0].action.contains("--again"));
    assert!(
        episodes[1].evidence.contains("(after R-1)"),
        "{}",
        episodes[1].evidence
    );
    assert!(!episodes[1].action.contains("--again"));
    // Known runs alone: nothing. A fleet that names no reservoir anywhere: one finding.
    assert!(replayed("no_reservoir", &case(&registers, &runs[1..2])).is_empty());
    let bare = Registers::default();
    let all = [runs[0].clone(), runs[2].clone(), runs[4].clone()];
    let episodes = replayed("no_reservoir", &case(&bare, &all));
    assert_eq!(episodes.len(), 1);
    assert_eq!(episodes[0].subject, "fleet");
}

#[test]
fn values_kept_out_are_a_finding_by_source_or_by_file() {
    let registers = Registers::default();
    let found = |rows_in: i64, files: Vec<(&str, i64, i64)>| -> Vec<Episode> {
        let sources = [SourceHealth {
            source: "north".to_owned(),
            rows_in,
            rows_rejected: 0,
            loaded_at: vec![at("2026-09-01"), at("2026-09-08")],
            cells: vec![RejectedCells {
                column: "chamber_pressure_kpa".to_owned(),
                example: "found \"26.59\": -10.5 kPa absolute lies outside 0…83.5".to_owned(),
                files: files
                    .into_iter()
                    .map(|(file, n, rows_in)| FileRejects {
                        file: file.to_owned(),
                        n,
                        rows_in,
                    })
                    .collect(),
            }],
            overwritten: Vec::new(),
        }];
        let case = Case {
            sources: &sources,
            ..case(&registers, &[])
        };
        replayed("cell_rejects", &case)
    };
    // 1 % of the source is allowed, and 10 % of a file.
    assert!(found(60_000, vec![("a.csv", 500, 9000)]).is_empty());
    assert!(found(60_000, vec![("tiny.csv", 9, 10)]).is_empty());
    let by_file = found(600_000, vec![("a.csv", 40, 9000), ("b.csv", 5155, 9392)]);
    assert_eq!(by_file.len(), 1);
    for part in [
        "5195 values of chamber_pressure_kpa were kept out",
        "(0.9 % of the source's rows), in b.csv (5155, 55 % of its rows), a.csv (40, 0 % of its rows).",
        "One of them: found \"26.59\"",
    ] {
        assert!(
            by_file[0].evidence.contains(part),
            "{part}: {}",
            by_file[0].evidence
        );
    }
    let by_source = found(
        50_000,
        vec![
            ("a", 150, 9000),
            ("b", 150, 9000),
            ("c", 150, 9000),
            ("d", 151, 9000),
        ],
    );
    assert_eq!(by_source.len(), 1);
    assert!(
        by_source[0].evidence.contains("and one more file")
            && by_source[0].evidence.contains("in d ("),
        "{}",
        by_source[0].evidence
    );
}

#[test]
fn a_file_that_overwrites_itself_is_a_finding() {
    let registers = Registers::default();
    let found = |files: &[(&str, i64, i64)]| -> Vec<Episode> {
        let sources = [SourceHealth {
            source: "north".to_owned(),
            rows_in: 90_000,
            rows_rejected: 0,
            loaded_at: vec![at("2026-09-01")],
            cells: Vec::new(),
            overwritten: files
                .iter()
                .map(|(file, n, rows_in)| FileRejects {
                    file: (*file).to_owned(),
                    n: *n,
                    rows_in: *rows_in,
                })
                .collect(),
        }];
        let case = Case {
            sources: &sources,
            ..case(&registers, &[])
        };
        replayed("overwritten_rows", &case)
    };
    // A few corrected lines, and a small file that says a row twice.
    assert!(found(&[("a.csv", 50, 9000), ("b.csv", 9, 40)]).is_empty());
    let episodes = found(&[("a.csv", 50, 9000), ("g.csv", 3000, 3600)]);
    assert_eq!(episodes.len(), 1);
    for part in ["3000 of 3600 rows of g.csv", "one stamp"] {
        assert!(
            episodes[0].evidence.contains(part),
            "{part}: {}",
            episodes[0].evidence
        );
    }
    assert!(!episodes[0].evidence.contains("a.csv"));
}
