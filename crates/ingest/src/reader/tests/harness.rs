//! A description, the text of files and what must come of them, side by side.
//!
//! [`Case::gives`] compares text. Its first line names columns of the table; then comes a line for
//! each row, in the order of the key, with `-` for null; then a line `! LINE COLUMN [RAW]` for each
//! cell kept out and `! LINE row [RAW]` for each record, which may go on with `~ part of the
//! reason`; and, where a case cares, `= in/kept/duplicate/superseded/rejected/ignored` for each
//! file. Beyond what a case says, every case checks that the counts account for each record and
//! that the rows keep the contract.

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::datatypes::{DataType, Date32Type, Float64Type, Int64Type, TimestampMicrosecondType};
use drydown_quantity::{Day, Stamp};

use crate::merge::MergePlan;
use crate::reader::FileInput;
use crate::rows::{FileRows, Reject, Scope};
use crate::site::SiteContext;
use crate::source::{Source, SourceSpec};

/// When the cases are loaded; later stamps lie in the future.
pub(super) const LOADED_AT: &str = "2026-12-01T00:00:00Z";

/// Longest text of a case.
pub(super) const MAX_TEXT: usize = 1 << 24;

/// One case in the making.
pub(super) struct Case {
    source: Source,
    site: SiteContext,
    name: String,
    files: Vec<FileRows>,
}

impl Case {
    /// A case of a `[[source]]` block; `name`, `files` and `layout = "wide"` need not be said.
    pub(super) fn new(description: &str) -> Self {
        Self {
            source: source(description),
            site: SiteContext::default(),
            name: "log.csv".to_owned(),
            files: Vec::new(),
        }
    }

    /// The files that follow belong to another source.
    pub(super) fn then(mut self, description: &str) -> Self {
        self.source = source(description);
        self
    }

    /// The files that follow have this name.
    pub(super) fn named(mut self, name: &str) -> Self {
        name.clone_into(&mut self.name);
        self
    }

    /// What the registers know.
    pub(super) fn at_site(mut self, site: SiteContext) -> Self {
        self.site = site;
        self
    }

    /// A file of this text, without the blanks that all its lines begin with.
    pub(super) fn text(self, text: &str) -> Self {
        let text = dedented(text);
        self.bytes(text.as_bytes())
    }

    /// A file of these bytes.
    pub(super) fn bytes(mut self, bytes: &[u8]) -> Self {
        let rows = read(&self.source, &self.name, bytes, &self.site);
        self.files.push(rows);
        self
    }

    /// Merges the files and compares.
    pub(super) fn gives(self, expected: &str) {
        let expected = dedented(expected);
        let mut lines = expected.lines();
        let columns: Vec<&str> = lines.next().unwrap().split('|').map(str::trim).collect();
        let expected: Vec<String> = lines.map(one_blank).collect();
        let rejects: Vec<Reject> = self
            .files
            .iter()
            .flat_map(|file| file.rejects().to_vec())
            .collect();
        let (batches, counts) = merged(self.files, &[]);
        let mut found = shown(&batches, &columns);
        for (place, reject) in rejects.iter().enumerate() {
            let wanted = expected
                .iter()
                .filter(|line| line.starts_with('!'))
                .nth(place);
            found.push(shown_reject(reject, wanted));
        }
        if expected.iter().any(|line| line.starts_with('=')) {
            found.extend(counts.iter().map(|counts| format!("= {counts}")));
        }
        assert_eq!(
            found,
            expected,
            "\nfound\n  {}\nrejects {rejects:#?}",
            found.join("\n  ")
        );
    }
}

