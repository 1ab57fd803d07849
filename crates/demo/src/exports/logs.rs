//! Log files of the units, one per unit and month, with a controller's dirt: repeated headers,
//! overlapping re-exports with corrections, impossible cells, a clock that jumps, a cut last line.

use super::file_truth;
use super::tall::{self, Good};
use super::text::{Clock, Counts, gzip, latin};
use super::wide::{self, Bounds};
use crate::DemoFile;
use crate::calendar::{DAY, stamp};
use crate::catalogue::{Dialect, YARDS};
use crate::config::DemoConfig;
use crate::draw::Draw;
use crate::fleet::Fleet;
use crate::row::{Cell, Row};
use crate::truth::FileTruth;

/// A clock that jumps shows a time that many days ahead.
const JUMP_S: i64 = 3653 * DAY;
/// How much of the month before a re-export repeats.
const OVERLAP_S: i64 = 2 * DAY;
/// Lines of the metric preamble.
pub(crate) const PREAMBLE_LINES: usize = 4;

/// Writes the log files of all units, month by month.
#[derive(Debug)]
pub(crate) struct LogWriter<'a> {
    config: &'a DemoConfig,
    fleet: &'a Fleet,
    /// The end of each unit's last month, for a re-export.
    tails: Vec<Tail>,
    clocks: Vec<Clock>,
    files: Vec<FileTruth>,
}

#[derive(Clone, Debug, Default)]
struct Tail {
    rows: Vec<Row>,
    /// Whether the last of them was cut off in the file.
    cut: Cut,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Cut {
    #[default]
    No,
    Yes,
}

/// A file being written.
struct Page<'a> {
    dialect: Dialect,
    bounds: Bounds<'a>,
    text: Vec<u8>,
    counts: Counts,
    draw: Draw,
    bad_share: f64,
}

impl<'a> LogWriter<'a> {
    pub(crate) fn new(config: &'a DemoConfig, fleet: &'a Fleet) -> Self {
        let clocks = fleet
            .units
            .iter()
            .map(|unit| Clock::new(YARDS[unit.yard].timezone))
            .collect();
        Self {
            config,
            fleet,
            tails: vec![Tail::default(); fleet.units.len()],
            clocks,
            files: Vec::new(),
        }
    }

    /// Write one unit's month.
    pub(crate) fn write_month(
        &mut self,
        unit: usize,
        month: usize,
        mut rows: Vec<Row>,
        sink: &mut dyn FnMut(DemoFile),
    ) {
        let yard = YARDS[self.fleet.units[unit].yard];
        let id = &self.fleet.units[unit].id;
        let name = stamp(self.fleet.calendar.months.get(month).copied().unwrap_or(0)).month();
        let path = format!(
            "exports/{}/log_{id}_{name}.{}",
            yard.name,
            extension(yard.dialect)
        );
        let mut draw = Draw::of(self.config.seed, &path);
        soil(&mut rows, self.config.dirt, &mut draw);
        let mut page = Page {
            dialect: yard.dialect,
            bounds: Bounds {
                fleet: self.fleet,
                unit,
            },
            text: Vec::new(),
            counts: Counts::default(),
            draw,
            bad_share: self.config.dirt,
        };
        let mut tail = std::mem::take(&mut self.tails[unit]);
        if rows.is_empty() {
            // Some exports of an idle month hold a header or nothing at all, most do not exist.
            let left = page.draw.unit();
            if left > 0.5 * self.config.dirt {
                return;
            }
            if left > 0.2 * self.config.dirt {
                page.push_head(id);
            }
        } else {
            page.push_head(id);
            let repeats = page.draw.chance(0.35 * self.config.dirt) && !tail.rows.is_empty();
            if repeats {
                page.push_overlap(id, &mut self.clocks[unit], &mut tail);
            }
            let cut = page.push_rows(id, &mut self.clocks[unit], &rows, self.config.dirt);
            self.tails[unit] = keep_tail(rows, cut);
        }
        let bytes = page.bytes();
        self.files
            .push(file_truth(&path, yard.name, "readings", page.counts));
        sink(DemoFile { path, bytes });
    }

