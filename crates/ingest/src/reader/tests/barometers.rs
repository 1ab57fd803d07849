//! A better barometer leaves the gauge reading what it was and an absolute reading alone, in
//! whichever order and from whichever source the two come.
//!
//! Every case is a list of files, laid over each other first in one ingest and then one by one,
//! and the row `chamber | ambient | basis` that must stand at the end.

use arrow::array::RecordBatch;
use proptest::prelude::*;

use super::harness::{merged, read, shown, source};
use crate::site::SiteContext;

const HEAD: &str = "table = \"readings\"\n[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\", format = \"rfc3339\" }\n";

/// What one file says of the one reading of a case.
#[derive(Clone, Copy, Debug)]
enum Says {
    /// kPa below the atmosphere, from a log without a barometer; None: an empty cell.
    Vacuum(Option<&'static str>),
    /// kPa absolute, from a sensor of its own.
    Absolute(Option<&'static str>),
    /// The barometer alone, kPa.
    Barometer(Option<&'static str>),
    /// kPa below the atmosphere and the barometer, in one row.
    Both(&'static str, &'static str),
    /// kPa absolute and the barometer, in one row.
    AbsoluteBeside(&'static str, &'static str),
    /// As `Both`, each on a line of its own, the pressure first.
    Lines(&'static str, &'static str),
    /// As `Lines`, the barometer first.
    LinesBack(&'static str, &'static str),
    /// One line with the barometer.
    Line(&'static str),
}
use Says::{Absolute, AbsoluteBeside, Barometer, Both, Line, Lines, LinesBack, Vacuum};

const AT: &str = "2026-03-01T10:00:00Z";

impl Says {
    fn description(self) -> String {
        let vacuum =
            "chamber_pressure_kpa = { from = \"P\", unit = \"kPa\", reference = \"vacuum\" }\n";
        let absolute =
            "chamber_pressure_kpa = { from = \"P\", unit = \"kPa\", reference = \"absolute\" }\n";
        let barometer = "ambient_kpa = { from = \"B\", unit = \"kPa\" }\n";
        match self {
            Vacuum(_) => format!("name = \"log\"\n{HEAD}{vacuum}"),
            Absolute(_) => format!("name = \"sensor\"\n{HEAD}{absolute}"),
            Barometer(_) => format!("name = \"weather\"\n{HEAD}{barometer}"),
            Both(..) => format!("name = \"both\"\n{HEAD}{vacuum}{barometer}"),
            AbsoluteBeside(..) => format!("name = \"beside\"\n{HEAD}{absolute}{barometer}"),
            Lines(..) | LinesBack(..) | Line(_) => String::from(
                "name = \"lines\"\ntable = \"readings\"\nlayout = \"tall\"\n[tall]\ntag = \"Tag\"\nvalue = \"V\"\n[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\", format = \"rfc3339\" }\nchamber_pressure_kpa = { signal = \"P\", unit = \"kPa\", reference = \"vacuum\" }\nambient_kpa = { signal = \"B\", unit = \"kPa\" }\n",
            ),
        }
    }

    fn text(self) -> String {
        let wide = |columns: &str, cells: &[&str]| {
            format!("Unit,Time,{columns}\nU-1,{AT},{}\n", cells.join(","))
        };
        let tall = |lines: &[(&str, &str)]| {
            let mut text = String::from("Unit,Time,Tag,V\n");
            for (tag, value) in lines {
                text.push_str(&format!("U-1,{AT},{tag},{value}\n"));
            }
            text
        };
        match self {
            Vacuum(cell) | Absolute(cell) => wide("P", &[cell.unwrap_or("")]),
            Barometer(cell) => wide("B", &[cell.unwrap_or("")]),
            Both(pressure, barometer) | AbsoluteBeside(pressure, barometer) => {
                wide("P,B", &[pressure, barometer])
            }
            Lines(pressure, barometer) => tall(&[("P", pressure), ("B", barometer)]),
            LinesBack(pressure, barometer) => tall(&[("B", barometer), ("P", pressure)]),
            Line(barometer) => tall(&[("B", barometer)]),
        }
    }
}

/// The row that stands after the files, and the reject entries of the merge.
fn lay(files: &[Says], one_by_one: bool) -> String {
    let rows = |says: &Says| {
        read(
            &source(&says.description()),
            "log.csv",
            says.text().as_bytes(),
            &SiteContext::default(),
        )
    };
    let columns = ["chamber_pressure_kpa", "ambient_kpa", "barometer_basis"];
    let stored: Vec<RecordBatch> = if one_by_one {
        files.iter().fold(Vec::new(), |stored, says| {
            merged(vec![rows(says)], &stored).0
        })
    } else {
        merged(files.iter().map(rows).collect(), &[]).0
    };
    shown(&stored, &columns).join("\n")
}

#[test]
fn the_gauge_reading_stays_what_it_was() {
    let cases: &[(&str, &[Says], &str)] = &[
        // 101.325 is the standard atmosphere at sea level (ISO 2533).
        (
            "no barometer",
            &[Vacuum(Some("60"))],
            "41.325 | 101.325 | default",
        ),
        (
            "one later",
            &[Vacuum(Some("60")), Barometer(Some("99"))],
            "39 | 99 | measured",
        ),
        (
            "one before",
            &[Barometer(Some("99")), Vacuum(Some("60"))],
            "39 | 99 | measured",
        ),
        (
            "a corrected one",
            &[
                Vacuum(Some("60")),
                Barometer(Some("99")),
                Barometer(Some("98")),
            ],
            "38 | 98 | measured",
        ),
        (
            "a corrected one of a row of both",
            &[Both("60", "99"), Barometer(Some("98"))],
            "38 | 98 | measured",
        ),
        (
            "a row of both again",
            &[Both("60", "99"), Both("60", "98")],
            "38 | 98 | measured",
        ),
        ("two lines", &[Lines("60", "99")], "39 | 99 | measured"),
        (
            "two lines again",
            &[Lines("60", "99"), Lines("60", "98")],
            "38 | 98 | measured",
        ),
        (
            "barometer first",
            &[LinesBack("60", "99"), LinesBack("60", "98")],
            "38 | 98 | measured",
        ),
        (
            "one line again",
            &[Lines("60", "99"), Line("98")],
            "38 | 98 | measured",
        ),
        (
            "lines over a row",
            &[Vacuum(Some("60")), Lines("61", "98")],
            "37 | 98 | measured",
        ),
        (
            "lines over a row of both",
            &[Both("60", "99"), Lines("61", "98")],
            "37 | 98 | measured",
        ),
        // The barometer a reading was converted with is not taken away by an empty cell.
        (
            "an empty one later",
            &[Vacuum(Some("60")), Barometer(None)],
            "41.325 | 101.325 | default",
        ),
        (
            "an empty one after a measured one",
            &[Vacuum(Some("60")), Barometer(Some("99")), Barometer(None)],
            "39 | 99 | measured",
        ),
        (
            "an empty reading",
            &[Both("60", "99"), Vacuum(None)],
            "- | 99 | measured",
        ),
        (
            "the reading comes back",
            &[Both("60", "99"), Vacuum(None), Vacuum(Some("61"))],
            "38 | 99 | measured",
        ),
    ];
    for (name, files, expected) in cases {
        for one_by_one in [false, true] {
            assert_eq!(&lay(files, one_by_one), expected, "{name}, {one_by_one}");
        }
    }
}

#[test]
fn an_absolute_reading_does_not_move_with_the_barometer() {
    let cases: &[(&str, &[Says], &str)] = &[
        ("alone", &[Absolute(Some("40"))], "40 | - | -"),
        (
            "a barometer later",
            &[Absolute(Some("40")), Barometer(Some("99"))],
            "40 | 99 | -",
        ),
        (
            "a barometer before",
            &[Barometer(Some("99")), Absolute(Some("40"))],
            "40 | 99 | -",
        ),
        (
            "a corrected one",
            &[
                Absolute(Some("40")),
                Barometer(Some("99")),
                Barometer(Some("98")),
            ],
            "40 | 98 | -",
        ),
        ("in one row", &[AbsoluteBeside("40", "99")], "40 | 99 | -"),
        (
            "in one row, then corrected",
            &[AbsoluteBeside("40", "99"), Barometer(Some("98"))],
            "40 | 98 | -",
        ),
        (
            "an empty one",
            &[AbsoluteBeside("40", "99"), Barometer(None)],
            "40 | - | -",
        ),
        (
            "lines of a log",
            &[Absolute(Some("40")), Line("98")],
            "40 | 98 | -",
        ),
        // The last pressure stands; a barometer out of the registers goes with the reading it was for.
        (
            "over a gauge",
            &[Vacuum(Some("60")), Absolute(Some("40"))],
            "40 | - | -",
        ),
        (
            "over a gauge with a barometer",
            &[Both("60", "99"), Absolute(Some("40"))],
            "40 | 99 | -",
        ),
        (
            "over a gauge, then corrected",
            &[
                Both("60", "99"),
                Absolute(Some("40")),
                Barometer(Some("98")),
            ],
            "40 | 98 | -",
        ),
        (
            "a gauge over it",
            &[
                AbsoluteBeside("40", "99"),
                Vacuum(Some("60")),
                Barometer(Some("98")),
            ],
            "38 | 98 | measured",
        ),
        (
            "lines over it",
            &[AbsoluteBeside("40", "97"), Lines("60", "99")],
            "39 | 99 | measured",
        ),
        (
            "lines back over it",
            &[AbsoluteBeside("40", "97"), LinesBack("60", "99")],
            "39 | 99 | measured",
        ),
        (
            "an empty cell over it",
            &[AbsoluteBeside("40", "97"), Absolute(None)],
            "- | 97 | -",
        ),
    ];
    for (name, files, expected) in cases {
        for one_by_one in [false, true] {
            assert_eq!(&lay(files, one_by_one), expected, "{name}, {one_by_one}");
        }
    }
}

#[test]
fn a_reading_that_the_barometer_makes_impossible_is_null_with_an_entry() {
    // 98 kPa of vacuum fit under the standard atmosphere, not under 97 kPa.
    let orders: &[(&[Says], usize, &str)] = &[
        (
            &[Vacuum(Some("98")), Barometer(Some("97"))],
            1,
            "- | 97 | measured",
        ),
        (
            &[Barometer(Some("97")), Vacuum(Some("98"))],
            1,
            "- | 97 | measured",
        ),
        (&[Vacuum(Some("98")), Line("97")], 1, "- | 97 | measured"),
        (
            &[Vacuum(Some("98")), Barometer(Some("99"))],
            2,
            "1 | 99 | measured",
        ),
    ];
    for (files, speaker, expected) in orders {
        let rows: Vec<_> = files
            .iter()
            .map(|says| {
                let source = source(&says.description());
                read(
                    &source,
                    "log.csv",
                    says.text().as_bytes(),
                    &SiteContext::default(),
                )
            })
            .collect();
        let mut plan = crate::merge::MergePlan::new(rows[0].table(), rows);
        let part = plan.parts().remove(0);
        let merged = plan.merge_part(&part, &[]).unwrap();
        let columns = ["chamber_pressure_kpa", "ambient_kpa", "barometer_basis"];
        assert_eq!(shown(&merged.added, &columns), [*expected], "{files:?}");
        let entries: Vec<(usize, String)> = plan
            .into_files()
            .iter()
            .enumerate()
            .flat_map(|(file, rows)| {
                let shown = rows.rejects().iter().map(move |reject| {
                    (
                        file,
                        format!(
                            "{} {} [{}] {}",
                            reject.line, reject.column, reject.raw, reject.reason
                        ),
                    )
                });
                shown.collect::<Vec<_>>()
            })
            .collect();
        let wanted = (*speaker, "2 chamber_pressure_kpa [-98 kPa gauge] at the measured barometer of 97.000 kPa that is -1.000 kPa absolute, which lies outside 0…101.850".to_owned());
        let wanted = if *speaker < files.len() {
            vec![wanted]
        } else {
            Vec::new()
        };
        assert_eq!(entries, wanted, "{files:?}");
    }
}

fn says() -> impl Strategy<Value = Says> {
    let pressure = prop::sample::select(vec!["40", "60", "60.5", "95"]);
    let barometer = prop::sample::select(vec!["97", "98.5", "101.325", "103"]);
    let maybe = |values: &'static [&'static str]| {
        prop::option::weighted(0.8, prop::sample::select(values.to_vec()))
    };
    prop_oneof![
        maybe(&["40", "60", "60.5", "95"]).prop_map(Vacuum),
        maybe(&["40", "60", "60.5", "95"]).prop_map(Absolute),
        maybe(&["97", "98.5", "101.325", "103"]).prop_map(Barometer),
        (pressure.clone(), barometer.clone()).prop_map(|(p, b)| Both(p, b)),
        (pressure.clone(), barometer.clone()).prop_map(|(p, b)| AbsoluteBeside(p, b)),
        (pressure.clone(), barometer.clone()).prop_map(|(p, b)| Lines(p, b)),
        (pressure, barometer.clone()).prop_map(|(p, b)| LinesBack(p, b)),
        barometer.prop_map(Line),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// The last pressure that was stated stands: absolute as it is, a gauge's as its distance from the
    /// barometer beside it.
    #[test]
    fn the_last_reading_stands_whatever_the_barometers_do(files in prop::collection::vec(says(), 1..7)) {
        let found = lay(&files, false);
        prop_assert_eq!(&found, &lay(&files, true), "{:?}", files);
        let last = files.iter().rev().find_map(|says| match *says {
            Vacuum(cell) => Some((false, cell)),
            Absolute(cell) => Some((true, cell)),
            Both(cell, _) | Lines(cell, _) | LinesBack(cell, _) => Some((false, Some(cell))),
            AbsoluteBeside(cell, _) => Some((true, Some(cell))),
            Barometer(_) | Line(_) => None,
        });
        let cells: Vec<Option<f64>> = found.split(" | ").take(2).map(|cell| cell.parse().ok()).collect();
        let (is_absolute, stated) = last.unwrap_or((true, None));
        let stated: Option<f64> = stated.and_then(|text| text.parse().ok());
        let read = match (is_absolute, cells[0], cells[1]) {
            (true, chamber, _) => chamber,
            (false, Some(chamber), Some(ambient)) => Some(ambient - chamber),
            _ => None,
        };
        prop_assert_eq!(stated.is_some(), read.is_some(), "{:?}: {}", files, found);
        if let (Some(stated), Some(read)) = (stated, read) {
            prop_assert!((stated - read).abs() < 1e-5, "{:?}: {}", files, found);
        }
        prop_assert!(!is_absolute || stated.is_none() || found.ends_with('-'), "{:?}: {}", files, found);
    }
}
