//! A tall file that went through the sorter, in pieces of any length, gives what the whole gives.

use arrow::array::RecordBatch;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::super::harness::{dedented, merged, read, source};
use super::super::in_pieces::{Given, Sizes, read_in_pieces};
use crate::site::SiteContext;
use crate::source::Source;

const LOG: &str = r#"
    table = "readings"
    layout = "tall"
    timezone = "America/Chicago"
    skip_lines = 1
    [tall]
    tag = "Tag"
    value = "V"
    quality = { from = "Quality", good = ["Good"] }
    pattern = '(?<unit_id>[A-Z]+-\d)[.](?<signal>\w+)'
    ignore = ["^SYS"]
    [columns]
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { signal = "Q", unit = "L/min" }
    chamber_pressure_kpa = { signal = "P", unit = "kPa", reference = "vacuum" }
    ambient_kpa = { signal = "B", unit = "kPa" }
    alarm = { signal = ["Alarm", "Alarm2"] }
    reservoir_id = { from = "Tank" }
"#;

fn check(source: &Source, text: &str, aim: usize, slice: usize, stored: &[RecordBatch]) {
    assert!(source.reads_in_pieces() && source.is_tall());
    let site = SiteContext::default();
    let whole = read(source, "log.csv", text.as_bytes(), &site);
    let sizes = Sizes {
        piece: aim,
        at_a_time: 1,
        slice,
    };
    let pieces = read_in_pieces(source, ("log.csv", text.as_bytes()), &site, sizes).unwrap();
    assert_eq!(
        Given::of(pieces, stored),
        Given::of(vec![whole], stored),
        "{aim} {slice}\n{text}"
    );
}

/// How the lines of a file stand.
#[derive(Clone, Copy, Debug)]
enum Order {
    Time,
    Back,
    Tag,
    Shuffled,
    /// By what the clock showed.
    Clock,
}

/// One line of a log: minutes since the start, unit, tag, kind, and a number to shuffle by.
type Drawn = (i64, u8, u8, u8, u16);

/// A log that goes through the night on which clocks are set back.
fn log(mut drawn: Vec<Drawn>, order: Order, start: &str) -> String {
    let zone = TimeZone::get("America/Chicago").unwrap();
    let start: Timestamp = start.parse().unwrap();
    let shown = |minute: i64| {
        let at = Timestamp::from_second(start.as_second() + 60 * minute).unwrap();
        zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string()
    };
    match order {
        Order::Time => drawn.sort_by_key(|line| line.0),
        Order::Back => drawn.sort_by_key(|line| -line.0),
        Order::Tag => drawn.sort_by_key(|line| (line.1, line.2, line.0)),
        Order::Shuffled => drawn.sort_by_key(|line| line.4),
        Order::Clock => drawn.sort_by_key(|line| (shown(line.0), line.0)),
    }
    let mut text = String::from("An export, \"of all\nTank,Tag,Time,V,Quality\n");
    for (minute, unit, tag, kind, salt) in drawn {
        let unit = ["U-1", "U-2", "AX-3"][usize::from(unit) % 3];
        let at = shown(minute);
        let (tag, value) = match tag % 5 {
            0 => ("Q", format!("{}", 40 + salt % 9)),
            1 => ("P", format!("{}", 88 + salt % 9)),
            2 => ("B", format!("{}", 95 + salt % 9)),
            3 => (
                "Alarm",
                ["\"low\nlevel\"", "\"5\"\" hose\"", "high"][usize::from(salt % 3)].to_owned(),
            ),
            _ => ("Alarm2", format!("\"open {}", salt % 3)),
        };
        let tank = ["R-1", "R-2", ""][usize::from(salt % 7).min(2)];
        let quality = if salt % 11 == 0 { "Bad" } else { "Good" };
        text.push_str(&match kind % 24 {
            0 => "Tank,Tag,Time,V,Quality\n".to_owned(),
            1 => "rubbish\n".to_owned(),
            2 => format!("{tank},SYS.{tag},{at},{value},{quality}\n"),
            3 => format!("{tank},{unit}.X,{at},{value},{quality}\n"),
            4 => format!("{tank},{unit}.{tag},yesterday,{value},{quality}\n"),
            5 => format!("{tank},{unit}.{tag},{at},x,{quality}\n"),
            6 => format!("{tank},{unit}.{tag},{at},,{quality}\n"),
            7 => format!("\n{tank},{unit}.P,{at},-300,Good\n"),
            8 => format!("{tank},{unit}.{tag},2031-01-01 00:00,{value},{quality}\r\n"),
            _ => format!("{tank},{unit}.{tag},{at},{value},{quality}\n"),
        });
    }
    text
}

