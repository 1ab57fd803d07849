//! Laboratory reports that amend each other: the one reported later holds, whatever the order.

use proptest::prelude::*;

use super::harness::{Case, merged, read, shown, source};
use crate::site::SiteContext;

const SAMPLES: &str = r#"
    table = "samples"
    [columns]
    lab = { value = "Nordlab" }
    sample_id = { from = "Id" }
    reported_at = { from = "Reported", format = "rfc3339" }
    water_ppm = { from = "W", unit = "mg/kg" }
    acid_mgkoh_g = { from = "Acid" }
"#;

/// Says nothing of water; an iso code of its own.
const PARTICLES: &str = r#"
    table = "samples"
    [columns]
    lab = { value = "Nordlab" }
    sample_id = { from = "Id" }
    reported_at = { from = "Reported", format = "rfc3339" }
    iso4406 = { from = "Code" }
"#;

const FEBRUARY: &str = "Id,Reported,W,Acid\nB1,2026-02-05T00:00:00Z,940,0.2\n";
const MARCH: &str = "Id,Reported,W,Acid\nB1,2026-03-02T00:00:00Z,94,0.3\n";

#[test]
fn the_report_of_the_later_date_holds() {
    let february = FEBRUARY.lines().nth(1).unwrap();
    let march = MARCH.lines().nth(1).unwrap();
    let undated = "B1,,50,0.1";
    let cases: [(&str, &[&[&str]], &str); 6] = [
        ("older file last", &[&[march], &[february]], "94 | 0.3"),
        ("older file first", &[&[february], &[march]], "94 | 0.3"),
        ("newest line first", &[&[march, february]], "94 | 0.3"),
        (
            "a tie: the later line",
            &[&[march, "B1,2026-03-02T00:00:00Z,95,"]],
            "95 | -",
        ),
        ("no date: laid over", &[&[march], &[undated]], "50 | 0.1"),
        ("laid over no date", &[&[undated], &[february]], "940 | 0.2"),
    ];
    for (name, files, expected) in cases {
        let files = files.iter().map(|lines| {
            let text = format!("Id,Reported,W,Acid\n{}\n", lines.join("\n"));
            read(
                &source(SAMPLES),
                "lab.csv",
                text.as_bytes(),
                &SiteContext::default(),
            )
        });
        let (rows, _) = merged(files.collect(), &[]);
        assert_eq!(
            shown(&rows, &["water_ppm", "acid_mgkoh_g"]),
            [expected],
            "{name}"
        );
    }
}

#[test]
fn a_report_of_another_kind_fills_what_the_later_one_left_open() {
    Case::new(SAMPLES)
        .text(MARCH)
        .then(PARTICLES)
        .text("Id,Reported,Code\nB1,2026-02-07T00:00:00Z,19/17/14\n")
        .gives(
            "
            sample_id | reported_at | water_ppm | iso4406_4um | line
            B1 | 2026-03-02T00:00:00Z | 94 | 19 | 2
            = 1/1/0/1/0/0
            = 1/1/0/0/0/0
            ",
        );
}

#[test]
fn an_older_report_that_arrives_later_only_fills_nulls() {
    let cases = [
        ("94,0.3", "940,0.2", "94 | = | 0.3", "1/0/1/0/0/0"),
        ("94,", "940,0.2", "94 | = | 0.2", "1/1/0/0/0/0"),
        // Not detected, without a limit: the sign is the result, an older value is none to fill in.
        ("N/D,0.3", "940,0.2", "- | < | 0.3", "1/0/1/0/0/0"),
        (",0.3", "<20,0.2", "20 | < | 0.3", "1/1/0/0/0/0"),
    ];
    for (newer, older, expected, counts) in cases {
        let file = |stamp: &str, cells: &str| {
            let text = format!("Id,Reported,W,Acid\nB1,{stamp}T00:00:00Z,{cells}\n");
            read(
                &source(SAMPLES),
                "lab.csv",
                text.as_bytes(),
                &SiteContext::default(),
            )
        };
        let (stored, _) = merged(vec![file("2026-03-02", newer)], &[]);
        let (rows, found) = merged(vec![file("2026-02-05", older)], &stored);
        let columns = ["water_ppm", "water_censor", "acid_mgkoh_g"];
        assert_eq!(shown(&rows, &columns), [expected], "{newer} then {older}");
        assert_eq!(found, [counts], "{newer} then {older}");
        assert_eq!(shown(&rows, &["reported_at"]), ["2026-03-02T00:00:00Z"]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    /// Any order of files, in one ingest or in many, in which each report says all its results.
    #[test]
    fn reports_of_distinct_dates_may_come_in_any_order(
        order in Just((0..6_usize).collect::<Vec<usize>>()).prop_shuffle(),
        waters in prop::collection::vec(1_u32..2000, 6),
        ids in prop::collection::vec(0_u8..3, 6),
        cuts in 0_u8..64,
    ) {
        let lab = source(SAMPLES);
        let file = |idx: usize| {
            let (id, water) = (ids[idx], waters[idx]);
            let text = format!(
                "Id,Reported,W,Acid\nB{id},2026-03-0{}T00:00:00Z,{water},0.{}\n",
                idx + 1, idx + 1,
            );
            read(&lab, "lab.csv", text.as_bytes(), &SiteContext::default())
        };
        let columns = ["sample_id", "reported_at", "water_ppm", "acid_mgkoh_g", "file_hash"];
        let expected = shown(&merged((0..6).map(file).collect(), &[]).0, &columns);
        let mut stored = Vec::new();
        let mut group = Vec::new();
        for (place, idx) in order.iter().enumerate() {
            group.push(file(*idx));
            if cuts & (1 << place) != 0 || place == 5 {
                stored = merged(std::mem::take(&mut group), &stored).0;
            }
        }
        prop_assert_eq!(shown(&stored, &columns), expected);
    }
}
