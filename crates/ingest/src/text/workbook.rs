//! A sheet of an XLSX workbook (ECMA-376) as delimited text, so that one reader reads everything.
//!
//! One row of the sheet is one line. Numbers are written as they are stored, with the source's decimal
//! mark and never as they are shown, but for the percent sign: what the sheet shows as `45%` is stored
//! as 0.45, and only with its sign is it the same number to every reader. Dates and times are written
//! as `2026-03-14`, `2026-03-14 13:05:00` or `13:05:00`, which the reader takes whatever the column's
//! `format` says. A cell merged over several rows stands in each of them. A formula whose result the
//! workbook does not hold is written out, so that it is missed and not taken for an empty cell.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use calamine::{DataRef, Dimensions, ExcelDateTime, Reader, SheetVisible, Style, Xlsx};

use super::decode::{TextError, TextRule, damaged as unpack_error};
use super::layer::{Layer, layer};
use crate::cells::DecimalMark;

/// Columns a sheet may use: one cell far to the right would lengthen every line.
const MAX_COLUMNS: u32 = 1024;
const MILLIS_OF_DAY: f64 = 86_400_000.0;

/// The folder that makes an archive a workbook.
pub(super) const FOLDER: &str = "xl/";

/// What stands before a formula without a result, in the manner of a spreadsheet's errors.
pub(crate) const NO_RESULT: &str = "#FORMULA!";

/// A sheet as text.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Sheet {
    pub(super) text: String,
    /// Further sheets that show and hold cells, where the source names none.
    pub(super) n_unread: u32,
}

/// The sheet that the source names, or the first that is not hidden.
pub(super) fn to_text(bytes: &[u8], rule: &TextRule<'_>, limit: usize) -> Result<Sheet, TextError> {
    // A damaged workbook must not end the program: what its reader trips over is an error like others.
    catch_unwind(AssertUnwindSafe(|| read(bytes, rule, limit)))
        .unwrap_or_else(|_| Err(damaged(&"its parts contradict each other")))
}

fn damaged(why: &dyn std::fmt::Display) -> TextError {
    unpack_error("workbook", why)
}

/// Whether an archive is a workbook.
///
/// # Errors
/// A damaged archive.
pub(super) fn is_workbook(bytes: &[u8]) -> Result<bool, TextError> {
    let archive =
        zip::ZipArchive::new(Cursor::new(bytes)).map_err(|error| unpack_error("zip", &error))?;
    Ok(archive
        .file_names()
        .any(|name| name.is_ok_and(|name| name.starts_with(FOLDER))))
}

/// Names of the sheets that show; None for bytes that are no workbook.
pub(crate) fn sheet_names(bytes: &[u8]) -> Result<Option<Vec<String>>, TextError> {
    if layer(bytes) != Layer::Zip || !is_workbook(bytes).unwrap_or(false) {
        return Ok(None);
    }
    catch_unwind(AssertUnwindSafe(|| {
        let book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(|error| damaged(&error))?;
        let shown = book
            .sheets_metadata()
            .iter()
            .filter(|sheet| sheet.visible == SheetVisible::Visible);
        Ok(Some(shown.map(|sheet| sheet.name.clone()).collect()))
    }))
    .unwrap_or_else(|_| Err(damaged(&"its parts contradict each other")))
}

type Book<'b> = Xlsx<Cursor<&'b [u8]>>;

fn read(bytes: &[u8], rule: &TextRule<'_>, limit: usize) -> Result<Sheet, TextError> {
    let mut book: Book<'_> = Xlsx::new(Cursor::new(bytes)).map_err(|error| damaged(&error))?;
    let sheets = book.sheets_metadata();
    let sheet = match rule.sheet {
        Some(name) => sheets.iter().find(|sheet| sheet.name == name),
        None => sheets
            .iter()
            .find(|sheet| sheet.visible == SheetVisible::Visible),
    };
    let Some(name) = sheet.map(|sheet| sheet.name.clone()) else {
        return Err(TextError::NoSheet {
            found: sheets.iter().map(|sheet| sheet.name.clone()).collect(),
            wanted: rule.sheet.map(str::to_owned),
        });
    };
    let mut rows = Rows::default();
    let has_empty = push_values(&mut book, &name, rule.mark, &mut rows, limit)?;
    if has_empty {
        push_formulas(&mut book, &name, &mut rows, limit)?;
    }
    let merged = book
        .merge_cells_by_sheet_name(&name)
        .map_err(|error| damaged(&error))?;
    rows.spread(&merged, rule.is_transposed, limit)?;
    let n_unread = match rule.sheet {
        Some(_) => 0,
        None => n_others(&mut book, &name),
    };
    Ok(Sheet {
        text: rows.to_text(rule.delimiter, limit)?,
        n_unread,
    })
}

