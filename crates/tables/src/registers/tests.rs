//! Stamps limit what an analysis knows; registers are read as they stand.

use drydown_quantity::{ReservoirId, UnitId};
use drydown_runs::history::{Maintenance, MaintenanceAction, SamplePoint, Site};
use polars::prelude::DataFrame;

use super::*;
use crate::generated::scanned;
use crate::record::to_batch;

fn stamp(text: &str) -> Stamp {
    text.parse().unwrap()
}

fn frame<R: Record>(rows: &[R]) -> DataFrame {
    scanned(&to_batch(rows, stamp("2026-01-01")).unwrap())
}

fn deployment(from: &str, to: Option<&str>) -> Deployment {
    Deployment {
        unit_id: UnitId::from("U-1"),
        from_at: stamp(from),
        reservoir_id: Some(ReservoirId::from("R-1")),
        to_at: to.map(stamp),
    }
}

fn sample(id: &str, taken: Option<&str>, reported: Option<&str>) -> Sample {
    Sample {
        lab: "L".to_owned(),
        sample_id: id.to_owned(),
        reservoir_id: None,
        unit_id: None,
        taken_at: taken.map(stamp),
        reported_at: reported.map(stamp),
        sample_point: Some(SamplePoint::Line),
        sample_degc: None,
        water_ppm: Some(80.0),
        water_censor: None,
        iso4406_4um: Some(29),
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}

fn known(frame_of: impl Fn(&str) -> DataFrame, as_of: &str) -> Registers {
    registers(|table| Ok::<_, TableError>(frame_of(table)), stamp(as_of)).unwrap()
}

#[test]
fn a_deployment_counts_from_its_start_and_its_end_is_known_when_it_has_passed() {
    let rows = [
        deployment("2026-02-01", Some("2026-03-01")),
        deployment("2026-04-01", None),
    ];
    let of = |as_of| {
        let frame_of = |table: &str| {
            if table == "deployments" {
                frame(&rows)
            } else {
                DataFrame::default()
            }
        };
        known(frame_of, as_of).deployments
    };
    assert_eq!(of("2026-02-01"), []);
    assert_eq!(of("2026-02-02"), [deployment("2026-02-01", None)]);
    assert_eq!(of("2026-03-01"), [rows[0].clone()]);
    assert_eq!(of("2026-05-01"), rows);
}

#[test]
fn events_before_as_of_count_and_come_sorted() {
    let row = |unit: &str, at: &str| Maintenance {
        unit_id: UnitId::from(unit),
        at: stamp(at),
        action: MaintenanceAction::Rebuild,
        note: None,
        serial: Some("P-1".to_owned()),
        hours_meter: Some(1200.5),
    };
    let rows = [
        row("U-2", "2026-02-01"),
        row("U-1", "2026-03-01"),
        row("U-1", "2026-01-01"),
    ];
    let frame_of = |table: &str| {
        if table == "maintenance" {
            frame(&rows)
        } else {
            DataFrame::default()
        }
    };
    let got = known(frame_of, "2026-03-01").maintenance;
    assert_eq!(got, [rows[2].clone(), rows[0].clone()]);
}

#[test]
fn registers_are_read_as_they_stand() {
    let site = Site {
        site_id: "S-1".into(),
        name: Some("North yard".to_owned()),
        altitude_m: Some(1500.0),
        timezone: Some("America/Denver".to_owned()),
    };
    let rows = [site];
    let frame_of = |table: &str| {
        if table == "sites" {
            frame(&rows)
        } else {
            DataFrame::default()
        }
    };
    assert_eq!(known(frame_of, "1970-01-01").sites, rows);
}

#[test]
fn a_fleet_of_nothing_has_empty_registers() {
    assert_eq!(
        known(|_| DataFrame::default(), "2026-01-01"),
        Registers::default()
    );
    let mut asked = Vec::new();
    let frame_of = |table| {
        asked.push(table);
        Ok::<_, TableError>(DataFrame::default())
    };
    registers(frame_of, stamp("2026-01-01")).unwrap();
    assert_eq!(asked, REGISTER_TABLES);
}

#[test]
fn a_sample_counts_from_the_later_of_taking_and_reporting() {
    let rows = [
        sample("1", Some("2026-02-01"), Some("2026-02-09")),
        sample("2", Some("2026-02-01"), None),
        sample("3", None, Some("2026-02-05")),
        sample("4", None, None),
    ];
    let ids = |as_of: &str| -> Vec<String> {
        samples(&frame(&rows), stamp(as_of))
            .unwrap()
            .into_iter()
            .map(|row| row.sample_id)
            .collect()
    };
    assert_eq!(ids("2026-02-01"), [""; 0]);
    assert_eq!(ids("2026-02-02"), ["2"]);
    assert_eq!(ids("2026-02-09"), ["2", "3"]);
    assert_eq!(ids("2026-02-10"), ["1", "2", "3"]);
}
