//! Whether a file column can be a column of a table: its values, its unit and its words together.

mod text;

use drydown_quantity::Unit;
use drydown_schema::{ColumnKind, ColumnSpec, TableSpec};

use super::facts::Facts;
use super::head::Head;
use super::left::shortened;
use super::units::{self, Judged};
use super::vocabulary::known_words;
use super::{Column, Context, FILL_IN};
use crate::cells::{Amount, Censor, parse_amount, parse_cleanliness, parse_hours};
use crate::source::{ColumnMap, OneOrMany, UnitOf};

/// How sure a meaning is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Sure {
    Guess,
    Likely,
    Certain,
}

impl Sure {
    pub(super) const fn as_str(self) -> &'static str {
        match self {
            Self::Guess => "guess",
            Self::Likely => "likely",
            Self::Certain => "certain",
        }
    }
}

/// A file column as a column of a table.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) column: String,
    pub(super) score: f64,
    pub(super) sure: Sure,
    pub(super) why: Vec<String>,
    pub(super) map: ColumnMap,
}

/// A file column and the table it is held against.
pub(super) struct Asked<'a> {
    pub(super) table: &'a str,
    pub(super) head: &'a Head,
    pub(super) facts: &'a Facts,
    pub(super) context: &'a Context,
}

impl<'a> Asked<'a> {
    pub(super) fn of(table: &'a TableSpec, column: &'a Column, context: &'a Context) -> Self {
        Self {
            table: &table.name,
            head: &column.head,
            facts: &column.facts,
            context,
        }
    }
}

/// What the values and the unit add to the words.
struct Verdict {
    score: f64,
    /// Something of it is assumed.
    must_check: bool,
    /// Something of it is hardly more than a guess.
    is_guess: bool,
    why: Vec<String>,
    map: ColumnMap,
}

impl Verdict {
    const fn plain(map: ColumnMap) -> Self {
        Self {
            score: 0.0,
            must_check: false,
            is_guess: false,
            why: Vec::new(),
            map,
        }
    }
}

/// Judges one pair; the error says what speaks against it.
///
/// `strength` is what the header's words give, `words` the meanings it rests on.
pub(super) fn judge(
    asked: &Asked<'_>,
    name: &str,
    spec: &ColumnSpec,
    (strength, words): (f64, &[&str]),
) -> Result<Fit, String> {
    let verdict = if name == "iso4406" {
        cleanliness(asked)?
    } else {
        match spec.kind {
            ColumnKind::Real => real(asked, name, spec)?,
            ColumnKind::Bool => yes_no(asked)?,
            ColumnKind::Stamp => stamp(asked, name)?,
            ColumnKind::Date => date(asked)?,
            ColumnKind::Int => whole(asked, spec)?,
            ColumnKind::Text if !spec.words.is_empty() => word(asked, name, &spec.words)?,
            ColumnKind::Text => text::judge(asked, name)?,
        }
    };
    let mut why = Vec::new();
    if !words.is_empty() {
        why.push(format!("its words ({})", words.join(", ")));
    }
    why.extend(verdict.why);
    let has_values = asked.facts.n_filled > 0;
    if !has_values {
        why.push("no values to judge by".to_owned());
    }
    let sure = if verdict.is_guess {
        Sure::Guess
    } else if strength >= 7.4 && has_values && !verdict.must_check {
        Sure::Certain
    } else if strength + verdict.score >= 6.0 {
        Sure::Likely
    } else {
        Sure::Guess
    };
    let mut map = verdict.map;
    map.from = Some(OneOrMany::One(asked.head.text.clone()));
    Ok(Fit {
        column: name.to_owned(),
        score: strength + verdict.score,
        sure,
        why,
        map,
    })
}

