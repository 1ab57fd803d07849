//! Texts of many files in one pool.

use drydown_schema::{ColumnKind, ColumnSpec, TableSpec};

use crate::rows::{Body, FileRows};
use crate::texts::{NULL, TextPool};

/// Moves a file's texts into the shared pool.
pub(super) fn share_texts(table: &TableSpec, file: &mut FileRows, pool: &mut TextPool) {
    let own = std::mem::take(&mut file.pool);
    let shared: Vec<u64> = own.texts().map(|text| pool.cell(text)).collect();
    if (0..).zip(&shared).all(|(own, place)| own == *place) {
        return;
    }
    let translate = |cell: &mut u64| {
        if *cell != NULL {
            *cell = usize::try_from(*cell)
                .ok()
                .and_then(|at| shared.get(at))
                .copied()
                .unwrap_or(NULL);
        }
    };
    let is_text = |column: Option<&ColumnSpec>| column.is_some_and(|c| c.kind == ColumnKind::Text);
    let is_text_at = |place: usize| is_text(table.columns.get(place));
    for (name, cells) in table.key.iter().zip(&mut file.keys) {
        if is_text(table.column(name)) {
            cells.iter_mut().for_each(translate);
        }
    }
    match &mut file.body {
        Body::Wide { columns } => {
            for (_, cells) in columns.iter_mut().filter(|(place, _)| is_text_at(*place)) {
                cells.iter_mut().for_each(translate);
            }
        }
        Body::Tall { columns, cells, .. } => {
            for (place, cell) in columns.iter().zip(cells.iter_mut()) {
                if is_text_at(usize::from(*place)) {
                    translate(cell);
                }
            }
        }
    }
}
