//! What a written stamp means on the source's clock.

use drydown_quantity::{Day, Stamp};

use super::cell::CellReader;
use crate::source::{Column, Origin};
use crate::stamps::{ElapsedUnit, LocalTime, StampFormat, WrittenStamp};

const MICROS_PER_DAY: i64 = 86_400_000_000;
/// Stamps may lie this far after the load: clocks run ahead, and zones differ.
pub(super) const MAX_AHEAD_MICROS: i64 = MICROS_PER_DAY;

/// When a laboratory wrote its report: from then on it is known.
const REPORTED_AT: &str = "reported_at";

/// A stamp as read: what it means, and what the clock showed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StampFound {
    pub(crate) time: LocalTime,
    pub(crate) local_micros: i64,
}

/// Why a stamp in the hour that spring skips is refused.
pub(crate) const NEVER: &str = "the clock was set forward over this time";

/// Why a key without a date is refused.
pub(super) const NO_DATE: &str = "says that there is no date";

/// Whether a text is how a date is written where there is none: `00/00/00`, `--.--.----`,
/// `0000-00-00 00:00`, `-`, `n/a`. Common practice, no source.
pub(super) fn says_no_date(text: &str) -> bool {
    let is_word = text.eq_ignore_ascii_case("n/a") || text.eq_ignore_ascii_case("n.a.");
    const MARKS: [char; 8] = ['-', '–', '—', '.', '/', ':', '_', ' '];
    let is_empty = || {
        text.chars()
            .all(|c| matches!(c, '0' | 'T' | 'Z') || MARKS.contains(&c))
    };
    is_word || !text.is_empty() && is_empty()
}

