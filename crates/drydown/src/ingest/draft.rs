//! Proposes a `[[source]]` block for an unknown CSV, and says how sure it is and why.
//!
//! What it writes parses as a configuration; columns it cannot place stand in comments.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use anyhow::{Result, bail};
use drydown_ingest::SourceSpec;
use drydown_quantity::pressure::hinted_reference;
use drydown_quantity::{Dimension, Unit};
use drydown_schema::{ColumnKind, TableSpec, table};

/// Lines looked at.
const LINES: usize = 400;
/// Text unpacked at most, bytes.
const MAX_TEXT: usize = 1 << 30;
/// Stamp formats tried, in order of how little they leave open.
const FORMATS: &[&str] = &[
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%d %H:%M",
    "%Y/%m/%d %H:%M:%S",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %I:%M:%S %p",
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%m/%d/%Y",
    "%d/%m/%Y",
];
/// Words of a header (lower case) and the column they likely mean; the first hit wins.
const MEANINGS: &[(&str, &[&str], &str)] = &[
    (
        "readings",
        &["unit id", "unit", "machine", "serial", "skid"],
        "unit_id",
    ),
    (
        "readings",
        &["reservoir", "tank", "sump name", "asset"],
        "reservoir_id",
    ),
    ("readings", &["time", "date", "stamp"], "at"),
    (
        "readings",
        &["vacuum", "chamber p", "vac", "kammerdruck", "unterdruck"],
        "chamber_pressure_kpa",
    ),
    (
        "readings",
        &["baro", "ambient p", "luftdruck"],
        "ambient_kpa",
    ),
    (
        "readings",
        &["oil in", "inlet t", "temp in", "eintritt"],
        "oil_inlet_degc",
    ),
    (
        "readings",
        &["oil out", "outlet t", "temp out", "austritt"],
        "oil_outlet_degc",
    ),
    ("readings", &["flow", "durchfluss"], "oil_flow_lpm"),
    (
        "readings",
        &["discharge", "pressure out", "filterdruck"],
        "discharge_kpa_gauge",
    ),
    (
        "readings",
        &["activity", "saturation", "rs", "aw"],
        "water_activity",
    ),
    ("readings", &["water", "moisture", "wasser"], "water_ppm"),
    ("readings", &["hz", "frequency", "frequenz"], "oil_pump_hz"),
    ("readings", &["vent"], "vent_open_pct"),
    ("readings", &["alarm", "fault", "störung"], "alarm"),
    (
        "samples",
        &["sample id", "sample no", "lab no", "report no", "probe"],
        "sample_id",
    ),
    ("samples", &["taken", "sampled", "entnahme"], "taken_at"),
    (
        "samples",
        &["reported", "report date", "bericht"],
        "reported_at",
    ),
    (
        "samples",
        &["reservoir", "tank", "asset", "equipment"],
        "reservoir_id",
    ),
    (
        "samples",
        &["water", "moisture", "karl fischer", "wasser"],
        "water_ppm",
    ),
    ("samples", &["4406", "cleanliness", "reinheit"], "iso4406"),
    ("samples", &["acid", "tan", "neutral"], "acid_mgkoh_g"),
    ("samples", &["visc", "kv40", "visk"], "viscosity_40c_mm2s"),
    (
        "samples",
        &["breakdown", "bdv", "durchschlag"],
        "breakdown_kv",
    ),
];

/// The shape of the text.
struct Shape {
    delimiter: char,
    skip_lines: usize,
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// A column that could be placed.
struct Placed {
    column: &'static str,
    from: String,
    more: String,
    why: String,
}

/// The proposal as text: comments that say why, then the block.
pub(crate) fn propose(name: &str, bytes: &[u8]) -> Result<String> {
    let (text, encoding) = decode(name, bytes)?;
    let Some(shape) = find_shape(&text) else {
        bail!(
            "{name}: found no header and no rows with one number of fields, expected a CSV with a header"
        );
    };
    let table_name = likely_table(&shape.header);
    let Some(spec) = table(table_name) else {
        bail!("the data contract has no table \"{table_name}\"")
    };
    let decimal = decimal_mark(&shape);
    let mut placed: Vec<Placed> = Vec::new();
    let mut taken = BTreeSet::new();
    let mut left = Vec::new();
    for (idx, head) in shape.header.iter().enumerate() {
        let values: Vec<&str> = shape
            .rows
            .iter()
            .filter_map(|row| row.get(idx))
            .map(|cell| cell.trim())
            .collect();
        match place(spec, head, &values).filter(|found| taken.insert(found.column)) {
            Some(found) => placed.push(found),
            None => left.push(head.clone()),
        }
    }
    Ok(render(
        name,
        &shape,
        &Said {
            spec,
            encoding,
            decimal,
            placed: &placed,
            left: &left,
        },
    ))
}

struct Said<'a> {
    spec: &'static TableSpec,
    encoding: &'static str,
    decimal: char,
    placed: &'a [Placed],
    left: &'a [String],
}

