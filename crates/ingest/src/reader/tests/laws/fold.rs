//! A log that runs through the night on which clocks are set back comes out as it went.

use drydown_quantity::Stamp;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::super::harness::{merged, read, shown, source};
use crate::site::SiteContext;

const MINUTE: i64 = 60_000_000;

fn stamp(text: &str) -> i64 {
    text.parse::<Stamp>().unwrap().micros()
}

/// Rows at these instants as a local clock shows them, newest last or newest first.
fn log(zone: &str, instants: &[i64], newest_first: bool) -> String {
    let zone = TimeZone::get(zone).unwrap();
    let mut lines: Vec<String> = instants
        .iter()
        .map(|at| {
            let shown = zone.to_datetime(Timestamp::from_microsecond(*at).unwrap());
            format!(
                "U-1,{},{}\n",
                shown.strftime("%Y-%m-%d %H:%M"),
                at / MINUTE % 1000
            )
        })
        .collect();
    if newest_first {
        lines.reverse();
    }
    format!("Unit,Time,Q\n{}", lines.concat())
}

/// The nights of the repeated hour: a zone and an instant a little before it.
fn nights() -> impl Strategy<Value = (&'static str, &'static str)> {
    prop::sample::select(vec![
        ("America/Chicago", "2026-11-01T04:00:00Z"),
        ("Europe/Berlin", "2026-10-24T22:00:00Z"),
        ("America/New_York", "2025-11-02T03:00:00Z"),
        ("Australia/Adelaide", "2026-04-04T13:30:00Z"),
    ])
}

/// What each instant of a night reads as; no two read the same.
fn value(at: i64, start: &str) -> i64 {
    (at - stamp(start)) / MINUTE
}

/// The rows of a night as a local clock shows them: its text, and what was read.
fn shown_night(zone: &str, start: &str, instants: &[i64]) -> Vec<(String, i64)> {
    let zone = TimeZone::get(zone).unwrap();
    instants
        .iter()
        .map(|at| {
            let shown = zone.to_datetime(Timestamp::from_microsecond(*at).unwrap());
            (
                shown.strftime("%Y-%m-%d %H:%M").to_string(),
                value(*at, start),
            )
        })
        .collect()
}

fn instants(start: &str, offset: i64, step: i64) -> Vec<i64> {
    (0..)
        .map(|n| stamp(start) + (offset + n * step) * MINUTE)
        .take_while(|at| *at < stamp(start) + 7 * 60 * MINUTE)
        .collect()
}

