//! One cell: its text, through null words, translations and units, into the row's slots.

use drydown_quantity::Stamp;

use super::memo::{Memo, Short};
use super::numbers::checked;
use super::pressure;
use super::stamp::{MAX_AHEAD_MICROS, NEVER, NO_DATE, StampFound};
use crate::cells::{
    Amount, is_estimate, is_valve_word, parse_amount, parse_number, parse_yes_no, to_known_word,
};
use crate::site::{Barometer, UnitSite};
use crate::source::{CellKind, Column, Layout, Origin, Source, UnitRule};
use crate::stamps::{LocalTime, StampFormat, Steady, WrittenStamp};

use crate::text::{NO_RESULT, Traits, is_hidden, is_object};
use crate::texts::{NULL, TextPool, from_real, from_whole, to_real};

/// Estimates that are quoted, at most.
const SHOWN_ESTIMATES: usize = 3;

/// Where and when the row belongs, as far as its cells depend on it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Place<'a> {
    pub(crate) unit: Option<&'a UnitSite>,
    /// What the registers give, where the source needs a barometer.
    pub(crate) standard: Option<Standard>,
    /// A barometer on another line of a tall file.
    pub(crate) measured_kpa: Option<f64>,
}

/// The barometer that the registers give, and the cell of its basis.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Standard {
    pub(crate) barometer: Barometer,
    pub(crate) basis: u64,
}

/// What reading cells needs of the file.
#[derive(Debug)]
pub(crate) struct CellReader<'a> {
    pub(crate) source: &'a Source,
    pub(crate) loaded_at: Option<Stamp>,
    pub(crate) traits: Traits,
    pub(crate) pool: TextPool,
    /// Slot of `ambient_kpa`, where the source speaks for it.
    pub(crate) ambient_slot: Option<usize>,
    /// Numbers that a laboratory calls its own estimates.
    pub(crate) n_estimates: u64,
    /// Some of them, as they stand in the file.
    pub(crate) estimates: Vec<String>,
    /// One for each value whose cell hangs on its text alone.
    pub(super) memos: Vec<Option<Memo>>,
    key_memos: Vec<Option<Memo>>,
    /// The last offset of the source's clock, and where it holds.
    pub(super) steady: Option<Steady>,
    /// No null word or translation of the key's stamp could be read as a stamp.
    plain_stamps: bool,
    /// The last stamp of the key and its text: the units of one rack are logged at one moment.
    last_stamp: Option<(String, StampFound)>,
}

impl<'a> CellReader<'a> {
    pub(crate) fn new(source: &'a Source, loaded_at: Option<Stamp>, traits: Traits) -> Self {
        let ambient = source
            .table
            .columns
            .iter()
            .position(|column| column.name == "ambient_kpa");
        let ambient_slot =
            ambient.and_then(|place| source.spoken.iter().position(|spoken| *spoken == place));
        let plain_stamps = source.keys.iter().all(|column| match &column.kind {
            CellKind::Stamp(format) => {
                column.map.is_empty() && source.nulls.iter().all(|word| format.read(word).is_none())
            }
            _ => true,
        });
        Self {
            source,
            loaded_at,
            traits,
            pool: TextPool::default(),
            n_estimates: 0,
            estimates: Vec::new(),
            ambient_slot,
            memos: source
                .values
                .iter()
                .map(|column| {
                    memo_of(column)
                        .filter(|_| has_own_slot(source, column) && !source.is_laboratory())
                })
                .collect(),
            key_memos: source.keys.iter().map(memo_of).collect(),
            steady: None,
            plain_stamps,
            last_stamp: None,
        }
    }

    /// Reads the cell of the source's value `idx` into its slots of `row`.
    ///
    /// As [`Self::read`]; texts seen before are not read again.
    pub(crate) fn read_value(
        &mut self,
        idx: usize,
        column: &Column,
        cell: CellText<'_>,
        place: &Place<'_>,
        row: &mut [u64],
    ) -> Result<(), String> {
        let short = self.memo(idx).and_then(|_| Short::of(cell.raw.as_bytes()));
        let Some(short) = short else {
            return self.read(column, cell, place, row);
        };
        let known = self.memo(idx).and_then(|memo| memo.get(short));
        if let CellKind::Pressure(rule, reference) = &column.kind {
            let stated = match known {
                Some(stated) => stated,
                None => match self.meaning(column, cell.raw) {
                    None => NULL,
                    Some(text) => from_real(pressure::stated(self, text, &cell, rule, *reference)?),
                },
            };
            if known.is_none() {
                self.learn(idx, short, stated);
            }
            return match to_real(stated) {
                None => Ok(()),
                Some(value) => {
                    pressure::put_pressure(self, column, (value, *reference), place, row)
                }
            };
        }
        // What is said of a flow above the nameplate hangs on the unit.
        let known = known.filter(|cell| column.name != FLOW || !over_nameplate(*cell, place));
        if let Some(found) = known {
            put(row, column, 0, found);
            return Ok(());
        }
        self.read(column, cell, place, row)?;
        let slot = column.slots.first();
        if let Some(found) = slot.and_then(|slot| row.get(*slot)).copied() {
            self.learn(idx, short, found);
        }
        Ok(())
    }