/// Adds the values of a sheet; whether some cell of it has none.
fn push_values(
    book: &mut Book<'_>,
    name: &str,
    mark: DecimalMark,
    rows: &mut Rows,
    limit: usize,
) -> Result<bool, TextError> {
    let mut has_empty = false;
    let mut cells = book
        .worksheet_cells_reader(name)
        .map_err(|error| damaged(&error))?;
    let is_percent: Vec<bool> = cells.styles().iter().map(shows_percent).collect();
    while let Some((cell, style)) = cells
        .next_cell_with_style_id()
        .map_err(|error| damaged(&error))?
    {
        let percent = is_percent.get(style) == Some(&true);
        let text = to_cell(cell.get_value(), percent, mark);
        has_empty |= text.is_empty();
        if !text.is_empty() {
            rows.push(cell.get_position(), text, limit)?;
        }
    }
    Ok(has_empty)
}

/// Sheets that show and hold a cell, but for one.
fn n_others(book: &mut Book<'_>, read: &str) -> u32 {
    let others: Vec<String> = book
        .sheets_metadata()
        .iter()
        .filter(|sheet| sheet.visible == SheetVisible::Visible && sheet.name != read)
        .map(|sheet| sheet.name.clone())
        .collect();
    let mut holds_cell = |name: &String| {
        let Ok(mut cells) = book.worksheet_cells_reader(name) else {
            return false;
        };
        loop {
            match cells.next_cell() {
                Ok(Some(cell)) if *cell.get_value() == DataRef::Empty => {}
                Ok(Some(_)) => return true,
                _ => return false,
            }
        }
    };
    let n = others.iter().filter(|name| holds_cell(name)).count();
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// Adds the formulas whose result the workbook does not hold: it was written by a program that
/// does not reckon.
fn push_formulas(
    book: &mut Book<'_>,
    name: &str,
    rows: &mut Rows,
    limit: usize,
) -> Result<(), TextError> {
    let mut cells = book
        .worksheet_cells_reader(name)
        .map_err(|error| damaged(&error))?;
    while let Some(cell) = cells
        .next_cell_with_formula()
        .map_err(|error| damaged(&error))?
    {
        // An empty text is a result: `=IF(A1>0, A1, "")` gives it.
        if cell.value == DataRef::Empty
            && let Some(formula) = cell.formula
        {
            rows.push(cell.pos, format!("{NO_RESULT} ={formula}"), limit)?;
        }
    }
    rows.sort();
    Ok(())
}

/// Whether a style shows numbers as per cent: a percent sign in its format that is not quoted.
fn shows_percent(style: &Style) -> bool {
    let Some(format) = &style.number_format else {
        return false;
    };
    let mut quoted = false;
    let mut letters = format.format_code.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '"' => quoted = !quoted,
            '\\' | '_' | '*' if !quoted => {
                letters.next();
            }
            '%' if !quoted => return true,
            _ => {}
        }
    }
    false
}

/// Cells in the order of the sheet.
#[derive(Default)]
struct Rows {
    cells: Vec<((u32, u32), String)>,
    n_columns: u32,
    n_bytes: usize,
}

impl Rows {
    fn push(&mut self, at: (u32, u32), text: String, limit: usize) -> Result<(), TextError> {
        if at.1 >= MAX_COLUMNS {
            return Err(TextError::Wide {
                column: at.1 + 1,
                limit: MAX_COLUMNS,
            });
        }
        self.n_columns = self.n_columns.max(at.1 + 1);
        self.n_bytes += text.len() + 1;
        if self.n_bytes > limit {
            return Err(TextError::TooLong { limit });
        }
        self.cells.push((at, text));
        Ok(())
    }

    fn sort(&mut self) {
        self.cells.sort_by_key(|(at, _)| *at);
    }

    /// Lets a cell that is merged over several records stand in each of them, as far as they are used:
    /// over rows, and where records stand side by side over columns.
    fn spread(
        &mut self,
        merged: &[Dimensions],
        is_transposed: bool,
        limit: usize,
    ) -> Result<(), TextError> {
        let last_row = self.cells.last().map_or(0, |((row, _), _)| *row);
        let last_column = self.n_columns.saturating_sub(1);
        let mut more = Vec::new();
        for region in merged {
            let anchor = self
                .cells
                .binary_search_by_key(&region.start, |(at, _)| *at)
                .ok()
                .and_then(|place| self.cells.get(place));
            let Some((_, text)) = anchor else { continue };
            let (first, most) = (region.start.1, region.end.1.min(last_column));
            let columns = first..=if is_transposed { most } else { first };
            let rows = region.start.0..=region.end.0.min(last_row);
            for at in rows.flat_map(|row| columns.clone().map(move |column| (row, column))) {
                if self.cells.binary_search_by_key(&at, |(at, _)| *at).is_err() {
                    more.push((at, text.clone()));
                }
            }
        }
        if more.is_empty() {
            return Ok(());
        }
        for (at, text) in more {
            self.push(at, text, limit)?;
        }
        self.sort();
        // Regions that overlap are damage; one cell each is enough of it.
        self.cells.dedup_by_key(|(at, _)| *at);
        Ok(())
    }