fn render(name: &str, shape: &Shape, said: &Said<'_>) -> String {
    let sure = said.placed.len() as f64 / shape.header.len().max(1) as f64;
    let mut out = format!(
        "# proposed for {name}: {} of {} columns placed ({:.0} %); read every line before use\n",
        said.placed.len(),
        shape.header.len(),
        sure * 100.0
    );
    let _ = writeln!(
        out,
        "# header found on line {}; delimiter by the number of fields of {} rows",
        shape.skip_lines + 1,
        shape.rows.len()
    );
    let stem = name.rsplit('/').next().unwrap_or(name);
    let plain: String = stem
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect();
    let _ = write!(
        out,
        "[[source]]\nname      = {}\ntable     = {}\nfiles     = [{}]\nlayout    = \"wide\"\nencoding  = \"{}\"\ndelimiter = {}\ndecimal   = \"{}\"\nskip_lines = {}\n",
        quoted(plain.trim_matches('-')),
        quoted(&said.spec.name),
        quoted(name),
        said.encoding,
        quoted(&shape.delimiter.to_string()),
        said.decimal,
        shape.skip_lines
    );
    let local = said
        .placed
        .iter()
        .any(|found| found.more.contains("format = \"%"));
    if local {
        out.push_str(
            "timezone  = \"UTC\"   # the stamps carry no offset: put the logger's zone here\n",
        );
    }
    out.push_str("\n[source.columns]\n");
    for found in said.placed {
        let _ = writeln!(out, "# {}", found.why);
        let _ = writeln!(
            out,
            "{} = {{ from = {}{} }}",
            found.column,
            quoted(&found.from),
            found.more
        );
    }
    for key in said
        .spec
        .key
        .iter()
        .filter(|key| !said.placed.iter().any(|found| found.column == key.as_str()))
    {
        let _ = writeln!(
            out,
            "# no column found for the key \"{key}\": a constant, or a named capture of file_name"
        );
        let _ = writeln!(out, "{key} = {{ value = \"FILL-IN\" }}");
    }
    for head in said.left {
        let _ = writeln!(out, "# not placed: {}", head.replace(['\n', '\r'], " "));
    }
    out
}

fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", c as u32);
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// The text as ingest would read it, unpacked, and the encoding that reads all of it.
fn decode(name: &str, bytes: &[u8]) -> Result<(String, &'static str)> {
    let marked = [
        (b"\xff\xfe".as_slice(), "utf-16le"),
        (b"\xfe\xff", "utf-16be"),
    ];
    let marked = marked
        .into_iter()
        .find_map(|(mark, label)| bytes.starts_with(mark).then_some(label));
    // Every byte means something in the last one.
    for label in [marked.unwrap_or("utf-8"), "windows-1252"] {
        match SourceSpec::text_in(label, bytes, MAX_TEXT) {
            Some((text, true)) => return Ok((text, label)),
            Some((_, false)) => {}
            None => {
                bail!("{name}: found a damaged archive or one of several files, expected one text")
            }
        }
    }
    bail!("{name}: found bytes of no encoding, expected a text")
}

fn split(line: &str, delimiter: char) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        if c == '"' {
            quoted = !quoted;
        } else if c == delimiter && !quoted {
            cells.push(String::new());
        } else if let Some(cell) = cells.last_mut() {
            cell.push(c);
        }
    }
    cells
}

/// The delimiter and header whose number of fields the most lines share.
fn find_shape(text: &str) -> Option<Shape> {
    let lines: Vec<&str> = text
        .lines()
        .take(LINES)
        .filter(|line| !line.trim().is_empty())
        .collect();
    let best = [',', ';', '\t', '|']
        .into_iter()
        .filter_map(|delimiter| {
            let counts: Vec<usize> = lines
                .iter()
                .map(|line| split(line, delimiter).len())
                .collect();
            let widest = counts
                .iter()
                .copied()
                .filter(|n| *n > 1)
                .max_by_key(|n| (counts.iter().filter(|m| *m == n).count(), *n))?;
            Some((
                counts.iter().filter(|n| **n == widest).count() * widest.min(4),
                widest,
                delimiter,
            ))
        })
        .max()?;
    let (_, width, delimiter) = best;
    let rows: Vec<(usize, Vec<String>)> = text
        .lines()
        .take(LINES)
        .enumerate()
        .map(|(idx, line)| (idx, split(line, delimiter)))
        .filter(|(_, cells)| cells.len() == width)
        .collect();
    let (skip_lines, header) = rows.first()?.clone();
    let rows = rows.into_iter().skip(1).map(|(_, cells)| cells).collect();
    Some(Shape {
        delimiter,
        skip_lines,
        header: header.iter().map(|head| head.trim().to_owned()).collect(),
        rows,
    })
}