impl CellReader<'_> {
    /// What a local time means, where the clock's offset is known to be steady around it.
    pub(super) fn steady_time(&mut self, local_micros: i64) -> Option<LocalTime> {
        if let Some(at) = self.steady.and_then(|steady| steady.to_utc(local_micros)) {
            return Some(LocalTime::Known(at));
        }
        let clock = self.source.clock.as_ref()?;
        self.steady = clock.steady_around(local_micros);
        self.steady?.to_utc(local_micros).map(LocalTime::Known)
    }

    /// A stamp as the source writes it, or as a workbook's date was written out.
    pub(super) fn written(&self, format: &StampFormat, text: &str) -> Option<WrittenStamp> {
        let dated = self.traits.is_workbook.then(|| format.read_dated(text));
        let found = dated.flatten().or_else(|| format.read(text));
        // A serial of a whole day is a day wherever people write days, and midnight in a log.
        let is_log = matches!(self.source.table.name.as_str(), "readings" | "unit_events");
        match found {
            Some(WrittenStamp::Local(micros))
                if !is_log && format.is_serial() && micros.rem_euclid(MICROS_PER_DAY) == 0 =>
            {
                let day = i32::try_from(micros.div_euclid(MICROS_PER_DAY)).ok()?;
                Some(WrittenStamp::Date(Day::from_number(day)))
            }
            found => found,
        }
    }

    /// As [`Self::written`], of a date, behind which a time may stand.
    pub(super) fn written_date(&self, format: &StampFormat, text: &str) -> Option<WrittenStamp> {
        let timed = || format.read_timed(text).map(WrittenStamp::Local);
        self.written(format, text).or_else(timed)
    }

    /// Whether a text says that there is no date, and is none of the format either.
    pub(super) fn has_no_date(&self, format: &StampFormat, text: &str) -> bool {
        says_no_date(text) && self.written(format, text).is_none()
    }

    pub(super) fn stamp(&self, format: &StampFormat, text: &str) -> Result<StampFound, String> {
        match format.elapsed() {
            Some(unit) => self.stamp_after((format, unit), text),
            None => self.stamp_of(format, text),
        }
    }

    /// As [`Self::stamp`], of a cell: in a column of local times a date alone is its midnight.
    pub(super) fn stamp_of_cell(
        &self,
        column: &Column,
        format: &StampFormat,
        text: &str,
    ) -> Result<StampFound, String> {
        let found = self.stamp(format, text);
        // Where date and time stand in two cells, the time is missing, and in a line without delimiters it
        // may have been cut off.
        let may_be_cut = self.source.dialect.widths.is_some() && !self.traits.is_workbook;
        let is_one_cell = !may_be_cut
            && match &column.origin {
                Origin::Header(names) => names.len() == 1,
                _ => true,
            };
        let clock = self.source.clock.as_ref();
        match (found, clock.filter(|_| is_one_cell)) {
            (Err(why), Some(clock)) => match self.other_form(column, format, text) {
                Some(local_micros) => Ok(StampFound {
                    time: clock.to_utc(local_micros),
                    local_micros,
                }),
                None => Err(why),
            },
            (found, _) => found,
        }
    }

    /// A stamp that has not the form of its column's: a day in a log, a time behind a date that is no key.
    fn other_form(&self, column: &Column, format: &StampFormat, text: &str) -> Option<i64> {
        let timed = || format.read_timed(text);
        let is_key = self.source.table.is_key(&column.name);
        format
            .read_midnight(text)
            .or_else(|| timed().filter(|_| !is_key))
    }

    /// What a written stamp means on the source's clock.
    fn stamp_of(&self, format: &StampFormat, text: &str) -> Result<StampFound, String> {
        match self.written(format, text) {
            Some(WrittenStamp::Utc(at)) => Ok(StampFound {
                time: LocalTime::Known(at),
                local_micros: at.micros(),
            }),
            // A date without a time reads as its 00:00 UTC, whatever the zone.
            Some(WrittenStamp::Date(day)) => {
                let at = day.start();
                Ok(StampFound {
                    time: LocalTime::Known(at),
                    local_micros: at.micros(),
                })
            }
            Some(WrittenStamp::Local(local_micros)) => match &self.source.clock {
                Some(clock) => Ok(StampFound {
                    time: clock.to_utc(local_micros),
                    local_micros,
                }),
                None => {
                    Err("the stamp carries no offset and the source has no timezone".to_owned())
                }
            },
            None => Err(format!("expected a time written {}", format.as_str())),
        }
    }

    pub(crate) fn check_ahead(&self, at: Stamp) -> Result<(), String> {
        match self.loaded_at {
            Some(loaded) if at.micros() - loaded.micros() > MAX_AHEAD_MICROS => {
                Err(format!("{at} lies more than a day after the load"))
            }
            _ => Ok(()),
        }
    }

    /// As [`Self::check_ahead`], of a cell: what follows from it is said where it matters.
    pub(super) fn check_cell_ahead(&self, column: &Column, at: Stamp) -> Result<(), String> {
        match column.name.as_str() {
            // The end of a stay may be planned; everything else has happened.
            "to_at" => Ok(()),
            REPORTED_AT => self.check_ahead(at).map_err(|why| {
                let (year, month, day) = at.day().civil();
                let is_month = (1..=12).contains(&day) && day != month;
                let turned = is_month.then(|| format!("{year}-{day:02}-{month:02}"));
                let turned = turned
                    .filter(|text| text.parse().is_ok_and(|at| self.check_ahead(at).is_ok()))
                    .map_or_else(String::new, |text| {
                        format!("; with day and month changed over it is {text}")
                    });
                format!(
                    "{why}: without it the report counts as known when its sample was taken{turned}"
                )
            }),
            _ => self.check_ahead(at),
        }
    }

    /// The last word of the text is the time passed, the others are the stamp it counts from.
    ///
    /// A stopwatch knows nothing of clocks that are set: it counts on from the moment of the start.
    pub(super) fn stamp_after(
        &self,
        (format, unit): (&StampFormat, ElapsedUnit),
        text: &str,
    ) -> Result<StampFound, String> {
        let expected = || {
            format!(
                "expected a time written {} and behind it the time passed in {}",
                format.as_str(),
                unit.as_str()
            )
        };
        let (start, passed) = text.rsplit_once(char::is_whitespace).ok_or_else(expected)?;
        let micros = unit.read(passed, self.source.mark).ok_or_else(expected)?;
        let begun = match self
            .stamp_of(format, start.trim())
            .map_err(|_| expected())?
            .time
        {
            LocalTime::Known(at) => at,
            LocalTime::Never => return Err(NEVER.to_owned()),
            LocalTime::Twice(..) => {
                return Err("the clock showed the hour of the start twice".to_owned());
            }
        };
        let at = Stamp::from_micros(begun.micros() + micros);
        Ok(StampFound {
            time: LocalTime::Known(at),
            local_micros: at.micros(),
        })
    }
}
