//! A block that compiles, or that says what a person must fill in before it does.

use drydown_schema::ColumnKind;

use super::FILL_IN;
use super::keys::missing_reason;
use super::proposal::{Proposal, column_key};
use crate::source::{ColumnMap, Scalar, SourceSpec, UnitOf};

/// Takes out what would not compile, with the reason, until the rest does.
pub(super) fn settle(proposal: &mut Proposal) {
    for _ in 0..=proposal.spec.columns.len() {
        let Err(problems) = filled_in(&proposal.spec).compile() else {
            return;
        };
        let faulty = problems.iter().find_map(|problem| match &problem.key[..] {
            [first, column, ..]
                if first == "columns" && proposal.spec.columns.contains_key(column) =>
            {
                Some((column.clone(), problem.to_string()))
            }
            _ => None,
        });
        let Some((column, what)) = faulty else {
            let all: Vec<String> = problems.iter().map(ToString::to_string).collect();
            proposal.first.push(format!(
                "{FILL_IN}: the block does not compile yet: {}",
                all.join("; ")
            ));
            return;
        };
        proposal.spec.columns.remove(&column);
        proposal.order.retain(|name| *name != column);
        proposal.last.push(format!("not placed: {column}: {what}"));
        let table = drydown_schema::table(&proposal.spec.table);
        if table.is_some_and(|table| table.is_key(&column)) {
            let map = ColumnMap {
                value: Some(Scalar::Text(FILL_IN.to_owned())),
                ..ColumnMap::default()
            };
            proposal.spec.columns.insert(column.clone(), map);
            proposal.order.insert(0, column.clone());
            proposal.note(&column_key(&column), missing_reason(&column));
        }
    }
}

/// The block as a person might fill it in, to see whether the rest of it compiles.
pub(super) fn filled_in(spec: &SourceSpec) -> SourceSpec {
    let mut spec = spec.clone();
    if spec.timezone.as_deref() == Some(FILL_IN) {
        spec.timezone = Some("UTC".to_owned());
    }
    let table = drydown_schema::table(&spec.table);
    for (name, map) in &mut spec.columns {
        if map.unit == Some(UnitOf::Fixed(FILL_IN.to_owned())) {
            map.unit = None;
        }
        if map.value != Some(Scalar::Text(FILL_IN.to_owned())) {
            continue;
        }
        let column = table.and_then(|table| table.column(name));
        let stand_in = match column.map(|column| column.kind) {
            Some(ColumnKind::Stamp) => "2000-01-01T00:00:00Z".to_owned(),
            _ => column
                .and_then(|column| column.words.first().cloned())
                .unwrap_or_else(|| FILL_IN.to_owned()),
        };
        map.value = Some(Scalar::Text(stand_in));
    }
    spec
}