    /// Every line as long as the widest, since a row ends with its last filled cell.
    fn to_text(&self, delimiter: u8, limit: usize) -> Result<String, TextError> {
        let delimiter = char::from(delimiter);
        let mut text = String::with_capacity(self.n_bytes);
        let mut line = 0;
        for row in self.cells.chunk_by(|a, b| a.0.0 == b.0.0) {
            let Some(((number, _), _)) = row.first() else {
                continue;
            };
            // Rows without a cell: the line of a record stays the row of the sheet.
            let n_empty = number.saturating_sub(line);
            if text.len() + n_empty as usize > limit {
                return Err(TextError::TooLong { limit });
            }
            text.extend(std::iter::repeat_n('\n', n_empty as usize));
            let mut column = 0;
            for ((_, at), cell) in row {
                let n = at.saturating_sub(column);
                text.extend(std::iter::repeat_n(delimiter, n as usize));
                column += n;
                push_quoted(&mut text, cell, delimiter);
            }
            let n = self.n_columns.saturating_sub(column + 1);
            text.extend(std::iter::repeat_n(delimiter, n as usize));
            text.push('\n');
            line = number + 1;
            if text.len() > limit {
                return Err(TextError::TooLong { limit });
            }
        }
        Ok(text)
    }
}

/// A field as RFC 4180 writes it.
fn push_quoted(text: &mut String, cell: &str, delimiter: char) {
    if cell.contains([delimiter, '"', '\n', '\r']) {
        text.push('"');
        text.push_str(&cell.replace('"', "\"\""));
        text.push('"');
    } else {
        text.push_str(cell);
    }
}

fn to_cell(value: &DataRef<'_>, percent: bool, mark: DecimalMark) -> String {
    let number = |text: String| match mark {
        DecimalMark::Point => text,
        DecimalMark::Comma => text.replace('.', ","),
    };
    match value {
        DataRef::Int(value) if percent => number(per_cent(*value as f64)),
        DataRef::Float(value) if percent => number(per_cent(*value)),
        DataRef::Empty => String::new(),
        DataRef::String(text) => text.clone(),
        DataRef::SharedString(text) => (*text).to_owned(),
        DataRef::Int(value) => value.to_string(),
        DataRef::Float(value) => number(value.to_string()),
        DataRef::Bool(value) => if *value { "TRUE" } else { "FALSE" }.to_owned(),
        DataRef::DateTime(value) => to_stamp(value),
        DataRef::DateTimeIso(text) => text.replacen('T', " ", 1),
        DataRef::DurationIso(text) => text.clone(),
        DataRef::Error(error) => error.to_string(),
    }
}

/// A share with its percent sign. Fifteen digits, since a hundredfold may not be one of the
/// numbers that a computer holds: 0.07 would become 7.000000000000001 %.
fn per_cent(share: f64) -> String {
    let digits = format!("{:.14e}", share * 100.0);
    let value: f64 = digits.parse().unwrap_or(share * 100.0);
    format!("{value}%")
}

/// A date, a time of day, both, or a duration in hours, to the millisecond.
fn to_stamp(value: &ExcelDateTime) -> String {
    let days = value.as_f64();
    // Serials before day 0 or of years beyond 9999 are no dates: the number itself says more.
    if !(0.0..3.0e6).contains(&days) {
        return days.to_string();
    }
    let millis = (days * MILLIS_OF_DAY).round();
    if value.is_duration() || millis < MILLIS_OF_DAY {
        let seconds = (millis / 1000.0).floor();
        let (hours, rest) = ((seconds / 3600.0).floor(), seconds % 3600.0);
        let clock = [hours, (rest / 60.0).floor(), rest % 60.0].map(|part| part as u32);
        return to_clock(clock, (millis % 1000.0) as u32);
    }
    let (year, month, day, hour, minute, second, milli) = value.to_ymd_hms_milli();
    let date = format!("{year:04}-{month:02}-{day:02}");
    match (hour, minute, second, milli) {
        (0, 0, 0, 0) => date,
        _ => {
            let clock = [hour, minute, second].map(u32::from);
            format!("{date} {}", to_clock(clock, milli.into()))
        }
    }
}