/// A wide or a tall source of such lines, and the text of a file.
fn file(zone: &str, lines: &[(String, i64)], is_tall: bool) -> (crate::source::Source, String) {
    let (head, columns) = if is_tall {
        (
            "layout = \"tall\"\n",
            "[tall]\ntag = \"Tag\"\nvalue = \"Q\"\npattern = '(?<unit_id>[^:]+):(?<signal>.+)'\n[columns]\nat = { from = \"Time\", format = \"%Y-%m-%d %H:%M\" }\noil_flow_lpm = { signal = \"Q\" }\n",
        )
    } else {
        (
            "",
            "[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\", format = \"%Y-%m-%d %H:%M\" }\noil_flow_lpm = { from = \"Q\" }\n",
        )
    };
    let source = source(&format!(
        "table = \"readings\"\n{head}timezone = \"{zone}\"\n{columns}"
    ));
    let (title, unit) = if is_tall {
        ("Tag", "U-1:Q")
    } else {
        ("Unit", "U-1")
    };
    let lines: Vec<String> = lines
        .iter()
        .map(|(shown, value)| format!("{unit},{shown},{value}\n"))
        .collect();
    (source, format!("{title},Time,Q\n{}", lines.concat()))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Sorted by the text of its stamps, with the first pass of each before the second.
    #[test]
    fn a_sorted_night_comes_out_as_it_went(
        step in prop::sample::select(vec![1_i64, 5, 10, 15, 20, 30]),
        night in nights(),
        is_tall in any::<bool>(),
    ) {
        let (zone, start) = night;
        let instants = instants(start, 0, step);
        let mut lines = shown_night(zone, start, &instants);
        lines.sort_by(|a, b| a.0.cmp(&b.0));
        let (source, text) = file(zone, &lines, is_tall);
        let rows = read(&source, "log.csv", text.as_bytes(), &SiteContext::default());
        prop_assert!(rows.rejects().is_empty(), "{:?}", rows.rejects());
        let (batches, _) = merged(vec![rows], &[]);
        let expected: Vec<String> = instants
            .iter()
            .map(|at| format!("{} | {}", Stamp::from_micros(*at).rfc3339(), value(*at, start)))
            .collect();
        prop_assert_eq!(shown(&batches, &["at", "oil_flow_lpm"]), expected, "{}", text);
    }

    /// In whatever order the lines of an export stand, each reading ends stored or rejected, and
    /// nothing is superseded by the other pass of its own file.
    #[test]
    fn no_order_loses_a_reading(
        step in prop::sample::select(vec![1_i64, 7, 10, 20, 30, 60]),
        night in nights(),
        order in prop::sample::select(vec!["any", "sorted", "sorted down", "stretches"]),
        is_tall in any::<bool>(),
        seeds in prop::collection::vec(any::<u64>(), 420),
        stopped in (0_i64..400, 0_i64..90),
    ) {
        let (zone, start) = night;
        let (from, minutes) = stopped;
        let mut instants = instants(start, 0, step);
        instants.retain(|at| !(from..from + minutes).contains(&value(*at, start)));
        let mut lines = shown_night(zone, start, &instants);
        let mut keyed: Vec<(u64, (String, i64))> = seeds.into_iter().zip(lines.clone()).collect();
        match order {
            "sorted" => lines.sort_by(|a, b| a.0.cmp(&b.0)),
            "sorted down" => lines.sort_by(|a, b| b.cmp(a)),
            "any" => {
                keyed.sort();
                lines = keyed.into_iter().map(|(_, line)| line).collect();
            }
            // Blocks of the log, laid one after the other in any order.
            _ => {
                let places: Vec<u64> = keyed.iter().map(|(seed, _)| *seed).collect();
                for (n, (seed, _)) in keyed.iter_mut().enumerate() {
                    *seed = places[n / 23];
                }
                keyed.sort_by_key(|(seed, _)| *seed);
                lines = keyed.into_iter().map(|(_, line)| line).collect();
            }
        }
        let (source, text) = file(zone, &lines, is_tall);
        let rows = read(&source, "log.csv", text.as_bytes(), &SiteContext::default());
        let n_rejected = rows.rejects().len();
        let (batches, counts) = merged(vec![rows], &[]);
        let stored = shown(&batches, &["oil_flow_lpm"]);
        prop_assert_eq!(stored.len() + n_rejected, instants.len(), "{:?}\n{}", counts, text);
        let distinct: std::collections::BTreeSet<&String> = stored.iter().collect();
        prop_assert_eq!(distinct.len(), stored.len(), "{}", text);
        prop_assert_eq!(
            counts,
            [format!("{0}/{1}/0/0/{n_rejected}/0", instants.len(), stored.len())]
        );
    }

    /// Steps of up to an hour: a longer one may show the repeated hour once, without a jump.
    #[test]
    fn the_night_comes_out_as_it_went(
        step in prop::sample::select(vec![1_i64, 5, 7, 10, 15, 20, 30, 45, 59, 60]),
        offset in 0_i64..60,
        zone in prop::sample::select(vec![
            // The first instant after midnight of the night in question, and its end.
            ("America/Chicago", "2026-11-01T04:00:00Z"),
            ("Europe/Berlin", "2026-10-24T22:00:00Z"),
            ("America/New_York", "2025-11-02T03:00:00Z"),
            ("Australia/Adelaide", "2026-04-04T13:30:00Z"),
        ]),
        newest_first in any::<bool>(),
    ) {
        let (zone, start) = zone;
        let instants: Vec<i64> = (0..)
            .map(|n| stamp(start) + (offset + n * step) * MINUTE)
            .take_while(|at| *at < stamp(start) + 7 * 60 * MINUTE)
            .collect();
        let source = source(&format!(
            "table = \"readings\"\ntimezone = \"{zone}\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\", format = \"%Y-%m-%d %H:%M\" }}\noil_flow_lpm = {{ from = \"Q\" }}\n"
        ));
        let text = log(zone, &instants, newest_first);
        let rows = read(&source, "log.csv", text.as_bytes(), &SiteContext::default());
        prop_assert!(rows.rejects().is_empty(), "{:?}", rows.rejects());
        let (batches, _) = merged(vec![rows], &[]);
        let expected: Vec<String> = instants
            .iter()
            .map(|at| format!("{} | {}", Stamp::from_micros(*at).rfc3339(), at / MINUTE % 1000))
            .collect();
        prop_assert_eq!(shown(&batches, &["at", "oil_flow_lpm"]), expected, "{}", text);
    }
}