    /// What an ingest must count in the files written.
    pub(crate) fn finish(self) -> Vec<FileTruth> {
        self.files
    }
}

const fn extension(dialect: Dialect) -> &'static str {
    match dialect {
        Dialect::Gauge | Dialect::Vacuum | Dialect::TallEpoch => "csv.gz",
        _ => "csv",
    }
}

fn keep_tail(mut rows: Vec<Row>, cut: Cut) -> Tail {
    let last = rows
        .iter()
        .rev()
        .find(|row| is_known_time(row))
        .map_or(0, |row| row.at);
    let first = rows
        .iter()
        .position(|row| is_known_time(row) && row.at >= last - OVERLAP_S);
    Tail {
        rows: rows.split_off(first.unwrap_or(0)),
        cut,
    }
}

/// Put impossible cells and clock jumps into the rows themselves, so that a re-export repeats them.
fn soil(rows: &mut [Row], dirt: f64, draw: &mut Draw) {
    for row in rows.iter_mut() {
        if !draw.chance(2.5e-4 * dirt) {
            continue;
        }
        let (cell, value) = match draw.below(5) {
            0 => (Cell::OilInlet, 850.0),
            1 => (Cell::Flow, -6.0),
            2 => (Cell::Activity, 3.2767),
            3 => (Cell::WaterPpm, 999_999.0),
            _ => (Cell::OilSupply, -273.0),
        };
        // An instrument that is not there shows nothing, not even nonsense.
        if row.get(cell).is_finite() {
            row.set(cell, value);
        }
    }
    if rows.len() > 40 && draw.chance(0.03 * dirt) {
        let first = 10 + draw.below(rows.len() - 30);
        let n_jumped = 3 + draw.below(6);
        for row in rows.iter_mut().skip(first).take(n_jumped) {
            row.at += JUMP_S;
        }
    }
}

