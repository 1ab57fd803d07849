//! A file cut anywhere gives what the whole gives: rows, rejects and counts.

use super::super::harness::{read, source};
use super::super::in_pieces::{Given, Sizes, read_in_pieces};
use crate::site::SiteContext;
use crate::source::Source;

const WIDE: [&str; 3] = [
    r#"
    table = "readings"
    null = ["", "---"]
    timezone = "America/Chicago"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    chamber_pressure_kpa = { from = "Vacuum", unit = "inHg", reference = "gauge" }
    ambient_kpa = { from = "Baro", unit = "kPa" }
    oil_flow_lpm = { from = "Flow", unit = "gpm" }
    alarm = { from = "Alarm" }
    "#,
    r#"
    table = "readings"
    widths = [6, 18, 9, 7]
    timezone = "Europe/Berlin"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Flow" }
    alarm = { from = "Alarm" }
    "#,
    r#"
    table = "readings"
    skip_until = '^Time,'
    timezone = "America/Chicago"
    preamble = ['Machine: (?<unit_id>\S+)', 'Start: (?<start>[\d :-]+)']
    [columns]
    at = { from = ["preamble:start", "Time"], format = "%Y-%m-%d %H:%M", elapsed = "s" }
    oil_flow_lpm = { from = "Flow", unit = "gpm" }
    "#,
];

const FILLED: [&str; 3] = [
    r#"
    table = "readings"
    quote = "'"
    header_lines = 2
    fill_down = ["Unit", "Date", "Alarm"]
    timezone = "America/Chicago"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = ["Date", "Time"], format = "%Y-%m-%d %H:%M" }
    chamber_pressure_kpa = { from = "Vacuum inHg", unit = "inHg", reference = "gauge" }
    oil_flow_lpm = { from = "Flow gpm", unit = "gpm" }
    alarm = { from = "Alarm" }
    "#,
    r#"
    table = "readings"
    timezone = "America/Chicago"
    file_name = '(?<day>\d{4}-\d\d-\d\d)'
    fill_down = ["Flow"]
    [columns]
    unit_id = { from = "Unit" }
    at = { from = ["file_name:day", "Time"], format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Flow" }
    alarm = { from = "Alarm" }
    "#,
    r#"
    table = "readings"
    layout = "json"
    timezone = "America/Chicago"
    fill_down = ["Oil.Flow", "Alarm"]
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Oil.Flow", unit = "gpm" }
    alarm = { from = "Alarm" }
    "#,
];

const OBJECTS: [&str; 1] = [r#"
    table = "readings"
    layout = "json"
    timezone = "America/Chicago"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Oil.Flow", unit = "gpm" }
    alarm = { from = "Alarm" }
    "#];

const TALL: [&str; 2] = [
    r#"
    table = "readings"
    layout = "tall"
    timezone = "Europe/Berlin"
    [tall]
    tag = "Tag"
    value = "Value"
    quality = { from = "Quality", good = ["Good", "192"] }
    pattern = '^(?<unit_id>[^.]+)\.(?<signal>.+)$'
    ignore = ['\.SPARE\d+$']
    [columns]
    unit_id = {}
    at = { from = "Time", format = "rfc3339" }
    chamber_pressure_kpa = { signal = "VAC", unit = "mbar", reference = "vacuum" }
    ambient_kpa = { signal = "BARO", unit = "hPa" }
    oil_flow_lpm = { signal = "FLOW", unit = "L/min" }
    alarm = { signal = "ALM" }
    "#,
    r#"
    table = "readings"
    layout = "tall"
    timezone = "America/Chicago"
    [tall]
    tag = "Tag"
    value = "Value"
    pattern = '^(?<unit_id>[^.]+)\.(?<signal>.+)$'
    [columns]
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { signal = "FLOW", unit = "L/min" }
    alarm = { signal = "ALM" }
    "#,
];

thread_local! {
    static SOURCES: [Vec<Source>; 4] = [&WIDE[..], &FILLED[..], &OBJECTS[..], &TALL[..]]
        .map(|all| all.iter().map(|text| source(text)).collect());
}

pub(super) fn wide(bytes: &[u8]) {
    SOURCES.with(|[wide, ..]| check(wide, bytes));
}

pub(super) fn filled(bytes: &[u8]) {
    SOURCES.with(|[_, filled, ..]| check(filled, bytes));
}

pub(super) fn objects(bytes: &[u8]) {
    SOURCES.with(|[_, _, objects, _]| check(objects, bytes));
}

pub(super) fn tall(bytes: &[u8]) {
    SOURCES.with(|[.., tall]| check(tall, bytes));
}

fn check(sources: &[Source], bytes: &[u8]) {
    let site = SiteContext::default();
    let name = "log_U-1_2026-10-31.csv";
    // Where it is cut hangs on the input alone, so that a failure can be had again.
    let sizes = Sizes {
        piece: [1, 17, 40, 97, 300][bytes.len() % 5],
        at_a_time: 1 + bytes.len() % 3,
        slice: [1, 60, 500][bytes.len() % 3],
    };
    for source in sources {
        if source.is_one_list(bytes).unwrap_or(true) {
            continue;
        }
        let whole = read(source, name, bytes, &site);
        match read_in_pieces(source, (name, bytes), &site, sizes) {
            Ok(parts) => {
                let (parts, whole) = (Given::of(parts, &[]), Given::of(vec![whole], &[]));
                let differences = parts.differences(&whole);
                assert!(
                    differences.is_empty(),
                    "{sizes:?}\n{}",
                    differences.join("\n")
                );
            }
            Err(_) => {
                let counts = whole.counts();
                assert_eq!((counts.rows_in, counts.rows_rejected), (1, 1));
            }
        }
    }
}