/// A checked source of a block; what every block needs is added where it is not said.
pub(super) fn source(description: &str) -> Source {
    let body = dedented(description);
    // A column of the table may be called `name` too: only what stands above the columns counts.
    let head = body.split("[columns]").next().unwrap_or_default();
    let says = |key: &str| {
        head.lines()
            .any(|line| line.split('=').next().map(str::trim) == Some(key))
    };
    let mut text = String::new();
    for (key, value) in [("name", "\"case\""), ("files", "[\"*\"]")] {
        if !says(key) {
            text.push_str(&format!("{key} = {value}\n"));
        }
    }
    text.push_str(&body);
    let spec: SourceSpec = toml::from_str(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    spec.compile()
        .unwrap_or_else(|problems| panic!("{problems:?}\n{text}"))
}

/// Reads one file; its rows and rejects must account for every record.
pub(super) fn read(source: &Source, name: &str, bytes: &[u8], site: &SiteContext) -> FileRows {
    let input = FileInput {
        name,
        bytes,
        loaded_at: LOADED_AT.parse::<Stamp>().unwrap(),
        max_text: MAX_TEXT,
    };
    let rows = source.read_file(&input, site);
    check_account(&rows);
    rows
}

/// Every record that counts became a row or one rejected record, never both.
pub(super) fn check_account(rows: &FileRows) {
    let counts = rows.counts();
    let whole: Vec<u64> = rows
        .rejects()
        .iter()
        .filter(|reject| reject.scope == Scope::Row)
        .map(|reject| reject.line)
        .collect();
    assert_eq!(counts.rows_rejected, whole.len() as u64, "{counts:?}");
    assert_eq!(
        counts.rows_in,
        rows.n_rows() as u64 + counts.rows_rejected,
        "{counts:?}"
    );
    let mut lines: Vec<u64> = rows.lines.iter().chain(&whole).copied().collect();
    lines.sort_unstable();
    assert!(
        lines.windows(2).all(|pair| pair[0] < pair[1]),
        "a line was taken twice: {lines:?}"
    );
}

/// Lays files over stored rows: all rows, and each file's
/// `in/kept/duplicate/superseded/rejected/ignored`.
pub(super) fn merged(
    files: Vec<FileRows>,
    stored: &[RecordBatch],
) -> (Vec<RecordBatch>, Vec<String>) {
    let Some(table) = files.first().map(FileRows::table) else {
        return (stored.to_vec(), Vec::new());
    };
    let mut plan = MergePlan::new(table, files);
    let mut live = stored.to_vec();
    for part in plan.parts() {
        let done = plan.merge_part(&part, &live).unwrap();
        if done.n_changed > 0 {
            live = done.rewritten;
        }
        live.extend(done.added);
    }
    for batch in &live {
        let problems = drydown_schema::check_batch(table, batch);
        assert!(problems.is_empty(), "{problems:?}");
    }
    let counts = plan.into_files().iter().map(shown_counts).collect();
    (live, counts)
}

fn shown_counts(file: &FileRows) -> String {
    let counts = file.counts();
    assert!(counts.is_balanced(), "{counts:?}");
    format!(
        "{}/{}/{}/{}/{}/{}",
        counts.rows_in,
        counts.rows_kept,
        counts.rows_duplicate,
        counts.rows_superseded,
        counts.rows_rejected,
        counts.rows_ignored
    )
}

/// The rows as text, in the order of the table's key (which stands first in every table).
pub(super) fn shown(batches: &[RecordBatch], columns: &[&str]) -> Vec<String> {
    let mut rows: Vec<(Vec<String>, String)> = Vec::new();
    for batch in batches {
        let cells_of = |names: &[&str], row: usize| -> Vec<String> {
            names
                .iter()
                .map(|name| {
                    let column = batch.column_by_name(name);
                    cell(column.unwrap_or_else(|| panic!("no column {name}")), row)
                })
                .collect()
        };
        let schema = batch.schema();
        let key: Vec<&str> = schema
            .fields()
            .iter()
            .take(3)
            .map(|field| field.name().as_str())
            .collect();
        for row in 0..batch.num_rows() {
            rows.push((cells_of(&key, row), cells_of(columns, row).join(" | ")));
        }
    }
    rows.sort();
    rows.into_iter().map(|(_, row)| row).collect()
}

fn cell(column: &ArrayRef, row: usize) -> String {
    if column.is_null(row) {
        return "-".to_owned();
    }
    match column.data_type() {
        DataType::Float64 => shown_real(column.as_primitive::<Float64Type>().value(row)),
        DataType::Int64 => column.as_primitive::<Int64Type>().value(row).to_string(),
        DataType::Boolean => if column.as_boolean().value(row) {
            "yes"
        } else {
            "no"
        }
        .to_owned(),
        DataType::Date32 => {
            Day::from_number(column.as_primitive::<Date32Type>().value(row)).to_string()
        }
        DataType::Timestamp(..) => {
            let micros = column.as_primitive::<TimestampMicrosecondType>().value(row);
            Stamp::from_micros(micros).rfc3339()
        }
        _ => one_blank(&column.as_string::<i32>().value(row).replace('\n', "\\n")),
    }
}

/// Six decimals at most, without the zeros behind: enough for every conversion in the tables.
fn shown_real(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// With the reason as the case expects it, where the reason holds what the case says.
fn shown_reject(reject: &Reject, wanted: Option<&String>) -> String {
    let place = match reject.scope {
        Scope::Row => "row",
        Scope::Cell => reject.column.as_str(),
    };
    let raw = one_blank(&reject.raw.replace('\n', "\\n"));
    let head = format!("! {} {place} [{raw}]", reject.line);
    match wanted.and_then(|wanted| wanted.split_once(" ~ ")) {
        Some((_, part)) if reject.reason.contains(part) => format!("{head} ~ {part}"),
        Some(_) => format!("{head} ~ {}", reject.reason),
        None => head,
    }
}

/// Without the blanks that all lines begin with, and without a blank first line.
pub(super) fn dedented(text: &str) -> String {
    let text = text.strip_prefix('\n').unwrap_or(text);
    let indent = text
        .split('\n')
        .filter(|line| !line.trim().is_empty())
        .map(|line| line.len() - line.trim_start_matches(' ').len())
        .min()
        .unwrap_or(0);
    let lines: Vec<&str> = text
        .split('\n')
        .map(|line| line.get(indent..).unwrap_or(""))
        .collect();
    lines.join("\n")
}

fn one_blank(text: &str) -> String {
    text.split(' ')
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}
