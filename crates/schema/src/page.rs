//! The contract for people: the reference page in Markdown, and the text of `drydown schema`.

use std::fmt::Write;

use crate::contract::{table, tables};
use crate::nearest::nearest;
use crate::spec::{ColumnSpec, TableKind, TableSpec};

/// Columns of a terminal that the text of `drydown schema` keeps to.
const WIDTH: usize = 80;

const PAGE_HEAD: &str = "\
<!-- Generated from the JSON files beside it. Change those, then run `cargo xtask schema-docs`. -->

# Data contract

One file per table: a [Frictionless Table Schema](https://datapackage.org/standard/table-schema/)
with a [UCUM](https://ucum.org) code on every quantity. The files are the source of truth that
code, documentation and tests read; this page is made from them.

- Types: identifiers and words are strings; `*_at` are timestamps in microseconds UTC; `*_on` are
  dates; counts, ranks, lines and ISO 4406 codes are 64-bit integers; yes/no are booleans; all else
  are doubles, never NaN or infinite.
- Key columns are never null. Everything else may be: null means not known, not stated or no answer.
- Water content is mg/kg, which is ppm by mass. Pressures are absolute unless the name says gauge.
- Bounds are those of the stored value. A cell outside is stored as null, with an entry in `rejects`.
- Own keys in the files: `ucum` and, under `drydown`, for a table `kind`, `partition` and `sort`; for
  a field `reference` (gauge pressures), `accepts` (values taken and stored as the bound),
  `relative_bound` (a bound that depends on another column) and `any_unit` (the unit is another
  column's or the fleet's choice).
";

/// The reference page of `data-schema/`, in Markdown.
#[must_use]
pub fn reference_page() -> String {
    let mut page = String::from(PAGE_HEAD);
    for kind in [TableKind::Ingested, TableKind::Derived, TableKind::Journal] {
        let _ = write!(
            page,
            "\n## {}\n\n{}\n\n",
            heading(kind),
            kind_sentence(kind)
        );
        page.push_str("| table | key | what it is |\n| --- | --- | --- |\n");
        for table in tables().iter().filter(|table| table.kind == kind) {
            let name = &table.name;
            let _ = writeln!(
                page,
                "| [{name}](#{name}) | {} | {} |",
                table.key.join(", "),
                table.title
            );
        }
    }
    for table in tables() {
        push_table(&mut page, table);
    }
    page
}

fn push_table(page: &mut String, table: &TableSpec) {
    let _ = write!(
        page,
        "\n## {}\n\n{}. {}\n\n",
        table.name, table.title, table.description
    );
    let _ = writeln!(page, "{}.\n", facts(table));
    page.push_str("| column | type | unit | values | meaning |\n| --- | --- | --- | --- | --- |\n");
    for column in &table.columns {
        let unit = column
            .ucum
            .as_deref()
            .map_or_else(String::new, |code| format!("`{code}`"));
        let _ = writeln!(
            page,
            "| {} | {} | {unit} | {} | {} |",
            column.name,
            column.kind,
            cell(&values(column)),
            cell(&column.description)
        );
    }
}

/// A text inside a Markdown table.
fn cell(text: &str) -> String {
    text.replace('|', "\\|")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

const fn heading(kind: TableKind) -> &'static str {
    match kind {
        TableKind::Ingested => "Ingested tables",
        TableKind::Derived => "Derived tables",
        TableKind::Journal => "Journals",
    }
}

const fn kind_sentence(kind: TableKind) -> &'static str {
    match kind {
        TableKind::Ingested => {
            "Filled by `ingest`; a source of the configuration names one of them. Each row says \
             which line of which file changed it last."
        }
        TableKind::Derived => {
            "Filled by `analyse`; each holds the rows of exactly one analysis, the last, and \
             carries its `as_of`."
        }
        TableKind::Journal => "Written beside the data; rows are only ever added.",
    }
}

/// Kind, key, order and partition in one line.
fn facts(table: &TableSpec) -> String {
    let mut facts = format!("Key: {}", table.key.join(", "));
    if table.sort != table.key {
        let _ = write!(facts, "; sorted by {}", table.sort.join(", "));
    }
    if let Some(partition) = &table.partition {
        let _ = write!(facts, "; partitioned by {partition}");
    }
    facts
}

/// What may stand in a column, in a few words; empty where anything may.
fn values(column: &ColumnSpec) -> String {
    let mut values = Vec::new();
    if column.required {
        values.push("key".to_owned());
    }
    if !column.stored_bounds().is_open() {
        values.push(column.stored_bounds().to_string());
    }
    if let Some(bound) = &column.relative_bound {
        values.push(bound.clone());
    }
    if !column.words.is_empty() {
        values.push(column.words.join(", "));
    }
    if column.is_gauge {
        values.push("gauge".to_owned());
    }
    if column.any_unit {
        values.push("any unit".to_owned());
    }
    values.join("; ")
}

/// The text of `drydown schema`: all tables, or one with its columns; at most 80 columns wide.
///
/// An unknown table is answered with the nearest known name.
#[must_use]
pub fn render_contract(name: Option<&str>) -> String {
    match name {
        None => render_tables(),
        Some(name) => table(name).map_or_else(|| render_unknown(name), render_table),
    }
}

fn render_unknown(name: &str) -> String {
    let near = nearest(name, tables().iter().map(|table| table.name.as_str()));
    let hint = near.map_or_else(String::new, |near| format!("; did you mean {near}?"));
    let mut text = String::new();
    push_wrapped(&mut text, "", &format!("no table \"{name}\"{hint}"));
    text
}

fn render_tables() -> String {
    let mut text = String::new();
    for kind in [TableKind::Ingested, TableKind::Derived, TableKind::Journal] {
        let _ = writeln!(text, "{}", heading(kind));
        for table in tables().iter().filter(|table| table.kind == kind) {
            let _ = writeln!(text, "  {:<22}{}", table.name, table.title);
        }
        text.push('\n');
    }
    text.push_str("drydown schema TABLE shows the columns of one table\n");
    text
}

fn render_table(table: &TableSpec) -> String {
    let mut text = String::new();
    push_wrapped(
        &mut text,
        "",
        &format!("{} ({}): {}", table.name, table.kind, table.title),
    );
    text.push('\n');
    push_wrapped(&mut text, "", &table.description);
    text.push('\n');
    push_wrapped(&mut text, "", &facts(table));
    for column in &table.columns {
        text.push('\n');
        let unit = column
            .ucum
            .as_deref()
            .map_or_else(String::new, |code| format!(", {code}"));
        push_wrapped(
            &mut text,
            "",
            &format!("{}: {}{unit}", column.name, column.kind),
        );
        let values = values(column);
        if !values.is_empty() {
            push_wrapped(&mut text, "    ", &format!("[{values}]"));
        }
        push_wrapped(&mut text, "    ", &column.description);
    }
    text
}

/// Adds a paragraph broken at blanks; a word longer than the line stands alone on its own.
fn push_wrapped(text: &mut String, indent: &str, paragraph: &str) {
    let mut used = 0;
    for word in paragraph.split_whitespace() {
        let long = word.chars().count();
        if used == 0 {
            text.push_str(indent);
            used = indent.len();
        } else if used + 1 + long > WIDTH {
            text.push('\n');
            text.push_str(indent);
            used = indent.len();
        } else {
            text.push(' ');
            used += 1;
        }
        text.push_str(word);
        used += long;
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_keeps_to_eighty_columns() {
        let names = tables().iter().map(|table| Some(table.name.as_str()));
        for name in names.chain([None, Some("readigns")]) {
            for line in render_contract(name).lines() {
                assert!(line.chars().count() <= WIDTH, "{name:?}: {line}");
            }
        }
    }

    #[test]
    fn a_table_shows_every_column_with_unit_and_bounds() {
        let text = render_contract(Some("readings"));
        assert!(
            text.contains("chamber_pressure_kpa: number, kPa\n"),
            "{text}"
        );
        assert!(
            text.contains("    [0…115.5; at most 1.05 times ambient_kpa]\n"),
            "{text}"
        );
        for column in &table("readings").unwrap().columns {
            assert!(
                text.contains(&format!("\n{}: ", column.name)),
                "{}",
                column.name
            );
        }
    }

    #[test]
    fn an_unknown_table_is_answered_with_the_nearest() {
        assert_eq!(
            render_contract(Some("readigns")),
            "no table \"readigns\"; did you mean readings?\n"
        );
        assert_eq!(render_contract(Some("xyzzy")), "no table \"xyzzy\"\n");
    }

    /// Set BLESS to write the page anew.
    #[test]
    fn the_committed_reference_page_is_current() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../data-schema/README.md");
        let page = reference_page();
        if std::env::var_os("BLESS").is_some() {
            std::fs::write(path, &page).unwrap();
        }
        let committed = std::fs::read_to_string(path).unwrap_or_default();
        assert!(
            committed == page,
            "data-schema/README.md is stale: cargo xtask schema-docs"
        );
    }
}
