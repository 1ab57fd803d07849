//! Lines cut where their columns begin.

use super::block::Block;
use super::dialect::Widths;

/// Cuts a line that begins at `start` of the text where the columns begin; what stands beyond the last
/// width belongs to the last column, and a line that ends early leaves the others empty.
///
/// Unless they are packed, a line in which something stands across the end of a column is one field: a
/// value cut in two would be two other values.
pub(super) fn split_fixed(
    line: &str,
    start: usize,
    (widths, packed): (&Widths, bool),
    block: &mut Block<'_>,
) {
    let ends = column_ends(line, widths);
    let stands_across = |at: &usize| {
        let (left, right) = line.split_at(*at);
        left.ends_with(|c: char| !c.is_whitespace())
            && right.starts_with(|c: char| !c.is_whitespace())
    };
    let inner = ends.split_last().map_or(&[][..], |(_, inner)| inner);
    if !packed && inner.iter().any(stands_across) {
        block.push_field(start, start + line.len());
        return;
    }
    let mut from = 0;
    for end in ends {
        block.push_field(start + from, start + end);
        from = end;
    }
}

/// Where the columns of a line end, in bytes; the last ends with the line.
fn column_ends(line: &str, widths: &Widths) -> Vec<usize> {
    let mut places = line.char_indices().map(|(at, _)| at);
    let mut end = 0;
    let mut ends: Vec<usize> = Vec::with_capacity(widths.len());
    for width in widths.iter() {
        // The place behind the column is that of the first character of the next.
        let skipped = if ends.is_empty() {
            *width
        } else {
            width.saturating_sub(1)
        };
        end = places.nth(skipped).unwrap_or(line.len()).max(end);
        ends.push(end);
    }
    if let Some(last) = ends.last_mut() {
        *last = line.len();
    }
    ends
}
