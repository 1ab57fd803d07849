//! Columns of a text without a delimiter, by the blanks that stand one below the other.

/// Lines that are looked at.
const LINES: usize = 400;
/// Lines before the header, at most.
const MAX_BEFORE: usize = 60;
/// Lines below the header that are needed.
const LEAST_BELOW: usize = 3;

/// A text in columns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct FixedTable {
    /// Widths in characters.
    pub(super) widths: Vec<usize>,
}

/// A stretch of characters that some line fills.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    start: usize,
    end: usize,
}

/// The columns of the text; None where it has none. `is_header` knows a line of names by its cells.
pub(super) fn find_fixed(text: &str, is_header: impl Fn(&[&str]) -> bool) -> Option<FixedTable> {
    let lines: Vec<Vec<char>> = text
        .lines()
        .map(|line| line.trim_end().chars().collect::<Vec<char>>())
        .filter(|line| !line.is_empty())
        .take(LINES)
        .collect();
    (0..lines.len().min(MAX_BEFORE)).find_map(|at| {
        let header = lines.get(at)?;
        // Other lines of the header, and what only rules it off, say nothing of where values stand.
        let below: Vec<&Vec<char>> = lines
            .get(at + 1..)?
            .iter()
            .filter(|line| line.iter().any(char::is_ascii_digit))
            .collect();
        if below.len() < LEAST_BELOW {
            return None;
        }
        if let Some(widths) = by_values(header, &below, &is_header) {
            return Some(FixedTable { widths });
        }
        let stretches = joined(stretches(header, &below), header, &below);
        if stretches.len() < 2 {
            return None;
        }
        let names: Vec<String> = stretches.iter().map(|part| cut(header, *part)).collect();
        let names: Vec<&str> = names.iter().map(|name| name.trim()).collect();
        if !is_header(&names) {
            return None;
        }
        Some(FixedTable {
            widths: widths(&stretches, &below),
        })
    })
}

/// The widths of the columns that the values make, each under words of the header; None where some
/// column has no name, a name no column, or a word stands across an end.
///
/// Names may lie beside their values as far as the next column lets them: a word that stands over no value
/// belongs to the word that is nearer to it.
fn by_values(
    header: &[char],
    below: &[&Vec<char>],
    is_header: impl Fn(&[&str]) -> bool,
) -> Option<Vec<usize>> {
    let values = stretches(&[], below);
    let words = stretches(header, &[]);
    let overlap = |word: &Stretch, value: &Stretch| {
        word.end
            .min(value.end)
            .saturating_sub(word.start.max(value.start))
    };
    let mut over: Vec<Option<usize>> = words
        .iter()
        .map(|word| {
            let best = (0..values.len())
                .rev()
                .max_by_key(|at| values.get(*at).map(|value| overlap(word, value)))?;
            (overlap(word, values.get(best)?) > 0).then_some(best)
        })
        .collect();
    // From both sides towards the words that stand over values.
    let gap = |left: usize, right: usize| -> Option<usize> {
        Some(words.get(right)?.start - words.get(left)?.end)
    };
    let is_left = |at: usize| match (
        at.checked_sub(1).and_then(|left| gap(left, at)),
        gap(at, at + 1),
    ) {
        (Some(left), Some(right)) => left < right,
        (left, _) => left.is_some(),
    };
    for at in 0..words.len() {
        if over.get(at)?.is_none() && is_left(at) {
            *over.get_mut(at)? = over.get(at.checked_sub(1)?).copied().flatten();
        }
    }
    for at in (0..words.len()).rev() {
        if over.get(at)?.is_none() && !is_left(at) {
            *over.get_mut(at)? = over.get(at + 1).copied().flatten();
        }
    }
    // Values under one name, or beside it under none, are one column: date and time, words of a text.
    let mut columns: Vec<(Stretch, Option<Stretch>)> = Vec::new();
    for (at, value) in values.iter().enumerate() {
        let mut own = words
            .iter()
            .zip(&over)
            .filter(|(_, over)| **over == Some(at));
        let name = own.next().map(|(first, _)| Stretch {
            start: first.start,
            end: own.next_back().map_or(first.end, |(last, _)| last.end),
        });
        match columns.last_mut() {
            Some((last, known))
                if value.start == last.end + 1 && (name.is_none() || known.is_none()) =>
            {
                last.end = value.end;
                *known = known.or(name);
            }
            _ => columns.push((*value, name)),
        }
    }
    if columns.len() < 2 || over.iter().any(Option::is_none) {
        return None;
    }
    let mut whole = Vec::with_capacity(columns.len());
    for (value, name) in &columns {
        let name = (*name)?;
        whole.push(Stretch {
            start: value.start.min(name.start),
            end: value.end.max(name.end),
        });
    }
    if whole
        .windows(2)
        .any(|pair| matches!(pair, [left, right] if left.end > right.start))
    {
        return None;
    }
    let names: Vec<String> = whole.iter().map(|part| cut(header, *part)).collect();
    let names: Vec<&str> = names.iter().map(|name| name.trim()).collect();
    is_header(&names).then(|| widths(&whole, below))
}

