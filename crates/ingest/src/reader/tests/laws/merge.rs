//! One ingest or many, twice or once, whole or in pieces: rows, counts and provenance as the model has them.

use std::sync::LazyLock;

use arrow::array::RecordBatch;
use proptest::prelude::*;

use super::super::harness::{dedented, merged, read, shown, source};
use super::super::in_pieces::{Sizes, read_in_pieces};
use super::exports::{Export, Kind, exports};
use super::model::{Store, lay, shown_store};
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::Source;

const SHOWN: [&str; 7] = [
    "unit_id",
    "at",
    "oil_flow_lpm",
    "water_ppm",
    "alarm",
    "file_hash",
    "line",
];

/// The sources of the five kinds, compiled once.
fn compiled(kind: Kind) -> &'static Source {
    static ALL: LazyLock<[Source; 5]> =
        LazyLock::new(|| Kind::ALL.map(|kind| source(kind.description())));
    &ALL[kind as usize]
}

fn read_export(export: &Export) -> FileRows {
    read(
        compiled(export.kind),
        "log.csv",
        export.text().as_bytes(),
        &SiteContext::default(),
    )
}

/// Ingests groups of exports after each other, each over what the last left.
fn ingest(groups: &[Vec<Export>]) -> (Vec<RecordBatch>, Vec<String>) {
    let mut stored = Vec::new();
    let mut counts = Vec::new();
    for group in groups.iter().filter(|group| !group.is_empty()) {
        let (rows, more) = merged(group.iter().map(read_export).collect(), &stored);
        stored = rows;
        counts.extend(more);
    }
    (stored, counts)
}

/// As [`ingest`] one by one, each read in pieces.
fn ingest_in_pieces(exports: &[Export], sizes: Sizes) -> (Vec<RecordBatch>, Vec<[u64; 6]>) {
    let mut stored = Vec::new();
    let mut counts = Vec::new();
    for export in exports {
        let (text, site) = (export.text(), SiteContext::default());
        let file = ("log.csv", text.as_bytes());
        let parts = read_in_pieces(compiled(export.kind), file, &site, sizes).unwrap();
        let mut sum = [0; 6];
        for part in parts {
            let (rows, more) = merged(vec![part], &stored);
            stored = rows;
            for line in more {
                for (sum, n) in sum.iter_mut().zip(numbers(&line)) {
                    *sum += n;
                }
            }
        }
        counts.push(sum);
    }
    (stored, counts)
}

/// The six counts of a file.
fn numbers(shown: &str) -> Vec<u64> {
    shown.split('/').map(|n| n.parse().unwrap()).collect()
}

/// Cuts the exports where a bit is set.
fn cut(exports: &[Export], cuts: u8) -> Vec<Vec<Export>> {
    let mut groups = vec![Vec::new()];
    for (place, export) in exports.iter().enumerate() {
        if cuts & (1 << (place % 8)) != 0 {
            groups.push(Vec::new());
        }
        groups.last_mut().unwrap().push(export.clone());
    }
    groups
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn rows_counts_and_provenance_are_those_of_the_model(exports in exports(), cuts in 0_u8..=255) {
        let mut store = Store::new();
        let expected: Vec<String> = exports
            .iter()
            .map(|export| lay(&mut store, export, read_export(export).file_hash()))
            .collect();
        for cuts in [0, cuts, 255] {
            let (rows, counts) = ingest(&cut(&exports, cuts));
            prop_assert_eq!(shown(&rows, &SHOWN), shown_store(&store));
            prop_assert_eq!(&counts, &expected);
        }
    }

    #[test]
    fn pieces_give_the_rows_of_the_model(
        exports in exports(),
        piece in prop::sample::select(vec![1_usize, 30, 60, 150, 1 << 20]),
        at_a_time in 1_usize..4,
        slice in prop::sample::select(vec![1_usize, 100, 1 << 20]),
    ) {
        let mut store = Store::new();
        let expected: Vec<Vec<u64>> = exports
            .iter()
            .map(|export| numbers(&lay(&mut store, export, read_export(export).file_hash())))
            .collect();
        let (rows, counts) = ingest_in_pieces(&exports, Sizes { piece, at_a_time, slice });
        prop_assert_eq!(shown(&rows, &SHOWN), shown_store(&store));
        prop_assert_eq!(counts.iter().map(|n| n.to_vec()).collect::<Vec<_>>(), expected);
    }

    #[test]
    fn the_last_file_again_changes_no_cell(exports in exports()) {
        let (rows, _) = ingest(std::slice::from_ref(&exports));
        let last = exports.last().unwrap();
        let (again, counts) = merged(vec![read_export(last)], &rows);
        prop_assert_eq!(shown(&rows, &SHOWN[..5]), shown(&again, &SHOWN[..5]));
        if last.names_each_key_once() {
            prop_assert_eq!(shown(&rows, &SHOWN), shown(&again, &SHOWN));
            prop_assert!(counts[0].split('/').nth(1) == Some("0"), "{:?}", counts);
        }
    }

    /// Files of other units, in any order, give the same rows.
    #[test]
    fn files_that_share_no_key_may_come_in_any_order(
        order in Just(vec![0_u8, 1, 2, 3]).prop_shuffle(),
        values in prop::collection::vec(0_u8..100, 4),
    ) {
        for kind in Kind::ALL {
            let rows = |order: &[u8]| {
                let files = order
                    .iter()
                    .map(|unit| Export::of_unit(kind, *unit, values[usize::from(*unit)]))
                    .map(|export| read_export(&export))
                    .collect();
                shown(&merged(files, &[]).0, &SHOWN)
            };
            prop_assert_eq!(rows(&order).len(), 4);
            prop_assert_eq!(rows(&order), rows(&[0, 1, 2, 3]));
        }
    }
}