    /// What the texts of the source's value `idx` became, where its cells hang on them alone.
    pub(super) fn memo(&self, idx: usize) -> Option<&Memo> {
        self.memos.get(idx).and_then(Option::as_ref)
    }

    fn learn(&mut self, idx: usize, short: Short, cell: u64) {
        if let Some(memo) = self.memos.get_mut(idx).and_then(Option::as_mut) {
            memo.put(short, cell);
        }
    }

    /// Reads a cell into the column's slots of `row`; on an error they stay as they are.
    pub(crate) fn read(
        &mut self,
        column: &Column,
        cell: CellText<'_>,
        place: &Place<'_>,
        row: &mut [u64],
    ) -> Result<(), String> {
        let Some(text) = self.meaning(column, cell.raw) else {
            return Ok(());
        };
        match &column.kind {
            CellKind::Number(rule) => {
                let value = self.plain_number(column, text, &cell, rule)?;
                put(row, column, 0, from_real(checked(column, place, value)?));
            }
            CellKind::Limited(rule) => self.read_limited(column, text, &cell, rule, row)?,
            CellKind::Pressure(rule, reference) => {
                let value = pressure::stated(self, text, &cell, rule, *reference)?;
                pressure::put_pressure(self, column, (value, *reference), place, row)?;
            }
            CellKind::Barometer(rule) => {
                let value = self.plain_number(column, text, &cell, rule)?;
                put(row, column, 0, from_real(checked(column, place, value)?));
                let basis = self.pool.cell("measured");
                put(row, column, 1, basis);
            }
            CellKind::Cleanliness => self.read_cleanliness(column, text, row)?,
            CellKind::Text
            | CellKind::Word
            | CellKind::YesNo
            | CellKind::Whole
            | CellKind::Stamp(_)
            | CellKind::Date(_) => {
                let value = self.read_plain(column, text)?;
                put(row, column, 0, value);
            }
        }
        if self.source.is_laboratory()
            && matches!(column.kind, CellKind::Number(_) | CellKind::Limited(_))
            && is_estimate(text)
        {
            self.n_estimates += 1;
            if self.estimates.len() < SHOWN_ESTIMATES && !self.estimates.iter().any(|e| e == text) {
                self.estimates.push(text.to_owned());
            }
        }
        Ok(())
    }

    /// The trimmed text after translation; None where it is one of the null words.
    fn meaning<'t>(&self, column: &'t Column, raw: &'t str) -> Option<&'t str> {
        // What does not show was copied with the text.
        let text = match raw.is_ascii() {
            true => raw.trim(),
            false => raw.trim_matches(|c: char| c.is_whitespace() || is_hidden(c)),
        };
        if self.source.nulls.contains(text) {
            return None;
        }
        // `="00123"`: how a spreadsheet is kept from taking digits for a number.
        let text = text
            .strip_prefix("=\"")
            .and_then(|rest| rest.strip_suffix('"'))
            .map_or(text, str::trim);
        let text = column.map.get(text).map_or(text, String::as_str);
        (!text.is_empty() && !self.is_null_number(column, text)).then_some(text)
    }

    /// The cell of the key's column `idx`; None where it is null.
    pub(crate) fn read_key(
        &mut self,
        idx: usize,
        column: &Column,
        raw: &str,
    ) -> Result<Option<u64>, String> {
        let short = Short::of(raw.as_bytes());
        let memo = self.key_memos.get(idx).and_then(Option::as_ref);
        if let Some(found) = memo.zip(short).and_then(|(memo, short)| memo.get(short)) {
            return Ok(Some(found));
        }
        let Some(text) = self.meaning(column, raw) else {
            return Ok(None);
        };
        let text = text.to_owned();
        if matches!(column.kind, CellKind::Text) {
            check_name(&text)?;
        }
        let cell = self.read_plain(column, &text)?;
        let memo = self.key_memos.get_mut(idx).and_then(Option::as_mut);
        if let Some((memo, short)) = memo.zip(short) {
            memo.put(short, cell);
        }
        Ok(Some(cell))
    }