fn real(asked: &Asked<'_>, name: &str, spec: &ColumnSpec) -> Result<Verdict, String> {
    let facts = asked.facts;
    let has_unit = asked.head.units.iter().any(|unit| unit.is_firm);
    let is_pressure = name.contains("_kpa");
    // Numbers that happen to be 0 all the time may be a machine that stands.
    let may_be_numbers = facts.is_numeric()
        && if is_pressure {
            has_unit && !facts.is_flag()
        } else {
            has_unit || !facts.is_flag()
        };
    if facts.is_yes_no() && !may_be_numbers {
        return Err("its values are only yes and no (or 0 and 1)".to_owned());
    }
    let n_fit = if asked.context.is_laboratory(asked.table) {
        facts.n_amounts
    } else {
        facts.n_numbers
    };
    if facts.n_filled > 0 && (n_fit as f64) < least_share(asked, name) * facts.n_filled as f64 {
        return Err(format!(
            "{} of its {} values are no numbers",
            facts.n_filled - n_fit,
            facts.n_filled
        ));
    }
    if facts.stamp.as_ref().is_some_and(|stamp| !stamp.is_number) {
        return Err("its values are times".to_owned());
    }
    let Some(own) = spec.ucum.as_deref().and_then(Unit::parse) else {
        return Ok(Verdict::plain(ColumnMap::default()));
    };
    let Judged {
        unit,
        reference,
        score,
        must_check,
        is_unit_open,
        is_guess,
        mut why,
    } = units::judge(asked, name, spec, own)?;
    why.extend(not_numbers(asked, name));
    let code = |unit: Unit| if is_unit_open { FILL_IN } else { unit.code() };
    let unit = unit.map(|unit| UnitOf::Fixed(code(unit).to_owned()));
    Ok(Verdict {
        score,
        must_check,
        is_guess,
        why,
        map: ColumnMap {
            unit,
            reference,
            ..ColumnMap::default()
        },
    })
}

/// What of the values is no plain number, and what becomes of it.
fn not_numbers(asked: &Asked<'_>, name: &str) -> Vec<String> {
    let facts = asked.facts;
    let mut limits: Vec<&str> = Vec::new();
    let mut unread: Vec<&str> = Vec::new();
    for cell in facts.cells.iter().filter(|cell| !cell.is_empty()) {
        match parse_amount(cell, asked.context.mark) {
            Amount::Stated {
                censor: Censor::Below | Censor::Above,
                ..
            } => limits.push(cell),
            Amount::Unreadable(_) if name.contains("hours") && parse_hours(cell).is_some() => {}
            Amount::Unreadable(_) => unread.push(cell),
            _ => {}
        }
    }
    let mut why = Vec::new();
    // The one column of these tables that keeps on which side of a limit the value lies.
    if let (Some(first), true) = (
        limits.first(),
        name != "water_ppm" || asked.table != "samples",
    ) {
        why.push(format!(
            "{} values are limits such as \"{}\" and would be left empty",
            limits.len(),
            shortened(first)
        ));
    }
    if let Some(first) = unread.first() {
        why.push(format!(
            "{} values such as \"{}\" are no numbers and would be left empty",
            unread.len(),
            shortened(first)
        ));
    }
    why
}

/// Share of the values that must be numbers.
fn least_share(asked: &Asked<'_>, name: &str) -> f64 {
    match (asked.table, name) {
        // A long file has codes and words among its results.
        ("results", "value") => 0.3,
        _ if asked.context.is_laboratory(asked.table) => 0.7,
        _ => 0.95,
    }
}

fn shortened_all(words: &[String]) -> String {
    let shown: Vec<String> = words.iter().map(|word| shortened(word)).collect();
    shown.join(", ")
}

fn yes_no(asked: &Asked<'_>) -> Result<Verdict, String> {
    let facts = asked.facts;
    if facts.n_filled == 0 {
        return Ok(Verdict::plain(ColumnMap::default()));
    }
    if asked.head.units.iter().any(|unit| unit.is_firm) {
        return Err("its header states a unit".to_owned());
    }
    if facts.is_yes_no() {
        let shown: Vec<&str> = facts.distinct.keys().map(String::as_str).collect();
        return Ok(Verdict {
            score: 1.0,
            why: vec![format!("its values are {}", shown.join(" and "))],
            ..Verdict::plain(ColumnMap::default())
        });
    }
    let known = known_words("yes_no", &["true".to_owned(), "false".to_owned()], facts);
    if facts.distinct.len() <= 3 && known.unknown.is_empty() && !known.map.is_empty() {
        return Ok(Verdict {
            score: 0.5,
            must_check: true,
            is_guess: false,
            why: vec!["its words are taken for yes and no: check".to_owned()],
            map: ColumnMap {
                map: Some(known.map),
                ..ColumnMap::default()
            },
        });
    }
    Err("its values are not yes and no".to_owned())
}

