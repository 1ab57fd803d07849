//! The decimal mark of a file, by its numbers.

use super::shape::Shape;
use crate::cells::DecimalMark;

/// The decimal mark, and whether the cells leave it open.
pub(super) fn decimal_mark(shape: &Shape) -> (DecimalMark, bool) {
    if let Some(mark) = shape.mark {
        return (mark, false);
    }
    let (mut point, mut comma, mut open_point, mut open_comma) =
        (0_usize, 0_usize, 0_usize, 0_usize);
    for cell in shape.rows.iter().flatten() {
        let body = cell.trim_start_matches(['-', '+']);
        if body.is_empty()
            || !body
                .bytes()
                .all(|b| b.is_ascii_digit() || b == b'.' || b == b',')
        {
            continue;
        }
        match (body.matches('.').count(), body.matches(',').count()) {
            // Three digits behind the only mark may be thousands.
            (1, 0) if is_group(body, '.') => open_point += 1,
            (0, 1) if is_group(body, ',') => open_comma += 1,
            (1, 0) => point += 1,
            (0, 1) => comma += 1,
            (dots, commas) if dots > 0 && commas > 0 => {
                if body.rfind(',') > body.rfind('.') {
                    comma += 1;
                } else {
                    point += 1;
                }
            }
            _ => {}
        }
    }
    if point + comma > 0 {
        let mark = if comma > point {
            DecimalMark::Comma
        } else {
            DecimalMark::Point
        };
        return (mark, point.min(comma) * 20 > point.max(comma));
    }
    if open_comma > open_point && shape.delimiter != b',' {
        return (DecimalMark::Comma, true);
    }
    (DecimalMark::Point, open_point > 0)
}

/// Cells that are digits around one such mark.
pub(super) fn n_decimals(rows: &[Vec<String>], mark: char) -> usize {
    let is_decimal = |cell: &&String| {
        cell.trim_start_matches('-')
            .split_once(mark)
            .is_some_and(|(whole, rest)| {
                let digits =
                    |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
                digits(whole) && digits(rest)
            })
    };
    rows.iter().flatten().filter(is_decimal).count()
}

fn is_group(body: &str, mark: char) -> bool {
    body.split_once(mark).is_some_and(|(whole, rest)| {
        rest.len() == 3 && (1..=3).contains(&whole.len()) && !whole.starts_with('0')
    })
}