fn likely_table(header: &[String]) -> &'static str {
    let hits = |table: &str| {
        header
            .iter()
            .filter(|head| {
                let head = head.to_lowercase();
                MEANINGS.iter().any(|(of, words, _)| {
                    *of == table && words.iter().any(|word| head.contains(word))
                })
            })
            .count()
    };
    if hits("samples") > hits("readings") {
        "samples"
    } else {
        "readings"
    }
}

/// A comma between digits that is never followed by three digits alone marks decimals.
fn decimal_mark(shape: &Shape) -> char {
    let cells = || shape.rows.iter().flatten().map(|cell| cell.trim());
    let numbers = |mark: char| {
        cells()
            .filter(|cell| {
                let mut parts = cell.split(mark);
                let (Some(whole), Some(rest), None) = (parts.next(), parts.next(), parts.next())
                else {
                    return false;
                };
                let digits =
                    |text: &str| !text.is_empty() && text.chars().all(|c| c.is_ascii_digit());
                digits(whole.trim_start_matches('-')) && digits(rest)
            })
            .count()
    };
    if shape.delimiter != ',' && numbers(',') > numbers('.') {
        ','
    } else {
        '.'
    }
}

fn place(spec: &'static TableSpec, head: &str, values: &[&str]) -> Option<Placed> {
    let lower = head.to_lowercase();
    let (_, words, column) = MEANINGS
        .iter()
        .find(|(of, words, _)| *of == spec.name && words.iter().any(|word| lower.contains(word)))?;
    let word = words
        .iter()
        .find(|word| lower.contains(*word))
        .copied()
        .unwrap_or_default();
    let mut why = format!("\"{head}\": the word \"{word}\"");
    let mut more = String::new();
    if *column == "iso4406" {
        return Some(Placed {
            column,
            from: head.to_owned(),
            more,
            why,
        });
    }
    let column_spec = spec.column(column)?;
    match column_spec.kind {
        ColumnKind::Stamp => {
            let format = stamp_format(values)?;
            let _ = write!(more, ", format = \"{format}\"");
            let _ = write!(
                why,
                "; every one of {} stamps looked at fits {format}",
                values.len()
            );
        }
        ColumnKind::Real => {
            let unit = header_unit(head, column_spec.ucum.as_deref());
            let unit_text = unit.as_ref().map_or_else(
                || column_spec.ucum.clone().unwrap_or_default(),
                |unit| unit.code().to_owned(),
            );
            let _ = write!(more, ", unit = {}", quoted(&unit_text));
            why.push_str(if unit.is_some() {
                "; its unit stands in the header"
            } else {
                "; no unit in the header, the contract's assumed: check it"
            });
            if *column == "chamber_pressure_kpa" {
                let reference = likely_reference(head, values);
                let _ = write!(more, ", reference = \"{reference}\"");
                let _ = write!(why, "; read as {reference} from its values: check it");
            }
        }
        _ => {}
    }
    Some(Placed {
        column,
        from: head.to_owned(),
        more,
        why,
    })
}

/// A unit in brackets or as the last word of a header that can measure what the column holds.
fn header_unit(head: &str, wanted: Option<&str>) -> Option<Unit> {
    let wanted = Unit::parse(wanted?)?;
    let inner = head
        .rsplit_once(['(', '['])
        .map(|(_, rest)| rest.trim_end_matches([')', ']']).trim());
    let last = head.rsplit([' ', '_', '-']).next();
    [inner, last]
        .into_iter()
        .flatten()
        .filter_map(Unit::parse)
        .find(|unit| unit.dimension() == wanted.dimension() || is_pressure(*unit, wanted))
}

fn is_pressure(unit: Unit, wanted: Unit) -> bool {
    unit.dimension() == Dimension::Pressure && wanted.dimension() == Dimension::Pressure
}

fn likely_reference(head: &str, values: &[&str]) -> &'static str {
    if let Some(hint) = head
        .rsplit([' ', '(', '['])
        .next()
        .and_then(|word| hinted_reference(word.trim_end_matches([')', ']'])))
    {
        return hint.as_str();
    }
    let numbers: Vec<f64> = values
        .iter()
        .filter_map(|cell| cell.replace(',', ".").parse().ok())
        .collect();
    let negative = numbers.iter().filter(|value| **value < 0.0).count();
    let largest = numbers.iter().copied().fold(0.0, f64::max);
    if negative * 2 > numbers.len() {
        "gauge"
    } else if largest <= 30.5 {
        "vacuum"
    } else {
        "absolute"
    }
}

