//! Proposes a `[[source]]` block for an unknown export and says of every line why and how sure.
//!
//! The text is read as ingest reads it. Every file column is judged by the words of its header, by
//! the unit in it and by its values; the best pairs are placed first and each column is used once.
//! What only a person can know stands as `FILL-IN`. A block without one compiles.

mod above;
mod assign;
mod by_row;
mod bytes;
mod dictionary;
mod doubts;
mod facts;
mod fixed;
mod head;
mod judge;
mod keys;
mod left;
mod lines;
mod locate;
mod machines;
mod mark;
mod order;
mod proposal;
mod render;
mod repeats;
mod rules;
mod settle;
mod shape;
mod stamps;
mod tall;
mod units;
mod vocabulary;
mod words;

#[cfg(test)]
pub(crate) mod tests;

use std::io::Cursor;

use drydown_quantity::Dimension;

use self::facts::Facts;
use self::head::Head;
use self::order::Order;
use self::shape::Shape;
use crate::cells::{DecimalMark, parse_yes_no};
use crate::text::{Member, TextError, archive_members, read_member, tidy};

/// Stands where a person must say what the file does not.
pub(crate) const FILL_IN: &str = "FILL-IN";

/// Bytes of one file of an archive that are looked at, at most.
const MAX_MEMBER: usize = 1 << 30;

/// Other files of an archive that are looked at for what one leaves open.
const MAX_OTHERS: usize = 40;

