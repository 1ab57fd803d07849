//! The plainest possible ingest: a map of maps.

use std::collections::BTreeMap;

use super::exports::{Ask, COLUMNS, Export};

/// One stored row: its cells that are not null, and the file and line that last changed it.
#[derive(Clone, Debug, Default)]
pub(super) struct Row {
    pub(super) cells: BTreeMap<&'static str, String>,
    pub(super) file_hash: String,
    pub(super) line: usize,
}

pub(super) type Store = BTreeMap<(String, String), Row>;

/// Lays one export over the store; its `in/kept/duplicate/superseded/rejected/ignored`.
pub(super) fn lay(store: &mut Store, export: &Export, file_hash: &str) -> String {
    let [
        mut rows_in,
        mut kept,
        mut duplicate,
        mut superseded,
        mut rejected,
        mut ignored,
    ] = [0; 6];
    for (place, line) in export.lines.iter().enumerate() {
        let (key, cells) = match line.ask(export.kind) {
            Ask::Nothing => continue,
            Ask::Ignore => {
                ignored += 1;
                continue;
            }
            Ask::Reject => {
                rows_in += 1;
                rejected += 1;
                continue;
            }
            Ask::Set(key, cells) => (key, cells),
        };
        rows_in += 1;
        let is_new = !store.contains_key(&key);
        let row = store.entry(key).or_default();
        let (mut changed, mut took) = (false, false);
        for (column, value) in cells {
            let old = match &value {
                Some(value) => row.cells.insert(column, value.clone()),
                None => row.cells.remove(column),
            };
            if old != value {
                changed = true;
                took |= old.is_some();
            }
        }
        if !changed && !is_new {
            duplicate += 1;
            continue;
        }
        kept += 1;
        superseded += i32::from(took);
        file_hash.clone_into(&mut row.file_hash);
        row.line = place + export.kind.first_line();
    }
    format!("{rows_in}/{kept}/{duplicate}/{superseded}/{rejected}/{ignored}")
}

/// The store as `harness::shown` prints it, for key, cells, hash and line.
pub(super) fn shown_store(store: &Store) -> Vec<String> {
    store
        .iter()
        .map(|((unit, at), row)| {
            let cell = |column: &str| row.cells.get(column).map_or("-", String::as_str).to_owned();
            let cells: Vec<String> = COLUMNS.iter().map(|column| cell(column)).collect();
            format!(
                "{unit} | {at} | {} | {} | {}",
                cells.join(" | "),
                row.file_hash,
                row.line
            )
        })
        .collect()
}
