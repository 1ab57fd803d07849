//! What a tall file shows of the hours that its clock repeats, kept while the file goes by.
//!
//! Which pass a stamp belongs to hangs on its neighbours in the series and on whether the series runs
//! forwards: of all other rows a count is enough.

use std::collections::BTreeMap;

use crate::stamps::{FoldRow, LocalTime, Told, resolve_one_series};

/// Known rows kept on either side of a gap: the neighbour, and the one that tells how often the
/// neighbour's stamp stands there.
const KEPT: usize = 2;

/// Units and tags, and what was seen of each.
pub(super) type AllSeries = BTreeMap<(String, String), Series>;

/// One row that is kept.
#[derive(Clone, Copy, Debug)]
struct Step {
    row: FoldRow,
    line: u64,
    /// Rows between it and the one before it are not kept.
    is_after_gap: bool,
}

/// One series: the rows of the repeated hours, and what stands around them.
#[derive(Clone, Debug, Default)]
pub(super) struct Series {
    /// Known rows that show the same one after the other are one.
    steps: Vec<Step>,
    /// Steps of the clock forwards less those back.
    balance: i64,
    has_doubtful: bool,
}

impl Series {
    /// Adds the row that follows.
    pub(super) fn push(&mut self, row: FoldRow, line: u64) {
        // Each piece numbers its tags anew: only here do its rows belong to one series.
        let row = FoldRow { series: 0, ..row };
        if let Some(last) = self.steps.last() {
            self.balance += step(&last.row, &row);
        }
        self.add(Step {
            row,
            line,
            is_after_gap: false,
        });
    }

    /// Adds the rows that follow, of the next piece.
    pub(super) fn append(&mut self, next: Self) {
        if let (Some(last), Some(first)) = (self.steps.last(), next.steps.first()) {
            self.balance += step(&last.row, &first.row);
        }
        self.balance += next.balance;
        for row in next.steps {
            self.add(row);
        }
    }

    fn add(&mut self, next: Step) {
        if is_doubtful(&next.row) {
            self.has_doubtful = true;
            self.steps.push(next);
            return;
        }
        if let Some(Step { row: last, .. }) = self.steps.last_mut()
            && !is_doubtful(last)
            && !next.is_after_gap
            && last.shows_same(&next.row)
        {
            last.n_same = last.n_same.saturating_add(next.row.n_same);
            return;
        }
        self.steps.push(next);
        let n_known = self
            .steps
            .iter()
            .rev()
            .take(2 * KEPT + 1)
            .take_while(|step| !is_doubtful(&step.row))
            .count();
        if n_known > 2 * KEPT {
            let gap = self.steps.len() - KEPT - 1;
            self.steps.remove(gap);
            if let Some(after) = self.steps.get_mut(gap) {
                after.is_after_gap = true;
            }
        }
    }

    /// What the rows of repeated hours mean, by their lines.
    pub(super) fn resolve(&self) -> impl Iterator<Item = (u64, Told)> {
        let told = if self.has_doubtful {
            let rows: Vec<FoldRow> = self.steps.iter().map(|step| step.row).collect();
            resolve_one_series(&rows, self.balance < 0)
        } else {
            Vec::new()
        };
        let steps = self.steps.iter().zip(told);
        steps.filter_map(|(step, told)| is_doubtful(&step.row).then_some((step.line, told)))
    }
}

/// Which way the clock steps from one row to the next.
const fn step(last: &FoldRow, next: &FoldRow) -> i64 {
    (next.local_micros - last.local_micros).signum()
}

fn is_doubtful(row: &FoldRow) -> bool {
    matches!(row.time, LocalTime::Twice(..))
}

/// Which pass each line of a repeated hour belongs to.
#[derive(Debug, Default)]
pub(super) struct ToldLines(Vec<(u64, Told)>);

impl ToldLines {
    pub(super) fn of(series: &AllSeries) -> Self {
        let mut all: Vec<(u64, Told)> = series.values().flat_map(Series::resolve).collect();
        all.sort_unstable_by_key(|(line, _)| *line);
        Self(all)
    }

    /// What the stamp of a line means.
    pub(super) fn of_line(&self, line: u64) -> Told {
        let found = self.0.binary_search_by_key(&line, |(line, _)| *line);
        let told = found.ok().and_then(|at| self.0.get(at));
        told.map_or(Told::Alone, |(_, told)| *told)
    }
}

#[cfg(test)]
mod tests {
    use drydown_quantity::Stamp;

    use super::*;
    use crate::stamps::{Seen, resolve_folds};

    proptest::proptest! {
        /// One series, kept piece by piece, means what all its rows together mean.
        #[test]
        fn what_is_kept_tells_what_all_rows_tell(
            hours in proptest::collection::vec((0..14_i64, 0..4_i64, 0..2_u64, 0..3_u64), 0..60),
            cuts in proptest::collection::vec(1_usize..8, 60),
            is_sorted in proptest::bool::ANY,
            is_backward in proptest::bool::ANY,
        ) {
            const HOUR: i64 = 3_600_000_000;
            let mut rows: Vec<FoldRow> = hours
                .iter()
                .map(|(hour, quarter, rest, content)| {
                    let local_micros = hour * HOUR + quarter * HOUR / 4;
                    // The fifth hour and the eleventh are shown twice.
                    let past = i64::from(*hour > 5) + i64::from(*hour > 11);
                    let at = Stamp::from_micros(local_micros + past * HOUR);
                    let time = match hour {
                        5 | 11 => LocalTime::Twice(at, Stamp::from_micros(at.micros() + HOUR)),
                        _ => LocalTime::Known(at),
                    };
                    FoldRow { series: 7, local_micros, time, content: *content, rest: *rest, n_same: 1 }
                })
                .collect();
            if is_sorted {
                rows.sort_by_key(|row| row.local_micros);
            }
            if is_backward {
                rows.reverse();
            }
            let whole = resolve_folds(&rows, &mut Seen::new());
            let expected: Vec<(u64, Told)> = rows
                .iter()
                .zip(whole)
                .enumerate()
                .filter(|(_, (row, _))| is_doubtful(row))
                .map(|(line, (_, told))| (line as u64, told))
                .collect();
            let (mut all, mut piece) = (Series::default(), Series::default());
            let mut cuts = cuts.into_iter();
            let mut left = cuts.next().unwrap_or(1);
            for (line, row) in rows.iter().enumerate() {
                piece.push(*row, line as u64);
                left -= 1;
                if left == 0 {
                    all.append(std::mem::take(&mut piece));
                    left = cuts.next().unwrap_or(1);
                }
            }
            all.append(piece);
            let found: Vec<(u64, Told)> = all.resolve().collect();
            proptest::prop_assert_eq!(found, expected);
        }
    }
}