fn cut(line: &[char], part: Stretch) -> String {
    line.iter()
        .skip(part.start)
        .take(part.end.saturating_sub(part.start))
        .collect()
}

/// What lies between the places that are blank in the header and in nearly all lines below it.
fn stretches(header: &[char], below: &[&Vec<char>]) -> Vec<Stretch> {
    let n_columns = below.iter().map(|line| line.len()).max().unwrap_or(0);
    let n_columns = n_columns.max(header.len());
    let is_blank = |line: &[char], at: usize| line.get(at).is_none_or(|c| *c == ' ');
    let mut out: Vec<Stretch> = Vec::new();
    for at in 0..n_columns {
        let n_filled = below.iter().filter(|line| !is_blank(line, at)).count();
        if is_blank(header, at) && n_filled * 40 <= below.len() {
            continue;
        }
        match out.last_mut() {
            Some(last) if last.end == at => last.end = at + 1,
            _ => out.push(Stretch {
                start: at,
                end: at + 1,
            }),
        }
    }
    out
}

/// Joins stretches that one blank parts unless both have a name and values: date and time of a stamp
/// under one name, the words of a name over narrow values.
fn joined(stretches: Vec<Stretch>, header: &[char], below: &[&Vec<char>]) -> Vec<Stretch> {
    let is_whole = |part: &Stretch| {
        let holds = |line: &[char]| !cut(line, *part).trim().is_empty();
        holds(header) && below.iter().any(|line| holds(line))
    };
    let mut out: Vec<Stretch> = Vec::new();
    for part in stretches {
        match out.last_mut() {
            Some(last) if part.start == last.end + 1 && !(is_whole(last) && is_whole(&part)) => {
                last.end = part.end;
            }
            _ => out.push(part),
        }
    }
    out
}

/// The width of each column with the blanks that belong to it: numbers that end at one place grow to the
/// left, all others to the right.
fn widths(stretches: &[Stretch], below: &[&Vec<char>]) -> Vec<usize> {
    let ends_alike = |part: &Stretch| {
        below.iter().all(|line| {
            let cell = cut(line, *part);
            cell.trim().is_empty()
                || (cell.chars().count() == part.end - part.start && !cell.ends_with(' '))
        })
    };
    let mut ends: Vec<usize> = stretches
        .windows(2)
        .map(|pair| match pair {
            [left, right] => match (ends_alike(left), ends_alike(right)) {
                (_, false) => right.start,
                (true, true) => left.end,
                (false, true) => left.end + 1,
            },
            _ => 0,
        })
        .collect();
    ends.extend(stretches.last().map(|last| last.end));
    let mut from = 0;
    ends.into_iter()
        .map(|end| {
            let width = end.saturating_sub(from);
            from = end;
            width
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_by_their_blanks() {
        let is_header =
            |cells: &[&str]| cells.iter().all(|c| c.chars().all(|c| !c.is_ascii_digit()));
        let cases: &[(&str, &str, Option<&[usize]>)] = &[
            (
                "left",
                "Time              Flow  Alarm\n2026-03-01 10:00  60.5  low\n2026-03-01 10:10  61    \n2026-03-01 10:20  101.5 high\n",
                Some(&[18, 6, 5]),
            ),
            (
                "right, below a title",
                "Report\n\n            Time    Flow   Water\n2026-03-01 10:00    60.5      12\n2026-03-01 10:10    61.5     112\n2026-03-01 10:20   101.5      90\n",
                Some(&[16, 8, 8]),
            ),
            (
                "ruled off",
                "Unit  Flow\n----  -----\nU-1   60.5\nU-2   61.5\nU-3   6.5\n",
                Some(&[6, 4]),
            ),
            (
                "names of several words over narrow values",
                "Time              Oil in °C  Water ppm\n2026-03-01 10:00         60         12\n2026-03-01 10:10         61         13\n2026-03-01 10:20         62         14\n",
                Some(&[16, 11, 11]),
            ),
            (
                "names beside their values",
                "Time             Oil in °C  Vac mbar Flow L/min\n01.03.2026 10:00       50.0      80.0       40.0\n01.03.2026 10:01       51.0      81.0       41.0\n01.03.2026 10:02       52.0      82.0       42.0\n",
                Some(&[16, 11, 10, 11]),
            ),
            (
                "one blank between all columns",
                "Date      Time     Oil in Vacuum  Flow Alarm\n                       °C    kPa L/min\n01.03.2026 10:00:00   50.0  -80.0  40.0 low oil\n01.03.2026 10:01:00   51.0  -79.0  41.0\n01.03.2026 10:02:00   52.0  -78.0  42.0 low oil\n",
                Some(&[10, 9, 7, 7, 6, 8]),
            ),
            ("one column", "Flow\n60\n61\n62\n", None),
            (
                "no numbers",
                "Some words that\nmake no table at all\nwhatever one\nlooks for in them\n",
                None,
            ),
            ("nothing", "", None),
        ];
        for (name, text, expected) in cases {
            let found = find_fixed(text, is_header).map(|table| table.widths);
            assert_eq!(found.as_deref(), *expected, "{name}");
        }
    }
}
