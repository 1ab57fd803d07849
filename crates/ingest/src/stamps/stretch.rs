//! Neighbouring rows of the hour that a clock shows twice, and what their order tells of them.

use drydown_quantity::Stamp;

use super::fold::{FoldRow, Told};
use super::zone::LocalTime;

/// A neighbour further away than this says nothing about the pass.
const NEIGHBOUR_MICROS: i64 = 2 * 3_600_000_000;

/// Neighbouring rows of a series that all lie in one fold.
#[derive(Debug)]
pub(super) struct Stretch<'s> {
    pub(super) rows: &'s [(usize, FoldRow)],
    pub(super) before: Option<Stamp>,
    pub(super) after: Option<Stamp>,
    /// How many rows show the stamp before it; 0 where nothing stands there.
    pub(super) n_same_before: u32,
    /// The file runs from new to old: what the rows of one stamp went through is unknown.
    pub(super) is_backward: bool,
}

/// How a stretch whose clock never steps back is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Repeats {
    /// As one pass.
    OnePass,
    /// As two passes one after the other, the second from this row on.
    From(usize),
    /// As two passes sorted into each other.
    Sorted,
    /// Not at all.
    Untold,
}

impl Stretch<'_> {
    fn step(&self, place: usize) -> i64 {
        let last = place.checked_sub(1).and_then(|at| self.rows.get(at));
        match (last, self.rows.get(place)) {
            (Some((_, last)), Some((_, here))) => here.local_micros - last.local_micros,
            _ => i64::MAX,
        }
    }

    fn steps_back(&self) -> impl Iterator<Item = usize> {
        (1..self.rows.len()).filter(|place| self.step(*place) < 0)
    }

    /// Whether the clock steps back once at most.
    pub(super) fn is_clean(&self) -> bool {
        self.steps_back().nth(1).is_none()
    }

    pub(super) fn resolve(&self) -> Vec<Told> {
        let back = self.steps_back().min_by_key(|place| self.step(*place));
        if let Some(jump) = back {
            // Rows out of place step back as well, but not by nearly as much as the clock.
            let is_told = self
                .steps_back()
                .all(|place| place == jump || self.step(place) * 2 > self.step(jump));
            return if is_told {
                self.from(jump)
            } else {
                self.untold()
            };
        }
        match self.repeats() {
            Repeats::OnePass => self.by_neighbour(),
            Repeats::From(jump) => self.from(jump),
            Repeats::Sorted => self.sorted(),
            Repeats::Untold => self.untold(),
        }
    }

    fn untold(&self) -> Vec<Told> {
        vec![Told::Disordered; self.rows.len()]
    }

    /// As two passes, the second from a row on.
    fn from(&self, second_from: usize) -> Vec<Told> {
        self.rows
            .iter()
            .enumerate()
            .map(|(place, (_, row))| Told::of(pass(row, place >= second_from)))
            .collect()
    }

    /// As the pass that lies nearer to a neighbour.
    ///
    /// Between two neighbours an hour is missing, somewhere. It lies at the end where the widest
    /// step is; where the rows themselves part as widely, or both ends do, nothing tells.
    fn by_neighbour(&self) -> Vec<Told> {
        let apart = |a: Option<Stamp>, b: Option<Stamp>| Some(b?.micros() - a?.micros());
        let first = self.rows.first().and_then(|(_, row)| pass(row, false));
        let last = self.rows.last().and_then(|(_, row)| pass(row, true));
        let n_rows = self.rows.len();
        match (apart(self.before, first), apart(last, self.after)) {
            (Some(step_in), Some(step_out)) => {
                let (step_in, step_out) = (step_in.abs(), step_out.abs());
                let widest_within = (1..n_rows).map(|place| self.step(place)).max();
                let widest_within = widest_within.unwrap_or(0);
                let widest = step_in.max(step_out).max(widest_within);
                let is_wide = |step: i64| step.saturating_mul(3) >= widest.saturating_mul(2);
                if step_in.min(step_out) > NEIGHBOUR_MICROS {
                    vec![Told::Alone; n_rows]
                } else if is_wide(widest_within) || is_wide(step_in) == is_wide(step_out) {
                    vec![Told::Parted; n_rows]
                } else {
                    self.from(if is_wide(step_in) { 0 } else { n_rows })
                }
            }
            (Some(step), None) if step.abs() <= NEIGHBOUR_MICROS => self.from(n_rows),
            (None, Some(step)) if step.abs() <= NEIGHBOUR_MICROS => self.from(0),
            _ => vec![Told::Alone; n_rows],
        }
    }

    /// As two passes sorted into each other: of each stamp the first row and the second. A stamp
    /// that stands there once may be of either pass.
    fn sorted(&self) -> Vec<Told> {
        self.same_stamps()
            .flat_map(|rows| match rows {
                [(_, first), (_, second)] => {
                    vec![Told::of(pass(first, false)), Told::of(pass(second, true))]
                }
                _ => vec![Told::Disordered; rows.len()],
            })
            .collect()
    }

    fn same_stamps(&self) -> impl Iterator<Item = &[(usize, FoldRow)]> {
        self.rows.chunk_by(|(_, a), (_, b)| a.shows_same(b))
    }

    /// What repeated stamps mean where the clock never steps back.
    ///
    /// A log that writes one row for a stamp shows it once in a pass. Of a single repeated stamp
    /// the gaps decide (hourly logs show 01:00 twice; a repeated row shows it twice too); several
    /// can only come from sorting, for in a log as it was written the clock would step back
    /// between them, unless they are lines that were merely written twice.
    fn repeats(&self) -> Repeats {
        let sizes: Vec<usize> = self.same_stamps().map(<[_]>::len).collect();
        let n_repeated = sizes.iter().filter(|size| **size > 1).count();
        if n_repeated == 0 {
            return Repeats::OnePass;
        }
        if self.n_same_before > 1 {
            let mut sorted = sizes;
            sorted.sort_unstable();
            let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0);
            let usual = usize::try_from(self.n_same_before).unwrap_or(usize::MAX);
            return if middle.saturating_mul(2) <= usual.saturating_mul(3) {
                Repeats::OnePass
            } else {
                Repeats::Untold
            };
        }
        if n_repeated == 1 {
            return self.single_repeat();
        }
        let differ = self.same_stamps().any(|rows| {
            rows.windows(2)
                .any(|pair| matches!(pair, [(_, a), (_, b)] if a.content != b.content))
        });
        match (differ, n_repeated * 2 >= sizes.len()) {
            (false, false) => Repeats::OnePass,
            _ if self.is_backward || self.before.is_none() => Repeats::Untold,
            _ => Repeats::Sorted,
        }
    }

    /// One stamp stands there twice: a jump, if reading it so leaves smaller gaps.
    fn single_repeat(&self) -> Repeats {
        let is_repeated =
            |pair: &[(usize, FoldRow)]| matches!(pair, [(_, a), (_, b)] if a.shows_same(b));
        let Some(repeated) = self.rows.windows(2).position(is_repeated).map(|at| at + 1) else {
            return Repeats::OnePass;
        };
        let gap_of = |second_from: usize| {
            let passes = self
                .rows
                .iter()
                .enumerate()
                .map(|(n, (_, row))| pass(row, n >= second_from));
            let all: Vec<Stamp> = self
                .before
                .into_iter()
                .chain(passes.flatten())
                .chain(self.after)
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
        let as_one = gap_of(0).min(gap_of(self.rows.len()));
        if as_jump < as_one {
            Repeats::From(repeated)
        } else {
            Repeats::OnePass
        }
    }
}

fn pass(row: &FoldRow, second: bool) -> Option<Stamp> {
    match row.time {
        LocalTime::Twice(_, at) if second => Some(at),
        LocalTime::Twice(at, _) | LocalTime::Known(at) => Some(at),
        LocalTime::Never => None,
    }
}