    /// A stamp of the key; None where it is null.
    pub(crate) fn read_key_stamp(
        &mut self,
        column: &Column,
        format: &StampFormat,
        raw: &str,
    ) -> Result<Option<StampFound>, String> {
        if let Some((text, found)) = &self.last_stamp
            && text == raw
        {
            return Ok(Some(*found));
        }
        if self.plain_stamps
            && let Some(WrittenStamp::Local(local_micros)) = format.read_fixed(raw.trim())
            && let Some(time) = self.steady_time(local_micros)
        {
            let found = StampFound { time, local_micros };
            self.remember_stamp(raw, found);
            return Ok(Some(found));
        }
        let Some(text) = self.meaning(column, raw) else {
            return Ok(None);
        };
        if self.has_no_date(format, text) {
            return Err(NO_DATE.to_owned());
        }
        let found = self.stamp_of_cell(column, format, text)?;
        self.remember_stamp(raw, found);
        Ok(Some(found))
    }

    fn remember_stamp(&mut self, raw: &str, found: StampFound) {
        let (text, last) = self.last_stamp.get_or_insert((String::new(), found));
        *last = found;
        raw.clone_into(text);
    }

    fn read_plain(&mut self, column: &Column, text: &str) -> Result<u64, String> {
        match &column.kind {
            CellKind::Word => {
                let words = &column.spec.words;
                let word = to_known_word(text, words)
                    .ok_or_else(|| format!("expected one of {}", words.join(", ")))?;
                Ok(self.pool.cell(word))
            }
            CellKind::YesNo => {
                let is_valve = column.name.contains("open");
                if !is_valve && is_valve_word(text) {
                    return Err("expected yes or no: closed is on for a switch and shut for a valve, so say which by map".to_owned());
                }
                let value = parse_yes_no(text).ok_or("expected yes or no")?;
                Ok(from_whole(i64::from(value)))
            }
            CellKind::Whole => self.whole(column, text),
            CellKind::Date(format) | CellKind::Stamp(format) if self.has_no_date(format, text) => {
                Ok(NULL)
            }
            CellKind::Date(format) => match self.written_date(format, text) {
                Some(WrittenStamp::Date(day)) => Ok(from_whole(i64::from(day.number()))),
                Some(WrittenStamp::Local(micros)) => {
                    Ok(from_whole(micros.div_euclid(MAX_AHEAD_MICROS)))
                }
                Some(WrittenStamp::Utc(at)) => Ok(from_whole(i64::from(at.day().number()))),
                None => Err(format!("expected a date written {}", format.as_str())),
            },
            CellKind::Stamp(format) => match self.stamp_of_cell(column, format, text)?.time {
                LocalTime::Known(at) => {
                    self.check_cell_ahead(column, at)?;
                    Ok(from_whole(at.micros()))
                }
                LocalTime::Twice(..) => Err("the clock showed this hour twice".to_owned()),
                LocalTime::Never => Err(NEVER.to_owned()),
            },
            _ => self.text(text),
        }
    }

    fn text(&mut self, text: &str) -> Result<u64, String> {
        if self.traits.malformed && text.contains('\u{fffd}') {
            return Err(format!(
                "found bytes that are not {}: check the source's encoding",
                self.source.encoding.name()
            ));
        }
        if text.contains('\0') {
            return Err("found a NUL byte: the file is damaged here".to_owned());
        }
        if self.source.layout == Layout::Json && is_object(text) {
            return Err("found an object, whose parts have names of their own".to_owned());
        }
        if is_spreadsheet_error(text) {
            return Err("found what a spreadsheet writes where it has no value".to_owned());
        }
        Ok(self.pool.cell(text))
    }

    fn whole(&self, column: &Column, text: &str) -> Result<u64, String> {
        if self.source.is_laboratory()
            && matches!(parse_amount(text, self.source.mark), Amount::Missing(_))
        {
            return Ok(NULL);
        }
        let text = if column.name.starts_with("iso4406") {
            if text == ">28" {
                "29"
            } else {
                text.trim_start_matches(['≥']).trim()
            }
        } else {
            text
        };
        let value = parse_number(text, self.source.mark).ok_or("expected a whole number")?;
        if value.fract().abs() > 0.0 {
            return Err("expected a whole number".to_owned());
        }
        if !column.spec.bounds().admit(value) {
            return Err(format!("outside {}", column.spec.bounds()));
        }
        Ok(from_whole(value as i64))
    }
}