const GAUGES: &str = r#"
    table = "readings"
    layout = "tall"
    [tall]
    tag = "Tag"
    value = "Value"
    pattern = '(?<unit_id>[^.]+)\.(?<signal>.+)'
    [columns]
    unit_id = {}
    at = { from = "Time", format = "rfc3339" }
    chamber_pressure_kpa = { signal = "VAC", unit = "kPa", reference = "vacuum" }
    ambient_kpa = { signal = "BARO", unit = "kPa" }
"#;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    /// A gauge and its barometer come on two lines, in any order, in one file or in many.
    #[test]
    fn a_barometer_finds_its_gauge(
        vacuums in prop::collection::vec(0_u32..90, 6),
        barometers in prop::collection::vec(prop::option::of(95_u32..105), 6),
        order in Just((0..12).collect::<Vec<usize>>()).prop_shuffle(),
        cuts in 0_u32..4096,
    ) {
        let source = source(GAUGES);
        let line = |idx: usize| {
            let place = idx / 2;
            let head = format!("2026-03-0{}T00:00:00Z,U-1", place + 1);
            if idx.is_multiple_of(2) {
                Some(format!("{head}.VAC,{}\n", vacuums[place]))
            } else {
                barometers[place].map(|kpa| format!("{head}.BARO,{kpa}\n"))
            }
        };
        let mut texts = vec![String::from("Time,Tag,Value\n")];
        for (place, idx) in order.iter().enumerate() {
            if cuts & (1 << place) != 0 {
                texts.push(String::from("Time,Tag,Value\n"));
            }
            if let Some(line) = line(*idx) {
                texts.last_mut().unwrap().push_str(&line);
            }
        }
        let files = || texts.iter().map(|text| {
            read(&source, "h.csv", dedented(text).as_bytes(), &SiteContext::default())
        });
        let mut expected = Vec::new();
        for (place, vacuum) in vacuums.iter().enumerate() {
            let (ambient, basis) = match barometers[place] {
                Some(kpa) => (f64::from(kpa), "measured"),
                None => (101.325, "default"),
            };
            let chamber = format!("{:.3}", ambient - f64::from(*vacuum));
            let chamber = chamber.trim_end_matches('0').trim_end_matches('.').to_owned();
            expected.push(format!("2026-03-0{}T00:00:00Z | {chamber} | {ambient} | {basis}", place + 1));
        }
        let columns = ["at", "chamber_pressure_kpa", "ambient_kpa", "barometer_basis"];
        let (at_once, _) = merged(files().collect(), &[]);
        prop_assert_eq!(shown(&at_once, &columns), expected.clone());
        let mut stored = Vec::new();
        for file in files() {
            stored = merged(vec![file], &stored).0;
        }
        prop_assert_eq!(shown(&stored, &columns), expected);
    }
}
