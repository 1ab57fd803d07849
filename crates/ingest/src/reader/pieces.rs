//! A wide file read piece by piece: every piece gives rows that can be merged by themselves.
//!
//! What one piece must know of those before it is little and carried along: that the header
//! changed, and each unit's last row, which tells the passes of an hour that the clock showed twice.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::FileHead;
use super::memo::Memos;
use super::record::Job;
use super::wide::{Sheet, read_records};
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::Source;
use crate::stamps::{FoldRow, LocalTime, Seen, Settled};
use crate::text::{Piece, Records, TextError};

/// A joined piece does not grow beyond this many bytes, whatever a repeated hour holds.
const MAX_JOINED: usize = 256 << 20;

/// Gives the pieces of a file in their order; None after the last.
pub type NextPiece<'r> = Box<dyn FnMut() -> Result<Option<Piece>, TextError> + Send + 'r>;

/// Reads several pieces, on as many threads as the caller likes: the results in their order.
pub type ReadAll<'f> = &'f dyn Fn(&WideFile<'_>, &[Piece]) -> Vec<PieceRows>;

/// A wide file on its way through memory.
pub struct PieceReader<'a, 'r> {
    file: WideFile<'a>,
    next: NextPiece<'r>,
    /// The first piece, until it is read.
    first: Option<Piece>,
    before: Before,
}

impl std::fmt::Debug for PieceReader<'_, '_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PieceReader")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

impl<'a, 'r> PieceReader<'a, 'r> {
    /// Reads as far as the header. `next` gives the pieces: [`Pieces::read`], here or ahead of here.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn open(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        mut next: NextPiece<'r>,
    ) -> Result<Self, TextError> {
        let mut first = next()?.unwrap_or_default();
        loop {
            if let Some(file) = WideFile::open(source, site, file, &first) {
                return Ok(Self {
                    file,
                    next,
                    first: Some(first),
                    before: Before::default(),
                });
            }
            match next()? {
                Some(more) => first = first.joined(&more),
                None => first.is_last = true,
            }
        }
    }

    /// The rows of the next pieces, about `n_pieces` of them; None after the last.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn read(
        &mut self,
        n_pieces: usize,
        read_all: ReadAll<'_>,
    ) -> Result<Option<Vec<FileRows>>, TextError> {
        let mut group: Vec<Piece> = self.first.take().into_iter().collect();
        while group.len() < n_pieces {
            match (self.next)()? {
                Some(piece) => group.push(piece),
                None => break,
            }
        }
        if group.is_empty() {
            return Ok(None);
        }
        let read = read_all(&self.file, &group);
        let mut left: VecDeque<(Piece, PieceRows)> = group.into_iter().zip(read).collect();
        let mut out = Vec::with_capacity(left.len());
        while let Some((piece, rows)) = left.pop_front() {
            let rows = if rows.hangs_on(&self.before) {
                self.read_with_neighbours(piece, &mut left)?
            } else {
                rows
            };
            self.before.go_on(rows.after);
            out.push(rows.rows);
        }
        Ok(Some(out))
    }

    /// Reads a piece that hangs on those around it, joined with as many as it takes.
    fn read_with_neighbours(
        &mut self,
        mut piece: Piece,
        left: &mut VecDeque<(Piece, PieceRows)>,
    ) -> Result<PieceRows, TextError> {
        let mut rows = self.file.read(&piece, &self.before);
        while rows.is_open && !piece.is_last && piece.n_bytes() < MAX_JOINED {
            let next = match left.pop_front() {
                Some((next, _)) => Some(next),
                None => (self.next)()?,
            };
            let Some(next) = next else { break };
            piece = piece.joined(&next);
            rows = self.file.read(&piece, &self.before);
        }
        Ok(rows)
    }
}

/// A wide file whose header was read.
#[derive(Debug)]
pub struct WideFile<'a> {
    source: &'a Source,
    site: &'a SiteContext,
    file: FileHead<'a>,
    /// None for a file without any record.
    sheet: Option<Sheet>,
    /// Bytes and line of the first piece after the header.
    body: (usize, u64),
    /// What stands before the header.
    preamble: String,
    /// What readers of earlier pieces learnt, for those of later ones.
    memos: Mutex<Vec<Memos>>,
}