fn to_clock([hour, minute, second]: [u32; 3], milli: u32) -> String {
    match milli {
        0 => format!("{hour:02}:{minute:02}:{second:02}"),
        _ => format!("{hour:02}:{minute:02}:{second:02}.{milli:03}"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::workbook_for_tests::{number, text, workbook};
    use super::*;

    fn rule(sheet: Option<&str>) -> TextRule<'_> {
        TextRule {
            sheet,
            ..TextRule::of(encoding_rs::UTF_8)
        }
    }

    fn text_of(book: &[u8], rule: &TextRule<'_>) -> String {
        to_text(book, rule, 1 << 20).unwrap().text
    }

    #[test]
    fn every_kind_of_cell_becomes_text() {
        // 46095 is 2026-03-14: serial 46023 is 2026-01-01 (day 1 is 1900-01-01, section 18.17.4.1).
        let cases: &[(&str, String, &str)] = &[
            ("text", text("A1", "R-07, left"), "\"R-07, left\""),
            ("quotes", text("A1", "5\" hose"), "\"5\"\" hose\""),
            ("number", number("A1", 0, "22.5"), "22.5"),
            ("whole", number("A1", 0, "18"), "18"),
            ("small", number("A1", 0, "1E-3"), "0.001"),
            (
                "truth",
                "<c r=\"A1\" t=\"b\"><v>1</v></c>".to_owned(),
                "TRUE",
            ),
            (
                "error",
                "<c r=\"A1\" t=\"e\"><v>#N/A</v></c>".to_owned(),
                "#N/A",
            ),
            ("date", number("A1", 1, "46095"), "2026-03-14"),
            (
                "date and time",
                number("A1", 2, "46095.545138888889"),
                "2026-03-14 13:05:00",
            ),
            (
                "rounding to midnight",
                number("A1", 2, "46094.999999999"),
                "2026-03-14",
            ),
            ("time of day", number("A1", 2, "0.545138888889"), "13:05:00"),
            ("hours", number("A1", 3, "1.5"), "36:00:00"),
            ("no date", number("A1", 1, "-4"), "-4"),
        ];
        for (name, cell, expected) in cases {
            let book = workbook(&format!("<row r=\"1\">{cell}</row>"), &[("S", "visible")]);
            let found = text_of(&book, &rule(None));
            assert_eq!(found, format!("{expected}\n"), "{name}");
        }
        let comma = TextRule {
            mark: DecimalMark::Comma,
            delimiter: b';',
            ..rule(None)
        };
        let cells = format!(
            "<row r=\"1\">{}{}</row>",
            number("A1", 0, "22.5"),
            text("B1", "a,b")
        );
        let book = workbook(&cells, &[("S", "visible")]);
        assert_eq!(text_of(&book, &comma), "22,5;a,b\n");
    }

    #[test]
    fn lines_are_rows_and_all_are_as_wide() {
        let rows = format!(
            "<row r=\"1\">{}</row><row r=\"4\">{}{}</row><row r=\"5\">{}</row>",
            text("A1", "title"),
            text("A4", "a"),
            text("C4", "c"),
            text("B5", "b"),
        );
        let book = workbook(&rows, &[("S", "visible")]);
        assert_eq!(text_of(&book, &rule(None)), "title,,\n\n\na,,c\n,b,\n");
    }

    #[test]
    fn a_sheet_by_name_or_the_first_that_shows() {
        let rows = format!("<row r=\"1\">{}</row>", text("A1", "x"));
        let book = workbook(&rows, &[("Notes", "hidden"), ("Results", "visible")]);
        assert_eq!(text_of(&book, &rule(None)), "x\n");
        assert_eq!(text_of(&book, &rule(Some("Results"))), "x\n");
        assert_eq!(text_of(&book, &rule(Some("Notes"))), "");
        let error = to_text(&book, &rule(Some("Result")), 1 << 20).unwrap_err();
        assert_eq!(
            error.to_string(),
            "the workbook has no sheet \"Result\"; it has \"Notes\", \"Results\""
        );
    }

    #[test]
    fn what_cannot_be_read_is_an_error() {
        let rows = format!("<row r=\"1\">{}</row>", text("XFD1", "far"));
        let wide = workbook(&rows, &[("S", "visible")]);
        assert!(matches!(
            to_text(&wide, &rule(None), 1 << 20),
            Err(TextError::Wide { column: 16_384, .. })
        ));
        let deep = workbook(
            &format!("<row r=\"1048576\">{}</row>", text("A1048576", "low")),
            &[("S", "visible")],
        );
        assert!(matches!(
            to_text(&deep, &rule(None), 1 << 19),
            Err(TextError::TooLong { .. })
        ));
        for n in [30, wide.len() / 2, wide.len() - 5] {
            assert!(to_text(&wide[..n], &rule(None), 1 << 20).is_err(), "{n}");
        }
        // Any single byte wrong: text or an error, never an end of the program.
        for n in (0..wide.len()).step_by(7) {
            let mut bytes = wide.clone();
            bytes[n] ^= 0x55;
            let _ = to_text(&bytes, &rule(None), 1 << 20);
        }
    }
}
