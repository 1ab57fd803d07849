//! The journal of analyses, from the newest back.

use anyhow::Result;
use drydown_tables::{Analysis, from_frame};

use super::Context;

/// The newest analysis of a kind; None where there is none, or where the journal's history was cut before it.
///
/// Rows are keyed by a hash: their order is that of the commits that added them.
pub(crate) fn newest(
    context: &Context<'_>,
    is_wanted: impl Fn(&Analysis) -> bool,
) -> Result<Option<Analysis>> {
    let store = context.store;
    let at = |version: i64| -> Result<Vec<Analysis>> {
        Ok(from_frame(
            &store.scan("analyses", Some(version), None)?.collect()?,
        )?)
    };
    let mut rows: Vec<Analysis> = context.records()?;
    for commit in store.commits("analyses")?.iter().rev() {
        if commit.n_rows_added == 0 {
            continue;
        }
        let before = if commit.version == 0 {
            Vec::new()
        } else {
            match at(commit.version - 1) {
                Ok(before) => before,
                Err(_) => return Ok(None),
            }
        };
        if let Some(added) = rows.iter().find(|row| !before.contains(row))
            && is_wanted(added)
        {
            return Ok(Some(added.clone()));
        }
        rows = before;
    }
    Ok(None)
}
