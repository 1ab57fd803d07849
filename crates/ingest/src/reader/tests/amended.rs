//! Laboratory reports that amend each other: the one reported later holds, whatever the order.

use arrow::array::{RecordBatch, new_null_array};
use arrow::datatypes::DataType;
use proptest::prelude::*;

use super::harness::{Case, merged, read, shown, source};
use crate::rows::FileRows;
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

fn file(source_text: &str, stamp: &str, head: &str, cells: &str) -> FileRows {
    let text = format!("Id,Reported,{head}\nB1,{stamp},{cells}\n");
    let name = format!("{stamp}.csv");
    read(
        &source(source_text),
        &name,
        text.as_bytes(),
        &SiteContext::default(),
    )
}

#[test]
fn an_older_report_that_arrives_later_fills_only_what_no_later_one_spoke_of() {
    let cases = [
        ("94,0.3", "940,0.2", "94 | = | 0.3", "1/0/1/0/0/0"),
        // What the later report leaves empty it takes back, as a later file of any table does.
        ("94,", "940,0.2", "94 | = | -", "1/0/1/0/0/0"),
        // Not detected, without a limit: the sign is the result, an older value is none to fill in.
        ("N/D,0.3", "940,0.2", "- | < | 0.3", "1/0/1/0/0/0"),
        (",0.3", "<20,0.2", "- | - | 0.3", "1/0/1/0/0/0"),
    ];
    for (newer, older, expected, counts) in cases {
        let newer_file = || file(SAMPLES, "2026-03-02T00:00:00Z", "W,Acid", newer);
        let older_file = || file(SAMPLES, "2026-02-05T00:00:00Z", "W,Acid", older);
        let (stored, _) = merged(vec![newer_file()], &[]);
        let (rows, found) = merged(vec![older_file()], &stored);
        let columns = ["water_ppm", "water_censor", "acid_mgkoh_g"];
        assert_eq!(shown(&rows, &columns), [expected], "{newer} then {older}");
        assert_eq!(found, [counts], "{newer} then {older}");
        assert_eq!(shown(&rows, &["reported_at"]), ["2026-03-02T00:00:00Z"]);
        let (stored, _) = merged(vec![older_file()], &[]);
        let (rows, _) = merged(vec![newer_file()], &stored);
        assert_eq!(shown(&rows, &columns), [expected], "{older} then {newer}");
    }
}

#[test]
fn a_row_says_which_reports_it_is_made_of() {
    let (water, code) = ("2026-02-05T00:00:00Z", "2026-03-02T00:00:00.5Z");
    let full = vec![file(SAMPLES, water, "W,Acid", "94,0.3")];
    let (rows, _) = merged(full, &[]);
    assert_eq!(shown(&rows, &["reports"]), [water]);
    let empty = file(SAMPLES, water, "W,Acid", ",0.3");
    let (rows, _) = merged(vec![empty], &[]);
    let expected = format!("{water} water_ppm water_censor");
    assert_eq!(shown(&rows, &["reports"]), [expected]);
    let (rows, _) = merged(vec![file(PARTICLES, code, "Code", "19/17/14")], &rows);
    let expected = format!("{code} iso4406_note; {water} water_ppm water_censor acid_mgkoh_g");
    assert_eq!(shown(&rows, &["reports"]), [expected]);
    let (rows, _) = merged(vec![file(SAMPLES, "", "W,Acid", "50,0.1")], &[]);
    assert_eq!(shown(&rows, &["reports"]), ["-"]);
    let (rows, _) = merged(vec![file(PARTICLES, code, "Code", "19/17/14")], &rows);
    let expected = format!("{code} iso4406_note; - water_ppm water_censor acid_mgkoh_g");
    assert_eq!(shown(&rows, &["reports"]), [expected]);
}

/// Nobody knows what the report of such a row spoke of: nothing older is laid into it.
#[test]
fn a_row_of_an_earlier_version_takes_nothing_from_an_older_report() {
    let newer = file(SAMPLES, "2026-03-02T00:00:00Z", "W,Acid", "N/D,0.3");
    let (stored, _) = merged(vec![newer], &[]);
    let stored: Vec<RecordBatch> = stored
        .iter()
        .map(|batch| {
            let place = batch.schema().index_of("reports").unwrap();
            let mut columns = batch.columns().to_vec();
            columns[place] = new_null_array(&DataType::Utf8, batch.num_rows());
            RecordBatch::try_new(batch.schema(), columns).unwrap()
        })
        .collect();
    let older = file(SAMPLES, "2026-02-05T00:00:00Z", "W,Acid", "940,0.2");
    let (rows, _) = merged(vec![older], &stored);
    let columns = ["water_ppm", "water_censor", "acid_mgkoh_g"];
    assert_eq!(shown(&rows, &columns), ["- | < | 0.3"]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Any order of files, in one ingest or in many; reports of two kinds, with empty cells.
    #[test]
    fn reports_of_distinct_dates_may_come_in_any_order(
        order in Just((0..7_usize).collect::<Vec<usize>>()).prop_shuffle(),
        cells in prop::collection::vec((0_u8..2, 0_u8..3, 0_u32..3, 0_u32..3), 7),
        cuts in 0_u8..128,
    ) {
        let (lab, particles) = (source(SAMPLES), source(PARTICLES));
        let file = |idx: usize| {
            let (id, kind, water, acid) = cells[idx];
            let stamp = format!("2026-03-0{}T00:00:00Z", idx + 1);
            let cell = |n: u32, text: String| if n == 0 { String::new() } else { text };
            let (source, text) = if kind == 0 {
                let code = cell(water, format!("1{idx}/1{acid}/10"));
                (&particles, format!("Id,Reported,Code\nB{id},{stamp},{code}\n"))
            } else {
                let water = cell(water, ["", "<", ""][water as usize].to_owned() + &format!("{idx}0"));
                let acid = cell(acid, format!("0.{idx}"));
                (&lab, format!("Id,Reported,W,Acid\nB{id},{stamp},{water},{acid}\n"))
            };
            read(source, "lab.csv", text.as_bytes(), &SiteContext::default())
        };
        let columns = [
            "sample_id", "reported_at", "water_ppm", "water_censor", "acid_mgkoh_g", "iso4406_4um",
            "iso4406_6um", "reports",
        ];
        let expected = shown(&merged((0..7).map(file).collect(), &[]).0, &columns);
        let mut stored = Vec::new();
        let mut group = Vec::new();
        for (place, idx) in order.iter().enumerate() {
            group.push(file(*idx));
            if cuts & (1 << place) != 0 || place == 6 {
                let (rows, counts) = merged(std::mem::take(&mut group), &stored);
                stored = rows;
                for count in counts {
                    let parts: Vec<u32> = count.split('/').map(|part| part.parse().unwrap()).collect();
                    prop_assert_eq!(parts[0], parts[1] + parts[2] + parts[4], "{}", count);
                }
            }
        }
        prop_assert_eq!(shown(&stored, &columns), expected);
    }
}
