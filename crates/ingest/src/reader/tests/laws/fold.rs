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

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

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