/// What a piece must know of those before it.
#[derive(Clone, Debug, Default)]
struct Before {
    /// What the columns mean now, where a later header changed it.
    sheet: Option<Sheet>,
    /// Units and their last rows.
    last: BTreeMap<String, FoldRow>,
    /// What rows of a repeated hour became, by unit, microseconds and the rest of the key.
    settled: BTreeMap<(String, i64, u64), Settled>,
}

impl Before {
    /// What stands after one more piece: a unit that is not in it keeps its last row.
    fn go_on(&mut self, after: Self) {
        self.sheet = after.sheet;
        self.last.extend(after.last);
        self.settled.extend(after.settled);
    }
}

/// What one piece gives.
#[derive(Debug)]
pub struct PieceRows {
    /// Rows, rejects and counts of the piece alone.
    rows: FileRows,
    /// For the piece that follows.
    after: Before,
    is_doubtful: bool,
    /// What comes after the piece may change what was read: then it must be read again, joined with
    /// the next.
    is_open: bool,
}

impl PieceRows {
    /// Whether what came before the piece may change what was read: then it must be read again,
    /// with it.
    const fn hangs_on(&self, before: &Before) -> bool {
        self.is_doubtful || before.sheet.is_some()
    }
}

impl<'a> WideFile<'a> {
    /// Reads the header from the first piece; None where the piece is too short to hold it.
    fn open(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        first: &Piece,
    ) -> Option<Self> {
        let mut job = Job::new(source, file, site, first.traits);
        let mut records = Records::new(&first.text, source.dialect(first.traits));
        records.skip_lines(source.n_skipped_of(&first.text, first.is_last)?);
        let preamble = first
            .text
            .get(..records.position())
            .unwrap_or("")
            .to_owned();
        job.read_preamble(&preamble);
        let sheet = Sheet::open(&job, &mut records);
        if sheet.is_none() && !first.is_last {
            return None;
        }
        Some(Self {
            source,
            site,
            file,
            sheet,
            body: (records.position(), records.line()),
            preamble,
            memos: Mutex::default(),
        })
    }

    fn memos(&self) -> MutexGuard<'_, Vec<Memos>> {
        self.memos.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Reads one piece as if it hung on no other.
    #[must_use]
    pub fn read_alone(&self, piece: &Piece) -> PieceRows {
        self.read(piece, &Before::default())
    }

