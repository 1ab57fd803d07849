//! Which of several formats that read the same stamps is meant, and how sure that is.

use std::collections::BTreeSet;

use drydown_quantity::Day;

use super::super::order::Order;
use super::Context;
use crate::cells::DecimalMark;
use crate::stamps::{StampFormat, WrittenStamp};

/// Which field the date begins with.
pub(super) fn first_field(format: &str) -> char {
    format
        .split('%')
        .filter_map(|part| part.chars().next())
        .find(|c| matches!(c, 'Y' | 'y' | 'm' | 'd' | 'b'))
        .unwrap_or(' ')
}

/// What speaks for a clock of twelve hours that does not say which half of the day it shows.
pub(super) fn half_a_day(format: &StampFormat, tried: &[&str]) -> Option<String> {
    const MICROS_OF_HOUR: i64 = 3_600_000_000;
    if !format.as_str().contains("%H") {
        return None;
    }
    let locals: Vec<i64> = tried
        .iter()
        .filter_map(|cell| match format.read(cell)? {
            WrittenStamp::Local(micros) => Some(micros),
            _ => None,
        })
        .collect();
    let hours: BTreeSet<i64> = locals
        .iter()
        .map(|micros| micros.rem_euclid(24 * MICROS_OF_HOUR) / MICROS_OF_HOUR)
        .collect();
    let goes_back = locals
        .windows(2)
        .any(|pair| matches!(pair, [a, b] if b < a));
    let is_half = hours.iter().all(|hour| (1..=12).contains(hour));
    (is_half && goes_back && hours.len() >= 6 && hours.contains(&12)).then(|| {
        "check: no hour is above 12 or 0, and the times jump back: a clock of twelve hours that does not say which half of the day it shows cannot be read".to_owned()
    })
}

/// The likeliest of the formats, why where another reads as much, and whether that is a guess.
pub(super) fn choose<'f>(
    fitting: &'f [(StampFormat, Vec<WrittenStamp>)],
    filled: &[&str],
    context: &Context,
) -> Option<(&'f StampFormat, Option<String>, bool)> {
    let (first, _) = fitting.first()?;
    let of = |field: char| {
        fitting
            .iter()
            .find(|(format, _)| first_field(format.as_str()) == field)
    };
    if let Some(chosen) = year_or_not(fitting) {
        return Some(chosen);
    }
    let (Some((day, day_read)), Some((month, month_read))) = (of('d'), of('m')) else {
        return Some((first, None, false));
    };
    if day_read == month_read {
        return Some((first, None, false));
    }
    let other = |chosen: &StampFormat| {
        if chosen == day {
            month.as_str()
        } else {
            day.as_str()
        }
        .to_owned()
    };
    let told = |chosen: &'f StampFormat, why: &str| {
        let note = format!(
            "check: {} reads them too, day and month cannot be told apart; {why}",
            other(chosen)
        );
        Some((chosen, Some(note), false))
    };
    let guessed = |chosen: &'f StampFormat, why: &str| {
        let (chosen, note, _) = told(chosen, why)?;
        Some((chosen, note, true))
    };
    let ordered = |order: &Order| match order.is_day_first {
        true => told(day, &format!("day first {}", order.why)),
        false => told(month, &format!("month first {}", order.why)),
    };
    match context.is_day_first {
        Some(true) => return told(day, "day first because another column can only be read so"),
        Some(false) => {
            return told(
                month,
                "month first because another column can only be read so",
            );
        }
        None => {}
    }
    if let Some(order) = context.order.as_ref().filter(|order| order.is_sure) {
        return ordered(order);
    }
    let (day_order, month_order) = (disorder(day_read), disorder(month_read));
    if day_order != month_order && (context.is_log || day_order.0 != month_order.0) {
        return if day_order < month_order {
            told(
                day,
                "day first because the rows then follow each other more closely",
            )
        } else {
            told(
                month,
                "month first because the rows then follow each other more closely",
            )
        };
    }
    if let Some(order) = &context.order {
        return ordered(order);
    }
    let (is_day_first, why, is_guess) = by_habit(filled, context, day);
    let chosen = if is_day_first { day } else { month };
    match is_guess {
        true => guessed(chosen, why),
        false => told(chosen, why),
    }
}

/// Whether the day comes first, by how such files are written; why, and whether that is a guess.
fn by_habit(filled: &[&str], context: &Context, day: &StampFormat) -> (bool, &'static str, bool) {
    if context.mark == DecimalMark::Comma {
        return (true, "day first because of the decimal comma", false);
    }
    if context.delimiter == b';' {
        return (true, "day first because of the delimiter", false);
    }
    if filled
        .iter()
        .any(|cell| cell.contains('.') && !cell.contains('/'))
    {
        return (true, "day first because of the points", false);
    }
    if context.is_us {
        return (false, "month first because the file has US units", false);
    }
    // AM and PM are written where the month comes first, and in Australia and India as well.
    match (context.is_metric, day.as_str().contains("%p")) {
        (true, true) => (
            true,
            "day first because the file has metric units, and AM and PM speak against it",
            true,
        ),
        (true, false) => (true, "day first because the file has metric units", true),
        (false, true) => (false, "month first because of AM and PM", true),
        (false, false) => (true, "day first is only a guess", true),
    }
}

/// As [`choose`], where a year of two digits may stand before or behind; None where none does.
fn year_or_not(
    fitting: &[(StampFormat, Vec<WrittenStamp>)],
) -> Option<(&StampFormat, Option<String>, bool)> {
    let is_year = |format: &StampFormat| first_field(format.as_str()) == 'y';
    let (year, year_read) = fitting.iter().find(|(format, _)| is_year(format))?;
    let others = fitting
        .iter()
        .filter(|(format, read)| !is_year(format) && read != year_read);
    let Some((other, other_read)) = others.min_by_key(|(_, read)| disorder(read)) else {
        return Some((year, None, false));
    };
    let (own, theirs) = (disorder(year_read), disorder(other_read));
    let (chosen, left) = if own < theirs {
        (year, other)
    } else {
        (other, year)
    };
    let note = format!(
        "check: {} reads them too; {} because the rows then follow each other more closely",
        left.as_str(),
        chosen.as_str()
    );
    // Two orders of day and month are weighed against each other further on.
    let n_others = fitting
        .iter()
        .filter(|(format, _)| !is_year(format))
        .count();
    (own < theirs || n_others == 1).then_some((chosen, Some(note), own == theirs))
}

/// Steps back, and the longest step forward in days: a log has few and short ones.
fn disorder(read: &[WrittenStamp]) -> (usize, i64) {
    let days: Vec<i64> = read.iter().map(day_of).collect();
    let steps = || {
        days.windows(2)
            .filter_map(|pair| Some(pair.get(1)? - pair.first()?))
    };
    (
        steps().filter(|step| *step < 0).count(),
        steps().max().unwrap_or(0),
    )
}

fn day_of(stamp: &WrittenStamp) -> i64 {
    const MICROS_OF_DAY: i64 = 86_400_000_000;
    let start_of = |day: &Day| day.start().micros();
    match stamp {
        WrittenStamp::Utc(stamp) => stamp.micros().div_euclid(MICROS_OF_DAY),
        WrittenStamp::Date(day) => start_of(day).div_euclid(MICROS_OF_DAY),
        WrittenStamp::Local(micros) => micros.div_euclid(MICROS_OF_DAY),
    }
}
