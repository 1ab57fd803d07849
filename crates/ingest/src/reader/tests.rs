//! Dialects: what a description and a text give, side by side.

mod above;
mod again;
mod amended;
mod barometers;
mod bytes;
mod cleanliness;
mod controllers;
mod dates;
mod fuzz;
mod harness;
mod headers;
mod in_pieces;
mod laboratory;
mod laws;
mod layouts;
mod nulls;
mod objects;
mod pressures;
mod shapes;
mod stamps;
mod text;
mod turned;
mod units;
mod warnings;
mod workbooks;

use drydown_quantity::Stamp;

use super::FileInput;
use crate::site::SiteContext;
use crate::source::SourceSpec;

/// Reads any bytes: every record must be accounted for.
pub(crate) fn check_any(source: &crate::source::Source, name: &str, bytes: &[u8]) {
    harness::read(source, name, bytes, &SiteContext::default());
}

/// Reads a text and shows `rows_in/rejected/ignored` and each reject as `line column`.
fn check(columns: &str, head: &str, bytes: &[u8], expected: &str) {
    let toml = format!(
        "name = \"s\"\ntable = \"readings\"\nfiles = [\"*\"]\nlayout = \"wide\"\n{head}\n[columns]\nunit_id = {{ from = \"Unit\" }}\n{columns}\n"
    );
    let spec: SourceSpec = toml::from_str(&toml).unwrap();
    let source = spec.compile().unwrap();
    let loaded_at: Stamp = "2026-12-01".parse().unwrap();
    let input = FileInput {
        name: "x.csv",
        bytes,
        loaded_at,
        max_text: 1 << 20,
    };
    let rows = source.read_file(&input, &SiteContext::default());
    let counts = rows.counts();
    let rejects: Vec<String> = rows
        .rejects()
        .iter()
        .map(|reject| format!("{} {}", reject.line, reject.column))
        .collect();
    let shown = format!(
        "{}/{}/{} [{}]",
        counts.rows_in,
        counts.rows_rejected,
        counts.rows_ignored,
        rejects.join(", ")
    );
    assert_eq!(shown, expected, "{}", String::from_utf8_lossy(bytes));
}

const RFC: &str = "at = { from = \"Time\", format = \"rfc3339\" }\noil_flow_lpm = { from = \"Q\", unit = \"L/min\" }";

#[test]
fn records_that_cannot_be_read_are_rejected_with_their_line() {
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2026-03-01T10:00:00Z,60\n",
        "1/0/0 []",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\r\nU-1,2026-03-01T10:00:00Z,60\r\n",
        "1/0/0 []",
    );
    check(RFC, "", b"", "0/0/0 []");
    check(
        RFC,
        "",
        b"Unit,Time,Q\n\nU-1,2026-03-01T10:00:00Z\n",
        "1/1/0 [3 ]",
    );
    check(RFC, "", b"Unit,Time,Q\nUnit,Time,Q\n", "1/1/0 [2 ]");
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2027-03-01T10:00:00Z,60\n",
        "1/1/0 [2 ]",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\n,2026-03-01T10:00:00Z,60\n",
        "1/1/0 [2 ]",
    );
}

#[test]
fn cells_out_of_bounds_or_unreadable_become_null_with_an_entry() {
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2026-03-01T10:00:00Z,-5\n",
        "1/0/0 [2 oil_flow_lpm]",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2026-03-01T10:00:00Z,abc\n",
        "1/0/0 [2 oil_flow_lpm]",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2026-03-01T10:00:00Z,\n",
        "1/0/0 []",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\nU-1,2026-03-01T10:00:00Z,-\n",
        "1/0/0 [2 oil_flow_lpm]",
    );
}

#[test]
fn delimiters_decimals_preambles_and_encodings() {
    check(
        RFC,
        "delimiter = \";\"\ndecimal = \",\"\nskip_lines = 1",
        b"made by hand\nUnit;Time;Q\nU-1;2026-03-01T10:00:00Z;60,5\n",
        "1/0/0 []",
    );
    check(
        RFC,
        "delimiter = \"\\t\"",
        b"Unit\tTime\tQ\nU-1\t2026-03-01T10:00:00Z\t60\n",
        "1/0/0 []",
    );
    check(
        RFC,
        "",
        b"\xef\xbb\xbfUnit,Time,Q\nU-1,2026-03-01T10:00:00Z,60\n",
        "1/0/0 []",
    );
    check(
        RFC,
        "",
        b"Unit,Time,Q\n\"U\n1\",2026-03-01T10:00:00Z,60\nU-1,x,1\n",
        "2/1/0 [4 ]",
    );
}