impl Page<'_> {
    fn push_head(&mut self, id: &str) {
        if self.dialect.is_tall() {
            self.text
                .extend_from_slice(tall::header(self.dialect).as_bytes());
            self.text.push(b'\n');
            return;
        }
        if self.dialect == Dialect::Metric {
            let preamble = format!("Gerät;{id}\r\nAufzeichnung;Entwässerung\r\nStand;V2,4\r\n\r\n");
            self.text.extend_from_slice(preamble.as_bytes());
        }
        self.text
            .extend_from_slice(wide::header(self.dialect).as_bytes());
        self.end_line();
    }

    fn end_line(&mut self) {
        if self.dialect == Dialect::Metric {
            self.text.push(b'\r');
        }
        self.text.push(b'\n');
    }

    /// Repeat the end of the month before; now and then with a corrected cell.
    fn push_overlap(&mut self, id: &str, clock: &mut Clock, tail: &mut Tail) {
        let n_rows = tail.rows.len();
        for (idx, row) in tail.rows.iter_mut().enumerate() {
            let was_cut = idx + 1 == n_rows && tail.cut == Cut::Yes;
            if self.dialect.is_tall() {
                let lines = self.push_tall(id, row);
                if is_known_time(row) {
                    self.counts.duplicate += lines.n;
                }
                continue;
            }
            let corrected = !was_cut && self.draw.chance(0.01) && is_known_time(row);
            if corrected {
                row.set(
                    Cell::AirDegc,
                    row.get(Cell::AirDegc).clamp(-30.0, 60.0) + 1.5,
                );
            }
            self.push_wide(clock, row);
            match (is_known_time(row), was_cut, corrected) {
                (false, ..) | (_, true, _) => {}
                (true, false, true) => self.counts.superseded += 1,
                (true, false, false) => self.counts.duplicate += 1,
            }
        }
    }

    fn push_rows(&mut self, id: &str, clock: &mut Clock, rows: &[Row], dirt: f64) -> Cut {
        if self.dialect.is_tall() {
            for row in rows {
                let lines = self.push_tall(id, row);
                self.counts.duplicate += lines.n_empty;
            }
            return Cut::No;
        }
        let cut = if self.draw.chance(0.06 * dirt) {
            Cut::Yes
        } else {
            Cut::No
        };
        let mut last: Option<&Row> = None;
        for (idx, row) in rows.iter().enumerate() {
            if row.is_start && idx > 0 && self.draw.chance(0.08 * dirt) {
                self.text
                    .extend_from_slice(wide::header(self.dialect).as_bytes());
                self.end_line();
                self.counts.rows_in += 1;
                self.counts.rejected += 1;
            }
            if let Some(last) = last.filter(|_| row.is_start && self.draw.chance(0.08 * dirt)) {
                self.push_wide(clock, last);
                if is_known_time(last) {
                    self.counts.duplicate += 1;
                }
            }
            if idx + 1 == rows.len() && cut == Cut::Yes {
                self.push_cut(clock, row);
            } else {
                self.push_wide(clock, row);
            }
            last = Some(row);
        }
        cut
    }

    fn push_wide(&mut self, clock: &mut Clock, row: &Row) {
        wide::push_line(&mut self.text, self.dialect, clock, row);
        self.end_line();
        self.counts.rows_in += 1;
        if is_known_time(row) {
            self.counts.cell_rejects += self.bounds.impossible(self.dialect, row);
        } else {
            self.counts.rejected += 1;
        }
    }

    /// A last line that ends in the middle: the logger lost power.
    fn push_cut(&mut self, clock: &mut Clock, row: &Row) {
        let mut line = Vec::new();
        wide::push_line(&mut line, self.dialect, clock, row);
        line.truncate(line.len() / 2);
        self.text.extend_from_slice(&line);
        self.counts.rows_in += 1;
        self.counts.rejected += 1;
    }

    /// The lines of one row.
    fn push_tall(&mut self, id: &str, row: &Row) -> TallLines {
        let mut lines = TallLines::default();
        for (idx, column) in self.dialect.columns().iter().enumerate() {
            let good = self.good(row.at, idx);
            let place = (id, column);
            if !tall::push_line(&mut self.text, self.dialect, place, row, good) {
                continue;
            }
            lines.n += 1;
            self.counts.rows_in += 1;
            if !is_known_time(row) {
                self.counts.rejected += 1;
            } else if good == Good::No || self.bounds.is_cell_impossible(self.dialect, column, row)
            {
                self.counts.cell_rejects += 1;
                // A null in a row that is there already changes nothing.
                lines.n_empty += usize::from(lines.n > 1);
            }
        }
        if row.is_start {
            tall::push_spare(&mut self.text, self.dialect, id, row.at);
            self.counts.ignored += 1;
        }
        lines
    }

    /// A fixed, scattered one in 1250 values is bad, so that a re-export repeats it.
    fn good(&self, at: i64, column: usize) -> Good {
        let mixed = (at as u64 ^ (column as u64) << 40).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 32;
        if self.bad_share > 0.0 && mixed as f64 / 4_294_967_296.0 < 0.0008 * self.bad_share {
            Good::No
        } else {
            Good::Yes
        }
    }

    fn bytes(&mut self) -> Vec<u8> {
        let text = std::mem::take(&mut self.text);
        match self.dialect {
            Dialect::Metric => latin(&String::from_utf8_lossy(&text)),
            Dialect::MetricUtc if !text.is_empty() => {
                let mut marked = "\u{feff}".as_bytes().to_vec();
                marked.extend_from_slice(&text);
                marked
            }
            Dialect::Gauge | Dialect::Vacuum | Dialect::TallEpoch => gzip(&text),
            _ => text,
        }
    }
}

/// Whether a row's stamp is one an ingest believes.
fn is_known_time(row: &Row) -> bool {
    // 2031-01-01: beyond any load of this calendar, before any jumped clock.
    row.at < 1_924_992_000
}

/// The lines that one row of a tall log takes.
#[derive(Clone, Copy, Debug, Default)]
struct TallLines {
    /// Lines that count as records.
    n: usize,
    /// Of those, lines after the first whose value reads as null.
    n_empty: usize,
}
