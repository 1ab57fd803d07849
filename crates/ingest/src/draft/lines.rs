//! Lines of a header beyond its first: units, second names, rules.

use crate::cells::{DecimalMark, parse_number};

/// Lines of a header at most, beyond the first.
const MAX_MORE: usize = 3;

/// How many of the records below the header belong to it; `below` are those and some of the rows.
pub(super) fn n_more_lines(header: &[String], below: &[Vec<String>]) -> usize {
    let mut n = 0;
    while n < MAX_MORE {
        let Some(line) = below.get(n) else { break };
        let rows = below.get(n + 1..).unwrap_or(&[]);
        if line.len() != header.len()
            || !(is_ruled(line) || is_unit_row(line) || is_names(line, rows))
        {
            break;
        }
        n += 1;
    }
    n
}

/// Nothing but strokes.
fn is_ruled(line: &[String]) -> bool {
    let is_rule = |cell: &String| cell.chars().all(|c| matches!(c, '-' | '=' | '_' | '+'));
    line.iter().all(is_rule) && line.iter().any(|cell| cell.len() >= 2)
}

/// A row under the header that holds units: most of what it holds is one.
pub(super) fn is_unit_row(line: &[String]) -> bool {
    let stripped = |field: &String| {
        field
            .trim_matches(['(', ')', '[', ']', '-', ' '])
            .to_owned()
    };
    let filled: Vec<String> = line
        .iter()
        .map(stripped)
        .filter(|field| !field.is_empty())
        .collect();
    let units = filled
        .iter()
        .filter(|field| {
            parse_number(field, DecimalMark::Point).is_none()
                && super::head::unit_of(field).is_some()
        })
        .count();
    units >= 2 && units * 10 >= filled.len() * 6
}

/// Digits that more than letters part.
fn is_time(cell: &str) -> bool {
    let n_digits = cell.chars().filter(char::is_ascii_digit).count();
    let n_letters = cell.chars().filter(|c| c.is_alphabetic()).count();
    n_digits >= 3 && n_letters <= n_digits && cell.contains(['-', '/', '.', ':', ' '])
}

/// Words where the rows below hold numbers and times.
fn is_names(line: &[String], rows: &[Vec<String>]) -> bool {
    let is_value = |cell: &str| {
        [DecimalMark::Point, DecimalMark::Comma]
            .into_iter()
            .any(|mark| parse_number(cell, mark).is_some())
            || is_time(cell)
    };
    let filled: Vec<usize> = line
        .iter()
        .enumerate()
        .filter(|(_, cell)| !cell.is_empty())
        .map(|(at, _)| at)
        .collect();
    if filled.len() < 2
        || filled
            .iter()
            .any(|at| line.get(*at).is_some_and(|cell| is_value(cell)))
    {
        return false;
    }
    // A line of names may follow, of words too: what stands further down decides.
    let rows: Vec<&Vec<String>> = rows.iter().filter(|row| row.len() == line.len()).collect();
    let n_rows = rows.len().min(12);
    let of_last = rows
        .iter()
        .rev()
        .take(n_rows.saturating_sub(MAX_MORE).max(2));
    let cells: Vec<&str> = of_last
        .flat_map(|row| filled.iter().filter_map(|at| row.get(*at)))
        .map(String::as_str)
        .filter(|cell| !cell.is_empty())
        .collect();
    let n_values = cells.iter().filter(|cell| is_value(cell)).count();
    !cells.is_empty() && n_values * 10 >= cells.len() * 8
}

#[cfg(test)]
mod tests {
    use super::*;

    fn n(text: &str) -> usize {
        let mut lines: Vec<Vec<String>> = text
            .lines()
            .map(|line| line.split(',').map(str::to_owned).collect())
            .collect();
        let header = lines.remove(0);
        n_more_lines(&header, &lines)
    }

    #[test]
    fn lines_of_a_header() {
        let cases = [
            (
                "one",
                "Time,Flow,Water\n10:00,60,12\n10:10,61,13\n10:20,62,14",
                0,
            ),
            (
                "units",
                "Time,Flow,Water\n,L/min,ppm\n10:00,60,12\n10:10,61,13",
                1,
            ),
            (
                "ruled",
                "Time,Flow,Water\n----,-----,-----\n10:00,60,12\n10:10,61,13",
                1,
            ),
            (
                "names",
                "Time,Oil,,Flow\n,in,out,\n10:00,60,61,12\n10:10,61,62,13\n10:20,62,63,14",
                1,
            ),
            (
                "names and units",
                "Time,Oil,,Flow\n,in,out,\n,°C,°C,L/min\n10:00,60,61,12\n10:10,61,62,13\n10:20,62,63,14",
                2,
            ),
            (
                "words all along",
                "Unit,State,Alarm\nU-1,on,low\nU-2,off,\nU-3,on,high",
                0,
            ),
            ("one row", "Unit,State\nU-1,on", 0),
        ];
        for (name, text, expected) in cases {
            assert_eq!(n(text), expected, "{name}");
        }
    }
}