#[test]
fn an_hour_that_never_was_is_rejected() {
    let local = "at = { from = \"Time\", format = \"%Y-%m-%d %H:%M\" }\noil_flow_lpm = { from = \"Q\", unit = \"L/min\" }";
    check(
        local,
        "timezone = \"America/Chicago\"",
        b"Unit,Time,Q\nU-1,2026-03-08 02:30,60\nU-1,2026-03-08 03:30,60\n",
        "2/1/0 [2 ]",
    );
}

#[test]
fn a_repeated_header_of_a_register_is_no_row() {
    let toml = "name = \"s\"\ntable = \"sites\"\nfiles = [\"*\"]\nlayout = \"wide\"\n[columns]\nsite_id = { from = \"Site\" }\nname = { from = \"Name\" }\n";
    let spec: SourceSpec = toml::from_str(toml).unwrap();
    let input = FileInput {
        name: "x.csv",
        bytes: b"Site,Name\nS-1,Mill\nSite,Name\nS-2,Yard\n",
        loaded_at: "2026-12-01".parse().unwrap(),
        max_text: 1 << 20,
    };
    let rows = spec
        .compile()
        .unwrap()
        .read_file(&input, &SiteContext::default());
    assert_eq!(
        (
            rows.counts().rows_in,
            rows.counts().rows_rejected,
            rows.n_rows()
        ),
        (3, 1, 2)
    );
}

/// A source of run logs whose unit stands in the file's name.
const NAMED: &str = r#"
name = "named"
table = "readings"
files = ["*"]
layout = "wide"
file_name = '^(?<unit_id>U-\d+)_'
[columns]
unit_id = {}
at = { from = "Time", format = "rfc3339" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
"#;

fn read_named(name: &str, bytes: &[u8]) -> crate::rows::FileRows {
    let spec: SourceSpec = toml::from_str(NAMED).unwrap();
    let input = FileInput {
        name,
        bytes,
        loaded_at: "2026-12-01".parse().unwrap(),
        max_text: 1 << 20,
    };
    spec.compile()
        .unwrap()
        .read_file(&input, &SiteContext::default())
}

#[test]
fn bytes_that_do_not_unpack_are_one_reject_with_their_head() {
    let rows = read_named("U-1_a.csv.gz", &[0x1f, 0x8b, 8, 0, 1, 2, 3]);
    let counts = rows.counts();
    assert_eq!((counts.rows_in, counts.rows_rejected), (1, 1));
    let [reject] = rows.rejects() else {
        panic!("{:?}", rows.rejects())
    };
    assert_eq!(
        (reject.line, reject.raw.as_str()),
        (1, "1f8b0800010203 (7 bytes)")
    );
    assert!(reject.reason.contains("gzip"), "{}", reject.reason);
}

#[test]
fn the_same_bytes_under_the_name_of_another_unit_are_another_file() {
    let text = b"Time,Q\n2026-03-01T10:00:00Z,60\n";
    let hash = |name: &str| read_named(name, text).file_hash().to_owned();
    assert_eq!(hash("U-1_a.csv"), hash("old/U-1_b.csv"));
    assert_ne!(hash("U-1_a.csv"), hash("U-2_a.csv"));
    // A source that takes nothing from names has the plain hash, as `b3sum` prints it.
    let plain = blake3::hash(text).to_hex().to_string();
    assert_ne!(hash("U-1_a.csv"), plain);
    assert_eq!(hash("nothing.csv"), plain);
}

/// What the reference page shows must be what the program reads.
#[test]
fn the_page_on_sources_compiles() {
    #[derive(serde::Deserialize)]
    struct Page {
        source: Vec<SourceSpec>,
    }
    let page = include_str!("../../../../data-schema/sources.md");
    let blocks: Vec<&str> = page
        .split("```toml\n")
        .skip(1)
        .filter_map(|rest| rest.split("```").next())
        .collect();
    assert_eq!(blocks.len(), 5);
    for block in blocks {
        let page: Page = toml::from_str(block).unwrap();
        for spec in page.source {
            spec.compile().unwrap();
        }
    }
}

/// Every key that a block may have is explained.
#[test]
fn the_page_on_sources_names_every_key() {
    let page = include_str!("../../../../data-schema/sources.md");
    let keys = |text: &str| -> Vec<String> {
        let error = toml::from_str::<SourceSpec>(text).unwrap_err().to_string();
        let list = error.split("expected one of ").nth(1).unwrap().to_owned();
        let names = list.split('`').skip(1).step_by(2);
        names.map(str::to_owned).collect()
    };
    let head = "name = \"a\"\ntable = \"readings\"\nfiles = []\n";
    let mut all = keys(&format!("{head}nothing = 1\n"));
    all.extend(keys(&format!("{head}[columns]\nat = {{ nothing = 1 }}\n")));
    assert!(all.len() > 25, "{all:?}");
    for key in all {
        let is_named = page.contains(&format!("`{key}"))
            || page.contains(&format!("{key} "))
            || page.contains(&format!("{key}="));
        assert!(is_named, "{key}");
    }
}
