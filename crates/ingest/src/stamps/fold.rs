//! The hour that a clock shows twice: which pass a stamp belongs to.
//!
//! The order of a unit's rows in the file tells first from second pass where the clock is
//! seen to jump back; without a jump the pass nearer to a neighbouring stamp is taken; with
//! no neighbour within two hours nothing is, and the row is rejected. A file whose rows run
//! from new to old is read backwards.

use drydown_quantity::Stamp;

use super::zone::LocalTime;

/// A neighbour further away than this says nothing about the pass.
const NEIGHBOUR_MICROS: i64 = 2 * 3_600_000_000;
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
}

/// The instant of each row, in the order given; None where it cannot be told.
pub(crate) fn resolve_folds(rows: &[FoldRow]) -> Vec<Option<Stamp>> {
    let mut found: Vec<Option<Stamp>> = rows
        .iter()
        .map(|row| match row.time {
            LocalTime::Known(at) => Some(at),
            LocalTime::Twice(..) | LocalTime::Never => None,
        })
        .collect();
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|idx| rows.get(*idx).map(|row| row.series));
    for series in
        order.chunk_by(|a, b| rows.get(*a).map(|r| r.series) == rows.get(*b).map(|r| r.series))
    {
        let steps: Vec<(usize, FoldRow)> = series
            .iter()
            .filter_map(|idx| rows.get(*idx).map(|row| (*idx, *row)))
            .collect();
        resolve_series(steps, &mut found);
    }
    found
}