    /// Reads one piece; `before` comes from the piece before it.
    fn read(&self, piece: &Piece, before: &Before) -> PieceRows {
        let mut job = Job::new(self.source, self.file, self.site, piece.traits);
        job.read_preamble(&self.preamble);
        let Some(mut sheet) = self.sheet.clone() else {
            return PieceRows {
                rows: self.source.no_rows(self.file),
                after: Before::default(),
                is_doubtful: false,
                is_open: false,
            };
        };
        let is_first = piece.first_line == 1;
        let dialect = self.source.dialect(piece.traits);
        let mut records = if is_first {
            let (bytes, line) = self.body;
            let text = piece.text.get(bytes..).unwrap_or("");
            Records::at_line(text, dialect, line)
        } else {
            Records::at_line(&piece.text, dialect, piece.first_line)
        };
        if let Some(changed) = &before.sheet {
            sheet = changed.clone();
        }
        if let Some(memos) = self.memos().pop() {
            job.cells.set_memos(memos);
        }
        let mut builder = sheet.builder(&job);
        builder.reserve(sheet.most_rows(&piece.text));
        if is_first {
            sheet.note_missing(&job, &mut builder);
        }
        let known: Vec<FoldRow> = before
            .last
            .iter()
            .map(|(unit, row)| FoldRow {
                series: job.series_of(unit),
                ..*row
            })
            .collect();
        let seen: Seen = before
            .settled
            .iter()
            .map(|((unit, micros, rest), settled)| {
                ((job.series_of(unit), *micros, *rest), *settled)
            })
            .collect();
        builder.set_before(known, seen);
        read_records(&mut job, &mut sheet, &mut records, &mut builder);
        self.memos().push(job.cells.take_memos());
        let last: BTreeMap<String, FoldRow> = builder
            .last_rows()
            .into_iter()
            .filter_map(|row| Some((job.unit_of(row.series)?.to_owned(), row)))
            .collect();
        let is_doubtful = builder.is_doubtful();
        let settled = builder
            .settled(job.stamp_key())
            .iter()
            .filter_map(|((series, micros, rest), settled)| {
                let unit = job.unit_of(*series)?.to_owned();
                Some(((unit, *micros, *rest), settled.in_piece_before()))
            })
            .collect();
        PieceRows {
            after: Before {
                sheet: sheet.is_changed.then_some(sheet),
                last: last.clone(),
                settled,
            },
            is_doubtful,
            is_open: is_doubtful
                && last
                    .values()
                    .any(|row| matches!(row.time, LocalTime::Twice(..))),
            rows: job.finish(builder),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reader::FileInput;
    use crate::source::SourceSpec;

    const SOURCE: &str = r#"
name = "log"
table = "readings"
files = ["*"]
layout = "wide"
timezone = "America/Chicago"
skip_lines = 1
[columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "%Y-%m-%d %H:%M" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
chamber_pressure_kpa = { from = "V", unit = "kPa", reference = "vacuum" }
alarm = { from = "Alarm" }
"#;

    /// Everything that reading gave, row by row and reject by reject.
    fn shown(all: &[FileRows]) -> Vec<String> {
        let mut out = Vec::new();
        let mut sums = [0; 3];
        for rows in all {
            let text = |cell: u64| rows.pool.get(cell).unwrap_or("-").to_owned();
            let crate::rows::Body::Wide { columns } = &rows.body else {
                panic!("wide")
            };
            for row in 0..rows.n_rows() {
                let cells: Vec<String> = columns
                    .iter()
                    .map(|(place, cells)| {
                        let spec = &rows.table.columns[*place];
                        match spec.kind {
                            drydown_schema::ColumnKind::Text => text(cells[row]),
                            _ => format!("{:x}", cells[row]),
                        }
                    })
                    .collect();
                out.push(format!(
                    "{} {} {:x} {}",
                    rows.lines[row],
                    text(rows.keys[0][row]),
                    rows.keys[1][row],
                    cells.join(" ")
                ));
            }
            out.extend(rows.rejects.iter().map(|reject| format!("{reject:?}")));
            let counts = rows.counts;
            sums = [
                sums[0] + counts.rows_in,
                sums[1] + counts.rows_rejected,
                sums[2] + counts.rows_ignored,
            ];
        }
        out.sort();
        out.push(format!("{sums:?}"));
        out
    }

    fn check(text: &str, aim: usize, n_pieces: usize) {
        check_with(SOURCE, text, aim, n_pieces);
    }

    fn check_with(source: &str, text: &str, aim: usize, n_pieces: usize) {
        let spec: SourceSpec = toml::from_str(source).unwrap();
        let source = spec.compile().unwrap();
        let site = SiteContext::default();
        let input = FileInput {
            name: "x.csv",
            bytes: text.as_bytes(),
            loaded_at: "2026-12-01".parse().unwrap(),
            max_text: 1 << 20,
        };
        let whole = source.read_file(&input, &site);
        let hashes = source.file_hashes(input.name, input.bytes);
        let mut pieces = source.pieces(input.bytes, aim, 1 << 20).unwrap();
        let next = Box::new(move || pieces.read());
        let mut reader = PieceReader::open(&source, &site, input.head(&hashes), next).unwrap();
        let mut all = Vec::new();
        let one_by_one = |file: &WideFile<'_>, pieces: &[Piece]| {
            pieces.iter().map(|piece| file.read_alone(piece)).collect()
        };
        while let Some(rows) = reader.read(n_pieces, &one_by_one).unwrap() {
            all.extend(rows);
        }
        assert_eq!(shown(&all), shown(&[whole]), "{aim} {n_pieces}\n{text}");
    }

    proptest::proptest! {
        /// The night the clock goes back, two units, a changed header, quotes, rubbish: cut anywhere.
        #[test]
        fn pieces_give_what_the_whole_gives(
            lines in proptest::collection::vec((0..40_u32, 0..2_u8, 0..30_u8), 0..60),
            aim in 20_usize..400,
            n_pieces in 1_usize..4,
        ) {
            let mut text = String::from("A title\nUnit,Time,Q,V,Alarm\n");
            let mut minute = 0;
            for (step, unit, kind) in lines {
                minute += step;
                let (hour, rest) = (minute / 60, minute % 60);
                // On the clock: 00:00 … 01:59, 01:00 … 01:59 again, 02:00 …
                let shown = if hour >= 2 { hour - 1 } else { hour };
                let unit = ["U-1", "U-2"][usize::from(unit)];
                text.push_str(&match kind {
                    0 => "Unit,Time,V,Q,Alarm\n".to_owned(),
                    1 => "rubbish\n".to_owned(),
                    2 => format!("{unit},2026-11-01 {shown:02}:{rest:02},x,90,\"low\nlevel\"\n"),
                    3 => format!("{unit},2026-11-01 {shown:02}:{rest:02},60,500,\n"),
                    _ => format!("{unit},2026-11-01 {shown:02}:{rest:02},6{kind},9{},\n", kind % 10),
                });
            }
            check(&text, aim, n_pieces);
        }
    }

    #[test]
    fn a_unit_that_paused_for_some_pieces_still_has_its_neighbour() {
        let mut text = String::from("title\nUnit,Time,Q,V,Alarm\nU-1,2026-11-01 00:50,60,90,\n");
        for minute in 51..59 {
            text.push_str(&format!("U-2,2026-11-01 00:{minute},60,90,\n"));
        }
        text.push_str("U-1,2026-11-01 01:00,61,90,\nU-2,2026-11-01 04:00,60,90,\n");
        for aim in [40, 70, 100] {
            check(&text, aim, 2);
        }
    }

    #[test]
    fn other_quotes_widths_and_headers_of_two_lines_in_pieces() {
        let quoted = SOURCE
            .replace(
                "skip_lines = 1",
                "skip_lines = 1\nquote = \"'\"\nheader_lines = 2",
            )
            .replace("from = \"Q\"", "from = \"Q L/min\"");
        let mut text = String::from("a 'title\n'Unit','Time',Q,V,'Alarm'\n,,L/min,,\n");
        let fixed = SOURCE.replace(
            "skip_lines = 1",
            "skip_lines = 1\nwidths = [5, 17, 4, 4, 9]",
        );
        let mut lines = String::from("a title\nUnit Time             Q   V   Alarm\n");
        for n in 0..40 {
            text.push_str(&match n % 8 {
                1 => format!("'U-1','2026-03-01 00:{n}',60,90,'two ''\nlines, \"and\" more'\n"),
                2 => "'Unit','Time',Q,V,'Alarm'\n".to_owned(),
                3 => ",,L/min,,\n".to_owned(),
                4 if n > 30 => "'Unit','Time',V,Q,'Alarm'\n".to_owned(),
                5 => format!("'U-1','2026-03-01 00:{n}',60,90,'never closed\n"),
                _ => format!("U-1,2026-03-01 00:{n:02},60,90,\"low\n"),
            });
            lines.push_str(&match n % 8 {
                1 => format!("U-1  2026-03-01 00:{n:02} 60  90  \"low\n"),
                2 => "U-1  2026-03-01 00:02 6012390 \n".to_owned(),
                3 => "\n".to_owned(),
                _ => format!("U-ä  2026-03-01 00:{n:02} 60.590 \n"),
            });
        }
        for aim in [1, 20, 47, 100, 300] {
            check_with(&quoted, &text, aim, 2);
            check_with(&fixed, &lines, aim, 2);
        }
        check_with(&quoted, "title\n'Unit','Time',Q,V,'Alarm'\n", 5, 2);
    }

    #[test]
    fn what_stands_before_the_header_is_known_to_every_piece() {
        let head = "skip_until = '^Time,'\npreamble = ['Unit: (?<unit_id>\\S+)']";
        let source = SOURCE.replace("skip_lines = 1", head);
        let source = source.replace("unit_id = { from = \"Unit\" }", "");
        let mut text = String::from("Plant \"north\nUnit: U-7\n\nTime,Q,V,Alarm\n");
        for n in 0..300 {
            let alarm = if n % 7 == 0 { "\"low\nlevel\"" } else { "" };
            let at = format!("2026-03-0{} 10:{:02}", 1 + n / 60, n % 60);
            text.push_str(&format!("{at},6{},90,{alarm}\n", n % 10));
        }
        for text in [&text, &text.replace('"', "").replace("low\nlevel", "low")] {
            for (word, other) in [("Unit", "Unit"), ("Unit", "Machine"), ("Time,", "When,")] {
                for aim in [1, 40, 300, 2_000] {
                    check_with(&source, &text.replace(word, other), aim, 2);
                }
            }
        }
    }

    #[test]
    fn a_file_without_a_record_has_no_rows() {
        check("", 10, 2);
        check("title\n\n\n", 1, 2);
        check("title\nUnit,Time,Q,V,Alarm", 1, 2);
    }
}
