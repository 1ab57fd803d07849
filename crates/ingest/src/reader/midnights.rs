//! Times of day whose day was told further up, or by the file: how often midnight passed since.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;

use super::stamp::StampFound;
use crate::stamps::{Clock, LocalTime};

const MICROS_PER_DAY: i64 = 86_400_000_000;

/// Why records after a restart of the count are refused.
pub(super) const RESTARTED: &str = "the time passed jumps back: it counts from a second start, which the file does not tell; cut the file in two there";

/// What a series of stamps without a day of their own has come through.
#[derive(Clone, Copy, Debug)]
pub(super) struct Midnights {
    passed: i64,
    /// The last local time, with the days that passed.
    last_micros: i64,
    count: Option<Count>,
}

/// How far a time passed since a start has come.
#[derive(Clone, Copy, Debug)]
struct Count {
    first_micros: i64,
    most_micros: i64,
    is_over: bool,
}

/// By series: how often its clock passed midnight since its day was told.
#[derive(Debug, Default)]
pub(super) struct AllMidnights(pub(super) BTreeMap<u64, Midnights>);

impl AllMidnights {
    /// The day is told.
    pub(super) fn begin(&mut self, series: u64, last_micros: i64) {
        let stated = Midnights {
            passed: 0,
            last_micros,
            count: None,
        };
        self.0.insert(series, stated);
    }

    /// Whether a stamp counted from one start goes on: it does not once it has come and jumps back over
    /// more than half of its way. A list with the newest row first never came.
    pub(super) fn goes_on(&mut self, series: u64, micros: i64) -> bool {
        let first = Midnights {
            passed: 0,
            last_micros: micros,
            count: None,
        };
        let midnights = self.0.entry(series).or_insert(first);
        let count = midnights.count.get_or_insert(Count {
            first_micros: micros,
            most_micros: micros,
            is_over: false,
        });
        let way = count.most_micros - count.first_micros;
        count.is_over |= way > 0 && (count.most_micros - micros) * 2 > way;
        count.most_micros = count.most_micros.max(micros);
        !count.is_over
    }

    /// Moves a stamp by the midnights that its series has passed: the clock of a line jumps back by
    /// more than half a day.
    pub(super) fn count(&mut self, series: u64, found: &mut StampFound, clock: Option<&Clock>) {
        let first = Midnights {
            passed: 0,
            last_micros: found.local_micros,
            count: None,
        };
        let midnights = self.0.entry(series).or_insert(first);
        let mut local = found.local_micros + midnights.passed * MICROS_PER_DAY;
        if local + MICROS_PER_DAY / 2 < midnights.last_micros {
            midnights.passed += 1;
            local += MICROS_PER_DAY;
        }
        midnights.last_micros = local;
        let shift = local - found.local_micros;
        if shift == 0 {
            return;
        }
        found.time = match (found.time, clock) {
            (LocalTime::Known(at), _) if at.micros() == found.local_micros => {
                LocalTime::Known(Stamp::from_micros(local))
            }
            (_, Some(clock)) => clock.to_utc(local),
            (time, None) => time,
        };
        found.local_micros = local;
    }
}
