//! The hour that a clock shows twice: which pass a stamp belongs to.
//!
//! The order of a unit's rows in the file tells first from second pass where the clock is
//! seen to jump back; without a jump the pass nearer to a neighbouring stamp is taken, unless
//! the hour that is missing then may as well be missing elsewhere; with no neighbour within two
//! hours nothing is, and the row is rejected. A file whose rows run
//! from new to old is read backwards. In a file sorted by what the clock showed, both passes
//! lie inside each other: each stamp stands there twice, the first pass before the second.
//!
//! Where the order tells nothing, nothing is guessed: two rows that differ never become one
//! instant ([`Seen`]), the later is rejected.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use drydown_quantity::Stamp;

use super::stretch::Stretch;
use super::zone::LocalTime;

/// Stamps further apart on the clock than this do not lie in the same fold.
const SAME_FOLD_MICROS: i64 = 3 * 3_600_000_000;

/// One row's stamp.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FoldRow {
    /// Rows of one logger's series share it.
    pub(crate) series: u64,
    /// What the clock showed, microseconds since 1970-01-01T00:00 of that clock.
    pub(crate) local_micros: i64,
    pub(crate) time: LocalTime,
    /// Tells the record from others; only rows whose hour was shown twice need it.
    pub(crate) content: u64,
    /// Tells the other columns of its key apart: rows of one stamp that differ here are different
    /// events, not one stamp shown twice.
    pub(crate) rest: u64,
    /// How many rows of the series have shown this stamp in a row, this one included; known of
    /// the last row of a piece alone, 1 elsewhere.
    pub(crate) n_same: u32,
}

impl FoldRow {
    /// Whether both are of one stamp on the clock, and of the same thing.
    pub(crate) const fn shows_same(&self, other: &Self) -> bool {
        self.local_micros == other.local_micros && self.rest == other.rest
    }
}

/// What a row's stamp means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Told {
    At(Stamp),
    /// No row of the series near enough tells the pass.
    Alone,
    /// The order of the rows does not tell the pass.
    Disordered,
    /// An hour is missing among the rows, and nothing tells before or behind which of them.
    Parted,
}

impl Told {
    pub(super) const fn of(at: Option<Stamp>) -> Self {
        match at {
            Some(at) => Self::At(at),
            None => Self::Alone,
        }
    }
}

/// The instants that rows of a repeated hour have already become, by series, microseconds and the
/// rest of the key.
pub(crate) type Seen = BTreeMap<(u64, i64, u64), Settled>;

/// A row that has its instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settled {
    content: u64,
    /// The stretch it stands in; counted anew in each piece of a file.
    stretch: usize,
    is_clean: bool,
    may_repeat: bool,
}

impl Settled {
    /// As seen from the next piece of the file.
    pub(crate) const fn in_piece_before(self) -> Self {
        Self {
            stretch: usize::MAX,
            ..self
        }
    }

    /// Whether a later row may take the same instant: it says the same, or the file's clock shows
    /// one stamp for several rows at any time, and both stand in one pass.
    const fn admits(&self, later: &Self) -> bool {
        let is_clean = self.is_clean && later.is_clean;
        let is_repeated = later.may_repeat && self.stretch == later.stretch;
        is_clean && (self.content == later.content || is_repeated)
    }
}

/// What each row's stamp means, in the order given. `seen` holds what stood in the pieces before,
/// and takes what stands here.
pub(crate) fn resolve_folds(rows: &[FoldRow], seen: &mut Seen) -> Vec<Told> {
    resolve(rows, seen, &runs_backward)
}

/// As [`resolve_folds`], of rows of one series of which it is known how the whole of it runs.
pub(crate) fn resolve_one_series(rows: &[FoldRow], is_backward: bool) -> Vec<Told> {
    resolve(rows, &mut Seen::new(), &|_| is_backward)
}

/// Rows of one series, with their places among all rows.
type Steps = [(usize, FoldRow)];