fn orders() -> impl Strategy<Value = Order> {
    prop::sample::select(vec![
        Order::Time,
        Order::Back,
        Order::Tag,
        Order::Shuffled,
        Order::Clock,
    ])
}

proptest! {
    #[test]
    fn dealt_and_sorted_is_what_the_whole_gives(
        drawn in prop::collection::vec((0..500_i64, 0..3_u8, 0..5_u8, 0..64_u8, any::<u16>()), 0..80),
        step in prop::sample::select(vec![1_i64, 15, 60]),
        order in orders(),
        aim in prop::sample::select(vec![1_usize, 40, 200, 1_000, 1 << 20]),
        slice in prop::sample::select(vec![1_usize, 100, 2_000, 1 << 20]),
        start in prop::sample::select(vec!["2026-11-01T03:00:00Z", "2026-03-07T20:00:00Z"]),
        has_stored in any::<bool>(),
        has_quotes in any::<bool>(),
    ) {
        // Rounded stamps: the cells of one row meet.
        let drawn: Vec<Drawn> = drawn
            .into_iter()
            .map(|(at, unit, tag, kind, salt)| (at - at % step, unit, tag, kind, salt))
            .collect();
        let source = source(LOG);
        let mut earlier = drawn.clone();
        earlier.truncate(drawn.len() / 2);
        let stored = if has_stored {
            let text = log(earlier, Order::Time, start).replace("R-1", "R-9");
            merged(vec![read(&source, "old.csv", text.as_bytes(), &SiteContext::default())], &[]).0
        } else {
            Vec::new()
        };
        let mut text = log(drawn, order, start);
        if !has_quotes {
            // Where a quote stands somewhere, no piece is shorter than a hundred lines.
            text = text.replace("\"low\nlevel\"", "low").replace('"', "");
        }
        check(&source, &text, aim, slice, &stored);
    }
}

/// Lines of more than one parcel in each run, by tag and by time.
#[test]
fn long_runs_come_back_in_slices() {
    let description = LOG.replace("timezone = \"America/Chicago\"", "timezone = \"UTC\"");
    let source = source(&description);
    for order in [Order::Time, Order::Tag, Order::Shuffled] {
        let drawn: Vec<Drawn> = (0..20_000_u32)
            .map(|n| {
                let salt = (n.wrapping_mul(40_503) >> 3) as u16;
                let line = (i64::from(n / 9), (n % 3) as u8, (n / 3 % 3) as u8);
                (line.0, line.1, line.2, 10 + (salt % 50) as u8, salt)
            })
            .collect();
        let text = log(drawn, order, "2026-05-01T00:00:00Z");
        for (aim, slice) in [(100_000, 50_000), (400_000, 1), (1 << 24, 200_000)] {
            check(&source, &text, aim, slice, &[]);
        }
    }
}

#[test]
fn files_without_records_or_columns_are_told_the_same() {
    let source = source(LOG);
    for text in [
        "",
        "title\n\n\n",
        "title\nTank,Tag,Time,V,Quality",
        "title\nTank,Tag,Time,V,Quality\n",
        "title\nTank,Tag,Time,V\nR-1,U-1.Q,2026-03-01 10:00,60\n",
        "title\nTank,Tag,When,V,Quality\nR-1,U-1.Q,2026-03-01 10:00,60,Good\nx\n",
        "title\nTag,Time,V,Quality\nU-1.Q,2026-03-01 10:00,60,Good\n",
    ] {
        for aim in [1, 30, 1_000] {
            check(&source, text, aim, 1, &[]);
        }
    }
}

#[test]
fn what_stands_before_the_header_is_known_to_every_piece() {
    let source = source(
        r#"
        table = "readings"
        layout = "tall"
        skip_until = '^Tag,'
        preamble = ['Unit: (?<unit_id>\S+)']
        [tall]
        tag = "Tag"
        value = "V"
        [columns]
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { signal = "Q", unit = "L/min" }
        oil_inlet_degc = { signal = "T", unit = "Cel" }
        "#,
    );
    let text = dedented(
        "
        Plant \"north
        Unit: U-7

        Tag,Time,V
        Q,2026-03-01T10:00:00Z,60
        Q,2026-03-01T10:01:00Z,61
        T,2026-03-01T10:00:00Z,55
        T,2026-03-01T10:01:00Z,56
        ",
    );
    for aim in [1, 20, 60, 1_000] {
        for slice in [1, 1_000] {
            for text in [&text, &text.replace('"', "")] {
                check(&source, text, aim, slice, &[]);
                check(&source, &text.replace("Unit", "Machine"), aim, slice, &[]);
                check(&source, &text.replace("Tag,", "Name,"), aim, slice, &[]);
            }
        }
    }
}