fn resolve_series(mut steps: Vec<(usize, FoldRow)>, found: &mut [Option<Stamp>]) {
    if !steps.iter().any(|(_, row)| is_twice(row)) {
        return;
    }
    if runs_backward(&steps) {
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
        let before = start.checked_sub(1).and_then(|at| known(&steps, at));
        let after = known(&steps, end);
        let stretch = steps.get(start..end).unwrap_or(&[]);
        for ((idx, _), at) in stretch.iter().zip(resolve_stretch(stretch, before, after)) {
            if let Some(slot) = found.get_mut(*idx) {
                *slot = at;
            }
        }
        start = end;
    }
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
fn runs_backward(steps: &[(usize, FoldRow)]) -> bool {
    let balance: i64 = steps
        .windows(2)
        .map(|pair| match pair {
            [(_, a), (_, b)] => (b.local_micros - a.local_micros).signum(),
            _ => 0,
        })
        .sum();
    balance < 0
}

/// The instants of neighbouring rows that all lie in one fold.
fn resolve_stretch(
    stretch: &[(usize, FoldRow)],
    before: Option<Stamp>,
    after: Option<Stamp>,
) -> Vec<Option<Stamp>> {
    if let Some(second_from) = jump(stretch, before, after) {
        return stretch
            .iter()
            .enumerate()
            .map(|(place, (_, row))| pass(row, place >= second_from))
            .collect();
    }
    let first = nearest(stretch, false, before, after);
    let second = nearest(stretch, true, before, after);
    let (Some(first), Some(second)) = (first, second) else {
        return vec![None; stretch.len()];
    };
    if first.min(second) > NEIGHBOUR_MICROS {
        return vec![None; stretch.len()];
    }
    stretch
        .iter()
        .map(|(_, row)| pass(row, second < first))
        .collect()
}

/// The row from which on the clock shows the hour for the second time.
///
/// The largest step back; where there is none, a repeated stamp counts as one if reading it
/// so leaves smaller gaps (hourly logs show 01:00 twice; a repeated row shows it twice too).
fn jump(
    stretch: &[(usize, FoldRow)],
    before: Option<Stamp>,
    after: Option<Stamp>,
) -> Option<usize> {
    let step = |place: usize| match (stretch.get(place - 1), stretch.get(place)) {
        (Some((_, last)), Some((_, here))) => here.local_micros - last.local_micros,
        _ => i64::MAX,
    };
    let back = (1..stretch.len())
        .filter(|place| step(*place) < 0)
        .min_by_key(|place| step(*place));
    if back.is_some() {
        return back;
    }
    let repeated = (1..stretch.len()).find(|place| step(*place) == 0)?;
    let gap_of = |second_from: usize| {
        let passes = stretch
            .iter()
            .enumerate()
            .map(|(n, (_, row))| pass(row, n >= second_from));
        let all: Vec<Stamp> = before
            .into_iter()
            .chain(passes.flatten())
            .chain(after)
            .collect();
        all.windows(2)
            .map(|pair| match pair {
                [a, b] => b.micros() - a.micros(),
                _ => 0,
            })
            .max()
            .unwrap_or(0)
    };
    let as_jump = gap_of(repeated);
    let as_one = gap_of(0).min(gap_of(stretch.len()));
    (as_jump < as_one).then_some(repeated)
}

fn pass(row: &FoldRow, second: bool) -> Option<Stamp> {
    match row.time {
        LocalTime::Twice(_, at) if second => Some(at),
        LocalTime::Twice(at, _) | LocalTime::Known(at) => Some(at),
        LocalTime::Never => None,
    }
}

/// Distance to the nearer neighbour if the stretch is read as this pass; None without neighbours.
fn nearest(
    stretch: &[(usize, FoldRow)],
    second: bool,
    before: Option<Stamp>,
    after: Option<Stamp>,
) -> Option<i64> {
    let first_row = stretch.first().and_then(|(_, row)| pass(row, second));
    let last_row = stretch.last().and_then(|(_, row)| pass(row, second));
    let apart = |a: Option<Stamp>, b: Option<Stamp>| match (a, b) {
        (Some(a), Some(b)) => Some((a.micros() - b.micros()).abs()),
        _ => None,
    };
    [apart(before, first_row), apart(last_row, after)]
        .into_iter()
        .flatten()
        .min()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stamps::Clock;

    /// Local stamps of one unit in Chicago on 2026-11-01 (back from 02:00 to 01:00), as UTC.
    fn shown(locals: &str) -> String {
        let clock = Clock::parse("America/Chicago").unwrap();
        let rows: Vec<FoldRow> = locals
            .split_whitespace()
            .map(|text| {
                let local: Stamp = format!("2026-11-01T{text}:00Z").parse().unwrap();
                let local_micros = local.micros();
                FoldRow {
                    series: 0,
                    local_micros,
                    time: clock.to_utc(local_micros),
                }
            })
            .collect();
        let shown: Vec<String> = resolve_folds(&rows)
            .iter()
            .map(|at| at.map_or("-".to_owned(), |at| at.minute()[11..].to_owned()))
            .collect();
        shown.join(" ")
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
                "00:45 00:50 00:55 01:00 01:00 01:05",
                "05:45 05:50 05:55 06:00 06:00 06:05",
            ),
            ("near the row before", "00:50 01:00", "05:50 06:00"),
            ("near the row after", "01:50 02:00", "07:50 08:00"),
            (
                "nearer to one of two",
                "00:10 01:55 02:00",
                "05:10 07:55 08:00",
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
    fn series_do_not_see_each_other() {
        let clock = Clock::parse("America/Chicago").unwrap();
        let row = |series, text: &str| {
            let local: Stamp = format!("2026-11-01T{text}:00Z").parse().unwrap();
            FoldRow {
                series,
                local_micros: local.micros(),
                time: clock.to_utc(local.micros()),
            }
        };
        let rows = [
            row(1, "00:50"),
            row(2, "01:50"),
            row(1, "01:00"),
            row(2, "02:00"),
        ];
        let found: Vec<String> = resolve_folds(&rows)
            .iter()
            .map(|at| at.unwrap().minute()[11..].to_owned())
            .collect();
        assert_eq!(found, ["05:50", "07:50", "06:00", "08:00"]);
    }
}