fn resolve(rows: &[FoldRow], seen: &mut Seen, is_backward: &dyn Fn(&Steps) -> bool) -> Vec<Told> {
    let mut found: Vec<(Told, Option<Settled>)> = rows
        .iter()
        .map(|row| match row.time {
            LocalTime::Known(at) => (Told::At(at), None),
            LocalTime::Twice(..) | LocalTime::Never => (Told::Alone, None),
        })
        .collect();
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|idx| rows.get(*idx).map(|row| row.series));
    let mut n_stretches = 0;
    for series in
        order.chunk_by(|a, b| rows.get(*a).map(|r| r.series) == rows.get(*b).map(|r| r.series))
    {
        let steps: Vec<(usize, FoldRow)> = series
            .iter()
            .filter_map(|idx| rows.get(*idx).map(|row| (*idx, *row)))
            .collect();
        let is_backward = steps.iter().any(|(_, row)| is_twice(row)) && is_backward(&steps);
        resolve_series(steps, is_backward, &mut found, &mut n_stretches);
    }
    rows.iter()
        .zip(found)
        .map(|(row, told)| match told {
            (Told::At(at), Some(settled)) => {
                match seen.entry((row.series, at.micros(), row.rest)) {
                    Entry::Vacant(place) => {
                        place.insert(settled);
                        Told::At(at)
                    }
                    Entry::Occupied(first) if first.get().admits(&settled) => Told::At(at),
                    Entry::Occupied(_) => Told::Disordered,
                }
            }
            (told, _) => told,
        })
        .collect()
}

fn resolve_series(
    mut steps: Vec<(usize, FoldRow)>,
    is_backward: bool,
    found: &mut [(Told, Option<Settled>)],
    n_stretches: &mut usize,
) {
    if !steps.iter().any(|(_, row)| is_twice(row)) {
        return;
    }
    if is_backward {
        steps.reverse();
    }
    let mut start = 0;
    while start < steps.len() {
        if !steps.get(start).is_some_and(|(_, row)| is_twice(row)) {
            start += 1;
            continue;
        }
        let mut end = start + 1;
        while steps.get(end).is_some_and(|(_, row)| is_twice(row)) && same_fold(&steps, end) {
            end += 1;
        }
        let stretch = Stretch {
            rows: steps.get(start..end).unwrap_or(&[]),
            before: start.checked_sub(1).and_then(|at| known(&steps, at)),
            after: known(&steps, end),
            n_same_before: n_same_before(&steps, start),
            is_backward,
        };
        let is_clean = stretch.is_clean();
        *n_stretches += 1;
        for ((idx, row), told) in stretch.rows.iter().zip(stretch.resolve()) {
            if let Some(slot) = found.get_mut(*idx) {
                let settled = Settled {
                    content: row.content,
                    stretch: *n_stretches,
                    is_clean,
                    may_repeat: stretch.n_same_before > 1,
                };
                *slot = (told, Some(settled));
            }
        }
        start = end;
    }
}

/// How many rows before a stretch show one stamp; 0 where there is none.
fn n_same_before(steps: &[(usize, FoldRow)], start: usize) -> u32 {
    let mut rows = steps.get(..start).unwrap_or(&[]).iter().rev();
    let Some((_, last)) = rows.next() else {
        return 0;
    };
    let n_more = rows.take_while(|(_, row)| row.shows_same(last)).count();
    last.n_same
        .max(u32::try_from(n_more + 1).unwrap_or(u32::MAX))
}

fn is_twice(row: &FoldRow) -> bool {
    matches!(row.time, LocalTime::Twice(..))
}

fn same_fold(steps: &[(usize, FoldRow)], at: usize) -> bool {
    match (steps.get(at), steps.get(at - 1)) {
        (Some((_, here)), Some((_, last))) => {
            (here.local_micros - last.local_micros).abs() <= SAME_FOLD_MICROS
        }
        _ => false,
    }
}

fn known(steps: &[(usize, FoldRow)], at: usize) -> Option<Stamp> {
    match steps.get(at).map(|(_, row)| row.time) {
        Some(LocalTime::Known(at)) => Some(at),
        _ => None,
    }
}