/// Why there is nothing to propose.
#[derive(Debug, thiserror::Error)]
pub enum DraftError {
    /// The bytes do not unpack.
    #[error(transparent)]
    Text(#[from] TextError),
    /// The bytes are no text.
    #[error("found {found}, expected delimited text or an XLSX workbook")]
    NotText {
        /// What they look like.
        found: String,
    },
    /// A text without a table.
    #[error("found {found}, expected a line of column names over lines of as many fields")]
    NoTable {
        /// What stands there.
        found: String,
    },
}

/// The proposal for the bytes of one file as TOML: comments that say why, then the block.
///
/// `name` is the path as the configuration would write it; its last part may tell the unit.
///
/// # Errors
/// Bytes that do not unpack or are no text, and texts without a line of column names.
pub fn propose(name: &str, bytes: &[u8]) -> Result<String, DraftError> {
    let Some(members) = archive_members(Cursor::new(bytes)) else {
        let shape = shape::find_shape(bytes)?;
        return Ok(render::to_text(&proposal::propose(name, &shape, None)));
    };
    // Of an archive of several files the first that can be read speaks for all.
    let mut refused = None;
    for member in &members {
        let content = read_member(Cursor::new(bytes), member, MAX_MEMBER);
        let found = match content.error {
            Some(error) => Err(DraftError::Text(error)),
            None => shape::find_shape(&content.bytes),
        };
        match found {
            Ok(shape) => {
                let inside = format!("{name}/{}", member.name);
                let others = order_of(bytes, &members, member);
                let mut proposal = proposal::propose(&inside, &shape, others);
                proposal.spec.files = vec![name.to_owned()];
                proposal.first.push(format!(
                    "the archive holds {} files, each read as a file of its own; this is from \"{}\": check that the others are like it",
                    members.len(),
                    member.name
                ));
                return Ok(render::to_text(&proposal));
            }
            Err(error) => {
                refused.get_or_insert(error);
            }
        }
    }
    Err(refused.unwrap_or(DraftError::NoTable {
        found: "an archive of files that cannot be read".to_owned(),
    }))
}

/// What the dates in the other files of an archive tell, those that are looked at.
fn order_of(bytes: &[u8], members: &[Member], own: &Member) -> Option<Order> {
    let others = members.iter().filter(|member| *member != own);
    let told = others.take(MAX_OTHERS).filter_map(|member| {
        let content = read_member(Cursor::new(bytes), member, MAX_MEMBER);
        let shape = content
            .error
            .is_none()
            .then(|| shape::find_shape(&content.bytes));
        order::by_digits(&shape?.ok()?)
    });
    let (mut day_first, mut month_first) = (false, false);
    for is_day_first in told {
        day_first |= is_day_first;
        month_first |= !is_day_first;
    }
    (day_first != month_first).then(|| order::of_others(day_first))
}

/// What the whole file says that the judgement of one column needs.
#[derive(Clone, Debug)]
struct Context {
    mark: DecimalMark,
    delimiter: u8,
    is_workbook: bool,
    /// Headers state °F, gpm, psi, inHg or gallons.
    is_us: bool,
    /// Headers state °C, L/min, mbar and the like.
    is_metric: bool,
    /// How other columns of the file write their dates.
    is_day_first: Option<bool>,
    /// What else tells it, where no date does.
    order: Option<Order>,
    /// A run log, whose rows follow each other.
    is_log: bool,
    /// What the set points of temperatures stand at, the middle of each.
    setpoints: Vec<f64>,
    /// Whether the pump ran, a place per row; empty where nothing tells.
    pump_runs: Vec<Option<bool>>,
}

impl Context {
    fn is_laboratory(&self, table: &str) -> bool {
        matches!(table, "samples" | "results" | "reservoir_events")
    }
}

/// One column of the file, or one signal of a tall file.
#[derive(Clone, Debug)]
struct Column {
    head: Head,
    facts: Facts,
    /// It has no name, or one that others have as well: nothing says what it holds.
    is_nameless: bool,
}

/// The columns of the file and what they say together.
fn read_columns(shape: &Shape, mark: DecimalMark, order: Option<Order>) -> (Vec<Column>, Context) {
    let heads: Vec<Head> = shape
        .names
        .iter()
        .zip(&shape.header)
        .enumerate()
        .map(|(idx, (name, text))| {
            let below = shape.unit_row.get(idx).map_or("", String::as_str);
            let head = Head::of(name, below);
            Head {
                text: text.clone(),
                ..head
            }
        })
        .collect();
    let mut context = context_of(&heads, shape, mark);
    context.order = order;
    let mut columns: Vec<Column> = heads
        .into_iter()
        .enumerate()
        .map(|(idx, head)| {
            let cells = shape
                .rows
                .iter()
                .map(|row| row.get(idx).cloned().unwrap_or_default());
            let facts = Facts::of(cells, &context);
            let head = named(head, idx, &shape.header).with_unit_of(&facts);
            Column {
                is_nameless: head.text.is_empty() || Some(&head.text) != shape.header.get(idx),
                facts,
                head,
            }
        })
        .collect();
    by_row::set_units_beside(&mut columns);
    // One clock writes all dates of a file: what one column tells holds for the others.
    let mut told = columns
        .iter()
        .filter_map(|column| column.facts.stamp.as_ref()?.is_day_first());
    context.is_day_first = told
        .next()
        .filter(|first| told.all(|other| other == *first));
    if context.is_day_first.is_some() {
        for column in &mut columns {
            if column
                .facts
                .stamp
                .as_ref()
                .is_some_and(|found| found.open.is_some())
            {
                column.facts.stamp = stamps::find(&column.facts, &context);
            }
        }
    }
    context.pump_runs = pump_runs(&columns);
    context.setpoints = setpoints(&columns);
    (columns, context)
}

/// A head whose text finds its column: of columns with one name, by its number among them.
fn named(mut head: Head, idx: usize, header: &[String]) -> Head {
    let own = tidy(&head.text);
    let same: Vec<usize> = header
        .iter()
        .enumerate()
        .filter(|(_, other)| tidy(other) == own)
        .map(|(at, _)| at)
        .collect();
    if same.len() > 1
        && !own.is_empty()
        && let Some(place) = same.iter().position(|at| *at == idx)
    {
        head.text = format!("{own}#{}", place + 1);
    }
    head
}

fn context_of(heads: &[Head], shape: &Shape, mark: DecimalMark) -> Context {
    let codes = || {
        heads
            .iter()
            .flat_map(|head| head.units.iter())
            .map(|found| found.unit)
    };
    let is_us = codes().any(|unit| {
        matches!(
            unit.code(),
            "[degF]" | "[gal_us]/min" | "[gal_us]" | "[psi]" | "[in_i'Hg]"
        )
    });
    let is_metric = codes().any(|unit| {
        matches!(
            unit.code(),
            "Cel" | "L/min" | "m3/h" | "mbar" | "hPa" | "kPa" | "bar"
        ) && !matches!(unit.dimension(), Dimension::Ratio)
    });
    Context {
        mark,
        delimiter: shape.delimiter,
        is_workbook: shape.is_workbook,
        is_us: is_us && !codes().any(|unit| unit.code() == "Cel"),
        is_metric: is_metric && !codes().any(|unit| unit.code() == "[degF]"),
        is_log: heads.iter().any(|head| {
            ["chamber", "vacuum", "flow"]
                .iter()
                .any(|word| head.has(word))
        }),
        is_day_first: None,
        order: None,
        setpoints: Vec::new(),
        pump_runs: Vec::new(),
    }
}

/// The middle of each column that is a set point, but of a unit that is no temperature's.
fn setpoints(columns: &[Column]) -> Vec<f64> {
    let is_of_other = |column: &Column| {
        let mut firm = column.head.units.iter().filter(|found| found.is_firm);
        firm.any(|found| found.unit.dimension() != Dimension::Temperature)
    };
    columns
        .iter()
        .filter(|column| column.head.has("setpoint") && !is_of_other(column))
        .filter_map(|column| column.facts.quantile(0.5))
        .collect()
}

/// Whether the pump ran in each row: by its own column, else by the flow.
fn pump_runs(columns: &[Column]) -> Vec<Option<bool>> {
    let flag = columns
        .iter()
        .filter(|column| column.facts.is_flag())
        .max_by_key(|column| {
            let points = [("vacuum", 4), ("pump", 3), ("on", 1)];
            points
                .iter()
                .filter(|(word, _)| column.head.has(word))
                .map(|(_, n)| n)
                .sum::<i32>()
        })
        .filter(|column| {
            column.head.has("pump") || column.head.has("on") || column.head.has("vacuum")
        });
    if let Some(flag) = flag {
        return flag
            .facts
            .cells
            .iter()
            .map(|cell| parse_yes_no(cell))
            .collect();
    }
    let flow = columns
        .iter()
        .find(|column| column.head.has("flow") && column.facts.is_numeric());
    let Some((flow, high)) = flow.and_then(|flow| Some((flow, flow.facts.quantile(0.98)?))) else {
        return Vec::new();
    };
    if high <= 0.0 {
        return Vec::new();
    }
    let state = |value: f64| (!value.is_nan()).then_some(value > 0.1 * high);
    flow.facts
        .numbers
        .iter()
        .map(|value| state(*value))
        .collect()
}