/// Whether a text can be the name of a thing: what stands for none, and a number that a spreadsheet
/// has rounded, would be the same name for many.
fn check_name(text: &str) -> Result<(), String> {
    let is_none = text.chars().all(|c| matches!(c, '-' | '–' | '—' | '#'))
        || text.eq_ignore_ascii_case("n/a");
    if is_none {
        return Err("found what stands for nothing".to_owned());
    }
    let is_rounded = text.split_once(['E', 'e']).is_some_and(|(head, power)| {
        power.starts_with('+')
            && power.len() > 1
            && power.bytes().skip(1).all(|byte| byte.is_ascii_digit())
            && head
                .bytes()
                .all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b','))
            && (head.len() == 1
                || head
                    .get(1..)
                    .is_some_and(|rest| rest.starts_with(['.', ','])))
    });
    match is_rounded {
        true => {
            Err("found a number that a spreadsheet has rounded: save the column as text".to_owned())
        }
        false => Ok(()),
    }
}

/// Whether a text is an error value of a spreadsheet (ECMA-376 part 1, section 18.17.3), or a formula
/// whose result a workbook does not hold.
fn is_spreadsheet_error(text: &str) -> bool {
    text.starts_with('#')
        && (text.starts_with(NO_RESULT)
            || matches!(
                text,
                "#N/A" | "#VALUE!" | "#REF!" | "#DIV/0!" | "#NAME?" | "#NUM!" | "#NULL!"
            ))
}

/// Whether no other column of the source fills the column's first slot: then its cell does not hang
/// on theirs.
fn has_own_slot(source: &Source, column: &Column) -> bool {
    let own = column.slots.first();
    let n_fill = source
        .values
        .iter()
        .flat_map(|other| &other.slots)
        .filter(|slot| Some(*slot) == own)
        .count();
    n_fill == 1
}

/// A memo for columns whose cell hangs on the text alone.
fn memo_of(column: &Column) -> Option<Memo> {
    let alone = match &column.kind {
        CellKind::Number(rule) => !matches!(rule, UnitRule::Column(_)) && column.slots.len() == 1,
        CellKind::Pressure(rule, _) => !matches!(rule, UnitRule::Column(_)),
        CellKind::Text | CellKind::Word | CellKind::YesNo | CellKind::Whole => true,
        CellKind::Date(_)
        | CellKind::Stamp(_)
        | CellKind::Limited(_)
        | CellKind::Barometer(_)
        | CellKind::Cleanliness => false,
    };
    alone.then(Memo::new)
}

/// The column whose bound is a property of the unit.
pub(super) const FLOW: &str = "oil_flow_lpm";

/// Whether a flow that is stored rounded may be more than the unit's nameplate allows.
pub(super) fn over_nameplate(cell: u64, place: &Place<'_>) -> bool {
    let most = place.unit.and_then(UnitSite::nameplate_flow_lpm);
    let flow = to_real(cell);
    flow.zip(most)
        .is_some_and(|(flow, most)| flow > 1.999 * most)
}

/// The text of one cell, and of the cell that states its unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CellText<'t> {
    pub(crate) raw: &'t str,
    pub(crate) unit: Option<&'t str>,
}

/// Writes into one of the column's slots, where it has it.
pub(crate) fn put(row: &mut [u64], column: &Column, slot: usize, cell: u64) {
    if let Some(target) = column.slots.get(slot).and_then(|slot| row.get_mut(*slot)) {
        *target = cell;
    }
}

/// Whether a constant of the configuration reads as its column wants it.
pub(crate) fn check_constant(source: &Source, column: &Column) -> Result<(), String> {
    let Origin::Constant(text) = &column.origin else {
        return Ok(());
    };
    let mut reader = CellReader::new(source, None, Traits::default());
    if let (true, CellKind::Stamp(format)) = (source.table.is_key(&column.name), &column.kind) {
        return reader.read_key_stamp(column, format, text).map(|_| ());
    }
    if source.table.is_key(&column.name) {
        return reader.read_key(usize::MAX, column, text).map(|_| ());
    }
    let mut row = vec![NULL; source.spoken.len()];
    reader.read(
        column,
        CellText {
            raw: text,
            unit: None,
        },
        &Place::default(),
        &mut row,
    )
}