/// Whether most steps of the clock go back: a file that lists the newest row first.
fn runs_backward(steps: &Steps) -> bool {
    let balance: i64 = steps
        .windows(2)
        .map(|pair| match pair {
            [(_, a), (_, b)] => (b.local_micros - a.local_micros).signum(),
            _ => 0,
        })
        .sum();
    balance < 0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stamps::Clock;

    fn row(series: u64, text: &str, content: u64) -> FoldRow {
        let local: Stamp = format!("2026-11-01T{text}:00Z").parse().unwrap();
        FoldRow {
            series,
            local_micros: local.micros(),
            time: Clock::parse("America/Chicago")
                .unwrap()
                .to_utc(local.micros()),
            content,
            rest: 0,
            n_same: 1,
        }
    }

    fn shown_rows(rows: &[FoldRow]) -> String {
        let shown: Vec<String> = resolve_folds(rows, &mut Seen::new())
            .iter()
            .map(|told| match told {
                Told::At(at) => at.minute()[11..].to_owned(),
                Told::Alone => "-".to_owned(),
                Told::Disordered => "?".to_owned(),
                Told::Parted => "/".to_owned(),
            })
            .collect();
        shown.join(" ")
    }

    /// Local stamps of one unit in Chicago on 2026-11-01 (back from 02:00 to 01:00), as UTC. Every
    /// row says something else, unless a letter behind the stamp says what it says.
    fn shown(locals: &str) -> String {
        let rows: Vec<FoldRow> = locals
            .split_whitespace()
            .enumerate()
            .map(|(n, text)| match text.get(5..) {
                Some("") | None => row(0, text, 1000 + n as u64),
                Some(letter) => row(0, &text[..5], u64::from(letter.as_bytes()[0])),
            })
            .collect();
        shown_rows(&rows)
    }

    #[test]
    fn the_repeated_hour() {
        let cases = [
            (
                "a jump back tells the passes",
                "00:30 01:00 01:30 01:00 01:30 02:00",
                "05:30 06:00 06:30 07:00 07:30 08:00",
            ),
            (
                "newest first",
                "02:00 01:30 01:00 01:30 01:00 00:30",
                "08:00 07:30 07:00 06:30 06:00 05:30",
            ),
            (
                "hourly rows repeat the stamp",
                "00:00 01:00 01:00 02:00",
                "05:00 06:00 07:00 08:00",
            ),
            (
                "a repeated row is no jump",
                "00:45 00:50 00:55 01:00a 01:00a 01:05",
                "05:45 05:50 05:55 06:00 06:00 06:05",
            ),
            (
                "a row with another value at the same stamp is kept out",
                "00:45 00:50 00:55 01:00a 01:00b 01:05",
                "05:45 05:50 05:55 06:00 ? 06:05",
            ),
            ("near the row before", "00:50 01:00", "05:50 06:00"),
            ("near the row after", "01:50 02:00", "07:50 08:00"),
            (
                "nearer to one of two",
                "00:10 01:55 02:00",
                "05:10 07:55 08:00",
            ),
            (
                "as near to both: an hour is missing before it or behind it",
                "00:50 01:00 01:10 01:20 01:30 01:40 01:50 02:00",
                "05:50 / / / / / / 08:00",
            ),
            (
                "nearly as near to both",
                "00:30 01:01 01:29 02:00",
                "05:30 / / 08:00",
            ),
            (
                "the hour may be missing where the rows part",
                "00:58 00:59 01:00 01:01 01:20 01:21 01:58 01:59 02:00 02:01",
                "05:58 05:59 / / / / / / 08:00 08:01",
            ),
            (
                "rows that part less than they do from a neighbour",
                "00:59 01:00 01:10 01:30 02:20",
                "05:59 06:00 06:10 06:30 08:20",
            ),
            (
                "newest first, the hour missing where the rows part",
                "02:00 01:59 01:31 01:30 01:02 01:01 01:00 00:59",
                "08:00 / / / / / / 05:59",
            ),
            ("no neighbour", "01:30", "-"),
            ("a neighbour too far", "01:30 06:00", "- 12:00"),
            (
                "a jump needs no neighbour",
                "01:40 01:50 01:10 01:20",
                "06:40 06:50 07:10 07:20",
            ),
        ];
        for (name, locals, expected) in cases {
            assert_eq!(shown(locals), expected, "{name}");
        }
    }

    #[test]
    fn passes_inside_each_other_and_rows_out_of_order() {
        let cases = [
            (
                "sorted by what the clock showed",
                "00:40 01:00 01:00 01:20 01:20 01:40 01:40 02:00",
                "05:40 06:00 07:00 06:20 07:20 06:40 07:40 08:00",
            ),
            (
                "sorted, and the value did not change",
                "00:40a 01:00a 01:00a 01:20a 01:20a 01:40a 01:40a 02:00a",
                "05:40 06:00 07:00 06:20 07:20 06:40 07:40 08:00",
            ),
            (
                "sorted, and one pass lacks a row",
                "00:40 01:00 01:00 01:20 01:40 01:40 02:00",
                "05:40 06:00 07:00 ? 06:40 07:40 08:00",
            ),
            (
                "sorted from new to old: nothing tells which row of a stamp came first",
                "02:00 01:40 01:40 01:20 01:20 01:00 01:00 00:40",
                "08:00 ? ? ? ? ? ? 05:40",
            ),
            (
                "sorted, with nothing before that tells how often a stamp is shown",
                "01:00 01:00 01:20 01:20 02:00",
                "? ? ? ? 08:00",
            ),
            (
                "a few lines written twice in one pass",
                "00:55 01:00a 01:00a 01:05b 01:10c 01:15d 01:20e 01:20e 01:25f",
                "05:55 06:00 06:00 06:05 06:10 06:15 06:20 06:20 06:25",
            ),
            (
                "a clock that shows each stamp for two rows, one pass",
                "00:55 00:55 01:00 01:00 01:05 01:05 01:10 01:10",
                "05:55 05:55 06:00 06:00 06:05 06:05 06:10 06:10",
            ),
            (
                "such a clock, both passes",
                "00:30 00:30 01:00 01:00 01:30 01:30 01:00 01:00 01:30 01:30 02:00",
                "05:30 05:30 06:00 06:00 06:30 06:30 07:00 07:00 07:30 07:30 08:00",
            ),
            (
                "such a clock, sorted",
                "00:30 00:30 01:00 01:00 01:00 01:00 01:30 01:30 01:30 01:30 02:00",
                "05:30 05:30 ? ? ? ? ? ? ? ? 08:00",
            ),
            (
                "rows a little out of place",
                "00:59 01:00 01:02 01:01 01:50 01:00 01:01 02:00",
                "05:59 06:00 06:02 06:01 06:50 07:00 07:01 08:00",
            ),
            (
                "shuffled",
                "00:59 01:50 01:10 01:55 01:12 02:00",
                "05:59 ? ? ? ? 08:00",
            ),
            (
                "the export joined with an overlapping one",
                "00:50a 01:10b 01:20c 00:50a 01:10b 01:20c 01:50d 01:10e 02:00f",
                "05:50 06:10 06:20 05:50 06:10 06:20 06:50 07:10 08:00",
            ),
            (
                "and the two do not agree",
                "00:50a 01:10b 01:20c 00:50a 01:10x 01:20c 01:50d 01:10e 02:00f",
                "05:50 06:10 06:20 05:50 ? 06:20 06:50 07:10 08:00",
            ),
        ];
        for (name, locals, expected) in cases {
            assert_eq!(shown(locals), expected, "{name}");
        }
    }

    #[test]
    fn series_do_not_see_each_other() {
        let rows = [
            row(1, "00:50", 1),
            row(2, "01:50", 2),
            row(1, "01:00", 3),
            row(2, "02:00", 4),
        ];
        assert_eq!(shown_rows(&rows), "05:50 07:50 06:00 08:00");
    }
}
