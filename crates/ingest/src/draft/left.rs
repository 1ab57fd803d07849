//! What no line of the block is for: columns that fill nothing, and what they may be.

use std::collections::BTreeMap;

use drydown_quantity::Unit;

use super::Column;
use super::assign::Assignment;
use super::facts::Facts;
use super::proposal::{Found, Proposal, single_from};
use super::render::quoted;
use super::vocabulary::guess_word;

/// The columns of the file that fill nothing, each with the closest guess.
pub(super) fn say_not_placed(
    proposal: &mut Proposal,
    found: &Found<'_>,
    assignment: &Assignment,
    used: &[usize],
) {
    for (idx, column) in found.columns.iter().enumerate() {
        let is_used = used.contains(&idx)
            || assignment
                .placed
                .iter()
                .any(|placed| placed.uses.contains(&idx));
        if is_used {
            continue;
        }
        let name = &column.head.text;
        if column.is_nameless {
            let why = if name.is_empty() {
                "it has no name".to_owned()
            } else if found
                .machines
                .is_some_and(|machines| machines.is_of_another(idx))
            {
                "it is of another machine".to_owned()
            } else {
                format!("others have its name; `from = \"{name}\"` reads this one")
            };
            proposal
                .last
                .push(format!("not placed: column {} \"{name}\": {why}", idx + 1));
            continue;
        }
        let closest = assignment
            .refused
            .iter()
            .filter(|refused| refused.file_column == idx)
            .max_by(|a, b| a.strength.total_cmp(&b.strength));
        let guess = match closest {
            Some(refused) => format!("closest is {}, but {}", refused.column, refused.why),
            None => same_dimension(proposal, assignment, column),
        };
        let guess = match as_result(assignment, column) {
            Some(block) => format!("{guess}; {block}"),
            None => guess,
        };
        proposal.last.push(format!(
            "not placed: \"{name}\" ({}): {guess}",
            values_shown(&column.facts)
        ));
    }
}

/// How a value that `samples` has no column for is kept all the same.
fn as_result(assignment: &Assignment, column: &Column) -> Option<String> {
    let facts = &column.facts;
    let is_measured = facts.n_filled > 0 && facts.n_amounts * 10 >= facts.n_filled * 8;
    if assignment.table.name != "samples" || !is_measured || facts.stamp.is_some() {
        return None;
    }
    let name = &column.head.text;
    let analyte = name.split(['(', '[']).next().unwrap_or(name).trim();
    let analyte = if analyte.is_empty() { name } else { analyte };
    let unit = column.head.units.first().map_or_else(String::new, |unit| {
        format!(", unit = {{ value = {} }}", quoted(&unit.written))
    });
    Some(format!(
        "a block of its own with the same files and key keeps it: table = \"results\", analyte = {{ value = {} }}, value = {{ from = {} }}{unit}",
        quoted(analyte),
        quoted(name)
    ))
}

/// The free columns that its unit would fit, where no word of the header is known.
fn same_dimension(proposal: &Proposal, assignment: &Assignment, column: &Column) -> String {
    let Some(found) = column.head.units.iter().find(|found| found.is_firm) else {
        return "no column of the table is close".to_owned();
    };
    let fits: Vec<&str> = assignment
        .table
        .source_columns()
        .filter(|spec| !proposal.spec.columns.contains_key(&spec.name))
        .filter(|spec| {
            let own = spec.ucum.as_deref().and_then(Unit::parse);
            own.is_some_and(|own| own.dimension() == found.unit.dimension())
        })
        .map(|spec| spec.name.as_str())
        .take(4)
        .collect();
    match fits[..] {
        [] => "no column of the table is close".to_owned(),
        _ => format!(
            "no word of it is known; by its unit {} it may be {}",
            found.written,
            fits.join(" or ")
        ),
    }
}

/// A cell as a comment shows it: its start, where it is long.
pub(super) fn shortened(cell: &str) -> String {
    const MOST: usize = 60;
    match cell.char_indices().nth(MOST) {
        Some((end, _)) => format!("{}…", cell.get(..end).unwrap_or(cell)),
        None => cell.to_owned(),
    }
}

/// The values of a column in a few words.
pub(super) fn values_shown(facts: &Facts) -> String {
    if facts.n_filled == 0 {
        return "empty".to_owned();
    }
    if let (true, Some(low), Some(high)) =
        (facts.is_numeric(), facts.quantile(0.0), facts.quantile(1.0))
    {
        return format!("{low} to {high}");
    }
    let shown: Vec<String> = facts
        .distinct
        .keys()
        .take(3)
        .map(|value| format!("\"{}\"", value.chars().take(24).collect::<String>()))
        .collect();
    let more = if facts.distinct.len() > 3 {
        ", …"
    } else {
        ""
    };
    format!("{}{more}", shown.join(", "))
}

/// What the codes of a controller mean, by their texts: a line to uncomment, since it reads a column twice.
pub(super) fn kinds_of_codes(found: &Found<'_>, proposal: &Proposal) -> Option<String> {
    if proposal.spec.table != "unit_events" || proposal.spec.columns.contains_key("kind") {
        return None;
    }
    let name_of = |column: &str| single_from(proposal.spec.columns.get(column)?);
    let facts_of = |name: &str| {
        found
            .columns
            .iter()
            .find(|column| column.head.text == name)
            .map(|column| &column.facts)
    };
    let code_name = name_of("code")?;
    let (codes, texts) = (facts_of(code_name)?, facts_of(name_of("text")?)?);
    let mut kinds: BTreeMap<&str, &str> = BTreeMap::new();
    for (code, text) in codes.cells.iter().zip(&texts.cells) {
        if let Some(kind) = guess_word("kind", text) {
            kinds.entry(code).or_insert(kind);
        }
    }
    if kinds.is_empty() || kinds.len() > 40 {
        return None;
    }
    let map: Vec<String> = kinds
        .iter()
        .map(|(code, kind)| format!("{} = \"{kind}\"", quoted(code)))
        .collect();
    Some(format!(
        "guess, to uncomment: kind = {{ from = {}, map = {{ {} }} }}",
        quoted(code_name),
        map.join(", ")
    ))
}