fn stamp(asked: &Asked<'_>, name: &str) -> Result<Verdict, String> {
    let facts = asked.facts;
    if facts.n_filled == 0 {
        let is_millis = super::words::tokens(&asked.head.text)
            .iter()
            .any(|word| word == "ms");
        let format = if is_millis { "epoch_ms" } else { "rfc3339" };
        return Ok(Verdict {
            score: -1.0,
            must_check: true,
            is_guess: false,
            why: vec![format!("no stamp to see: {format} assumed: check")],
            map: ColumnMap {
                format: Some(format.to_owned()),
                ..ColumnMap::default()
            },
        });
    }
    let Some(found) = &facts.stamp else {
        return Err("its values are times in no format that was tried".to_owned());
    };
    let is_log = asked.table == "readings";
    if found.is_date_only && is_log && name == "at" && facts.distinct.len() < facts.n_filled {
        return Err(
            "its dates have no time of the day, so the rows of a day would supersede each other"
                .to_owned(),
        );
    }
    let mut why = vec![match found.n_unread {
        0 => format!(
            "all {} stamps looked at fit {}",
            facts.n_filled, found.format
        ),
        n => format!(
            "{n} of {} stamps looked at do not fit {} and would be rejected",
            facts.n_filled, found.format
        ),
    }];
    why.extend(found.open.clone());
    Ok(Verdict {
        score: if found.is_number { -1.0 } else { 1.0 },
        must_check: found.open.is_some() || found.is_number,
        is_guess: found.is_guess,
        why,
        map: ColumnMap {
            format: Some(found.format.clone()),
            ..ColumnMap::default()
        },
    })
}

fn date(asked: &Asked<'_>) -> Result<Verdict, String> {
    if asked
        .facts
        .stamp
        .as_ref()
        .is_some_and(|found| !found.is_date_only && !found.format.starts_with('%'))
    {
        return Err("its values are moments, not days".to_owned());
    }
    stamp(asked, "")
}

fn whole(asked: &Asked<'_>, spec: &ColumnSpec) -> Result<Verdict, String> {
    if asked.facts.n_filled > 0 && !asked.facts.is_whole() {
        return Err("its values are no whole numbers".to_owned());
    }
    let bounds = spec.bounds();
    if asked
        .facts
        .known_numbers()
        .any(|value| !bounds.admit(value))
    {
        return Err(format!("some of its values lie outside {bounds}"));
    }
    Ok(Verdict::plain(ColumnMap::default()))
}

fn cleanliness(asked: &Asked<'_>) -> Result<Verdict, String> {
    let facts = asked.facts;
    let n_read = facts
        .cells
        .iter()
        .filter(|cell| !cell.is_empty() && parse_cleanliness(cell).is_ok())
        .count();
    if n_read * 10 < facts.n_filled * 7 {
        return Err(format!(
            "only {n_read} of its {} values are codes such as 19/17/14",
            facts.n_filled
        ));
    }
    Ok(Verdict {
        score: 1.0,
        why: vec![format!(
            "{n_read} of {} values are codes such as 19/17/14",
            facts.n_filled
        )],
        ..Verdict::plain(ColumnMap::default())
    })
}

fn word(asked: &Asked<'_>, name: &str, words: &[String]) -> Result<Verdict, String> {
    let facts = asked.facts;
    let known = known_words(name, words, facts);
    if facts.n_filled > 0 && known.n_known * 2 < facts.n_filled && facts.is_numeric() {
        return Err("its values are numbers, not words".to_owned());
    }
    if facts.n_filled > 0 && (known.n_known == 0 || facts.distinct.len() > 60) {
        return Err(format!("none of its values is one of {}", words.join(", ")));
    }
    let mut why = Vec::new();
    if !known.map.is_empty() {
        why.push("the map of its words is a guess: check".to_owned());
    }
    if !known.unknown.is_empty() {
        why.push(format!(
            "rejected until the map says what they mean: {}",
            shortened_all(&known.unknown)
        ));
    }
    Ok(Verdict {
        score: if known.unknown.is_empty() { 1.0 } else { 0.0 },
        must_check: !why.is_empty(),
        is_guess: false,
        why,
        map: ColumnMap {
            map: (!known.map.is_empty()).then_some(known.map),
            ..ColumnMap::default()
        },
    })
}
