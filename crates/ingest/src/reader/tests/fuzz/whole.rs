//! What must hold for any file given to any source: each record is a row or a reject, the counts
//! balance, the rows keep the contract, and a second ingest of the file changes no cell.

use super::super::harness::{check_account, merged, read, shown, source};
use crate::rows::{FileRows, Scope};
use crate::site::SiteContext;
use crate::source::{Layout, Source};
use crate::text::{Block, Records, decode_text, to_transposed};

const SOURCES: [&str; 11] = [
    r#"
    table = "readings"
    null = ["", "---"]
    timezone = "America/Chicago"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    chamber_pressure_kpa = { from = "Vacuum", unit = "inHg", reference = "gauge" }
    ambient_kpa = { from = "Baro", unit = "kPa" }
    oil_inlet_degc = { from = "Oil in", unit = "°F" }
    oil_flow_lpm = { from = "Flow", unit = "gpm" }
    running = { from = "Run" }
    alarm = { from = "Alarm" }
    "#,
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
    table = "samples"
    delimiter = ";"
    decimal = ","
    timezone = "UTC"
    [columns]
    lab = { value = "A" }
    sample_id = { from = "No" }
    taken_at = { from = "Taken", format = "%d.%m.%Y" }
    water_ppm = { from = "Water", unit = { from = "Unit" } }
    iso4406 = { from = "ISO" }
    acid_mgkoh_g = { from = "TAN" }
    "#,
    r#"
    table = "results"
    [columns]
    lab = { value = "A" }
    sample_id = { from = "No" }
    analyte = { from = "Test" }
    value = { from = "Result", unit = { from = "Unit" } }
    unit = { from = "Unit" }
    "#,
    r#"
    table = "maintenance"
    encoding = "windows-1252"
    skip_lines = 1
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "When", format = "rfc3339" }
    action = { from = "What" }
    note = { from = "Note" }
    hours_meter = { from = "Hours", unit = "h" }
    "#,
    r#"
    table = "sites"
    [columns]
    site_id = { from = "Unit" }
    name = { from = "Note" }
    altitude_m = { from = "Flow", unit = "ft" }
    "#,
    r#"
    table = "samples"
    layout = "transposed"
    delimiter = ";"
    decimal = ","
    skip_lines = 1
    header_lines = 2
    timezone = "UTC"
    [columns]
    lab = { value = "A" }
    sample_id = { from = "No Unit" }
    taken_at = { from = "Taken", format = "%d.%m.%Y" }
    water_ppm = { from = "Water ppm" }
    iso4406 = { from = "ISO" }
    "#,
    r#"
    table = "readings"
    quote = "'"
    header_lines = 2
    fill_down = ["Unit", "Date"]
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
    skip_lines = 3
    timezone = "America/Chicago"
    preamble = ['Machine: (?<unit_id>\S+)', 'Start: (?<start>[\d :-]+)']
    [columns]
    at = { from = ["preamble:start", "Time"], format = "%Y-%m-%d %H:%M", elapsed = "s" }
    oil_flow_lpm = { from = "Flow", unit = "gpm" }
    "#,
    r#"
    table = "readings"
    layout = "json"
    timezone = "UTC"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Oil.Flow", unit = "gpm" }
    alarm = { from = "Alarm" }
    "#,
];

/// A register of two units: one at 1500 m with a nameplate, one without anything.
fn site() -> SiteContext {
    let batch = |description: &str, text: &str| {
        let source = source(description);
        let rows = read(&source, "r.csv", text.as_bytes(), &SiteContext::default());
        merged(vec![rows], &[]).0
    };
    SiteContext::from_registers(
        &batch(
            "table = \"units\"\n[columns]\nunit_id = { from = \"U\" }\nhome_site_id = { from = \"S\" }\nnameplate_flow_lpm = { from = \"Q\" }\n",
            "U,S,Q\nU-1,HILL,76\nU-2,,\n",
        ),
        &batch(
            "table = \"sites\"\n[columns]\nsite_id = { from = \"S\" }\naltitude_m = { from = \"A\" }\n",
            "S,A\nHILL,1500\n",
        ),
        &[],
        &[],
    )
}

thread_local! {
    static KNOWN: (Vec<Source>, SiteContext) =
        (SOURCES.iter().map(|text| source(text)).collect(), site());
}

pub(super) fn read_file(bytes: &[u8]) {
    KNOWN.with(|(sources, site)| {
        for source in sources {
            let rows = read(source, "log_U-1.csv", bytes, site);
            check_records(source, bytes, &rows);
            let again = read(source, "log_U-1.csv", bytes, site);
            let columns: Vec<&str> = source
                .table
                .columns
                .iter()
                .map(|column| column.name.as_str())
                .filter(|name| *name != "line")
                .collect();
            let (first, _) = merged(vec![rows], &[]);
            let (second, _) = merged(vec![again], &first);
            assert_eq!(shown(&first, &columns), shown(&second, &columns));
        }
    });
}

/// The records of the text, but for its header, are the records that the counts speak of.
fn check_records(source: &Source, bytes: &[u8], rows: &FileRows) {
    check_account(rows);
    let counts = rows.counts();
    let Ok(decoded) = decode_text(bytes, &source.text_rule(), 1 << 24) else {
        assert_eq!((counts.rows_in, counts.rows_rejected), (1, 1));
        return;
    };
    if source.layout == Layout::Json {
        let n_lines = decoded.text.lines().filter(|line| !line.trim().is_empty());
        let is_list = decoded.text.trim_start().starts_with('[');
        assert!(is_list || counts.rows_in <= n_lines.count() as u64);
        return;
    }
    let text = if source.layout == Layout::Transposed {
        let dialect = &source.dialect;
        let Ok(turned) = to_transposed(
            &decoded.text,
            dialect,
            (source.skip_lines, source.header_lines),
            1 << 24,
        ) else {
            assert_eq!((counts.rows_in, counts.rows_rejected), (1, 1));
            return;
        };
        turned
    } else {
        decoded.text
    };
    let mut records = if source.layout == Layout::Transposed {
        Records::new(&text, source.dialect.delimiter)
    } else {
        let mut records = Records::new(&text, &source.dialect);
        records.skip_lines(source.skip_lines);
        records
    };
    let mut block = Block::default();
    let mut lines = Vec::new();
    while records.read(&mut block, 2) {
        lines.extend(block.records().map(|record| record.line()));
    }
    let n_records = lines.len().saturating_sub(source.header_lines) as u64;
    assert_eq!(counts.rows_in + counts.rows_ignored, n_records);
    assert!(source.layout == Layout::Tall || counts.rows_ignored == 0);
    for reject in rows.rejects() {
        assert!(lines.contains(&reject.line));
        assert!(!reject.reason.is_empty());
        match reject.scope {
            Scope::Row => assert!(reject.column.is_empty() && lines.first() != Some(&reject.line)),
            Scope::Cell => assert!(
                reject.line == lines[0] || rows.lines.contains(&reject.line),
                "{reject:?}"
            ),
        }
    }
}