fn stamp_format(values: &[&str]) -> Option<&'static str> {
    let shown: Vec<&str> = values
        .iter()
        .copied()
        .filter(|cell| !cell.is_empty())
        .take(200)
        .collect();
    if shown.is_empty() {
        return None;
    }
    let all = |fits: &dyn Fn(&str) -> bool| shown.iter().all(|cell| fits(cell));
    if all(&|cell| cell.parse::<jiff::Timestamp>().is_ok()) {
        return Some("rfc3339");
    }
    if all(&|cell| cell.len() == 13 && cell.chars().all(|c| c.is_ascii_digit())) {
        return Some("epoch_ms");
    }
    if all(&|cell| cell.len() == 10 && cell.chars().all(|c| c.is_ascii_digit())) {
        return Some("epoch_s");
    }
    FORMATS.iter().copied().find(|format| {
        all(&|cell| {
            jiff::civil::DateTime::strptime(format, cell).is_ok()
                || jiff::civil::Date::strptime(format, cell).is_ok()
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(name: &str, text: &str) -> drydown_ingest::SourceSpec {
        #[derive(serde::Deserialize)]
        struct File {
            source: Vec<drydown_ingest::SourceSpec>,
        }
        let proposal = propose(name, text.as_bytes()).unwrap();
        let file: File =
            toml::from_str(&proposal).unwrap_or_else(|error| panic!("{error}\n{proposal}"));
        file.source.into_iter().next().unwrap()
    }

    #[test]
    fn a_us_export_gets_its_units_and_reference() {
        let spec = parsed(
            "yard/log_7.csv",
            "Time,Unit,Vacuum (inHg),Oil in (°F),Flow (gpm)\n03/01/2026 10:00:00,U-7,-25.1,150.2,19.5\n03/01/2026 10:05:00,U-7,-25.3,150.0,19.4\n",
        );
        assert_eq!(spec.table, "readings");
        let shown = format!("{spec:?}");
        assert!(
            shown.contains("%m/%d/%Y %H:%M:%S") && shown.contains("Gauge"),
            "{shown}"
        );
        assert!(spec.compile().is_ok(), "{:?}", spec.compile().err());
    }

    #[test]
    fn a_metric_export_with_a_preamble_gets_its_decimal_mark() {
        let spec = parsed(
            "b.csv",
            "Export 7\n\nDatum Zeit Time;Unit;Kammerdruck [mbar];Durchfluss [L/min]\n01.03.2026 10:00:00;U-1;212,5;75,1\n13.03.2026 10:05:00;U-1;210,1;75,0\n",
        );
        assert_eq!(
            (
                spec.delimiter.as_str(),
                spec.decimal.as_str(),
                spec.skip_lines
            ),
            (";", ",", 2)
        );
        assert!(spec.compile().is_ok(), "{:?}", spec.compile().err());
    }

    #[test]
    fn a_header_in_another_encoding_is_named_as_ingest_reads_it() {
        // windows-1252: – is 96, ° is B0; UTF-16 with its mark, either way round.
        let text = "Time,Unit,Oil in – top (°F)\n2026-03-01 10:00,U-7,150\n";
        let windows: Vec<u8> = text
            .chars()
            .map(|c| match c {
                '–' => 0x96,
                c => u8::try_from(u32::from(c)).unwrap(),
            })
            .collect();
        let utf16 = |to_bytes: fn(u16) -> [u8; 2]| -> Vec<u8> {
            let marked = format!("\u{feff}{text}");
            marked.encode_utf16().flat_map(to_bytes).collect()
        };
        for (bytes, encoding) in [
            (text.as_bytes().to_vec(), "utf-8"),
            (windows, "windows-1252"),
            (utf16(u16::to_le_bytes), "utf-16le"),
            (utf16(u16::to_be_bytes), "utf-16be"),
        ] {
            let proposal = propose("log.csv", &bytes).unwrap();
            assert!(
                proposal.contains(&format!("encoding  = \"{encoding}\"")),
                "{proposal}"
            );
            assert!(
                proposal.contains(
                    "oil_inlet_degc = { from = \"Oil in – top (°F)\", unit = \"[degF]\" }"
                ),
                "{proposal}"
            );
        }
    }

    #[test]
    fn damaged_archives_are_refused() {
        assert!(propose("log.csv.gz", &[0x1f, 0x8b, 8, 0, 1, 2, 3]).is_err());
    }

    #[test]
    fn a_text_without_rows_is_refused() {
        assert!(propose("x", b"hello").is_err());
    }
}
