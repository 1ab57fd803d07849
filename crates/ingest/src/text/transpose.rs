//! A sheet whose records stand side by side, turned so that they stand below each other.
//!
//! Column after column becomes a line, so that a line's number is the number of the column. A break
//! inside a cell becomes a blank: every line is one record. An empty column becomes an empty line, but
//! among the columns of names, which are counted as they stand.

use super::block::Block;
use super::decode::TextError;
use super::dialect::Dialect;
use super::records::Records;

/// Records taken at a time.
const BLOCK_RECORDS: usize = 256;

/// The text turned, from behind `skip_lines` of its lines; it is read with the delimiter alone. The
/// first `n_names` columns from the first that is not empty hold names.
///
/// # Errors
/// A text that would be longer than `limit` bytes.
pub(crate) fn to_transposed(
    text: &str,
    dialect: &Dialect,
    (skip_lines, n_names): (u64, usize),
    limit: usize,
) -> Result<String, TextError> {
    let mut records = Records::new(text, dialect);
    records.skip_lines(skip_lines);
    let mut block = Block::default();
    let mut lines: Vec<String> = Vec::new();
    let (mut n_rows, mut n_bytes) = (0_usize, 0_usize);
    let delimiter = char::from(dialect.delimiter);
    while records.read(&mut block, BLOCK_RECORDS) {
        for record in block.records() {
            let n_before = lines.len();
            n_bytes += record.raw().len() + n_before.max(record.n_fields());
            // The lines that begin here lack a delimiter for each row above.
            n_bytes += record.n_fields().saturating_sub(n_before) * n_rows;
            if n_bytes > limit {
                return Err(TextError::TooLong { limit });
            }
            while lines.len() < record.n_fields() {
                lines.push(delimiter.to_string().repeat(n_rows.saturating_sub(1)));
            }
            for (at, line) in lines.iter_mut().enumerate() {
                if n_rows > 0 {
                    line.push(delimiter);
                }
                push_cell(record.get(at).unwrap_or(""), delimiter, line);
            }
            n_rows += 1;
        }
    }
    let mut out = String::with_capacity(n_bytes);
    let mut n_named = 0;
    for line in lines {
        let is_empty = line.chars().all(|c| c == delimiter);
        // A line of blanks alone would be passed over.
        if is_empty && (1..n_names).contains(&n_named) {
            out.push_str("\"\"");
        }
        if !is_empty || (1..n_names).contains(&n_named) {
            out.push_str(&line);
            n_named += 1;
        }
        out.push('\n');
    }
    Ok(out)
}

/// Writes a cell so that it reads back, its line breaks apart.
pub(super) fn push_cell(cell: &str, delimiter: char, line: &mut String) {
    if !cell.contains([delimiter, '"', '\n', '\r']) {
        line.push_str(cell);
        return;
    }
    line.push('"');
    for c in cell.chars() {
        match c {
            '\n' | '\r' => line.push(' '),
            '"' => line.push_str("\"\""),
            c => line.push(c),
        }
    }
    line.push('"');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_become_lines() {
        let cases = [
            ("plain", "a,b,c\n1,2,3\n", "a,1\nb,2\nc,3\n"),
            (
                "short and long records",
                "a\n1,2\n\n,,3\n",
                "a,1,\n,2,\n,,3\n",
            ),
            ("an empty column", "a,,b\n1,,2\n", "a,1\n\nb,2\n"),
            (
                "quoted",
                "\"a,b\",\"c\n\"\"d\"\"\"\n1,2\n",
                "\"a,b\",1\n\"c \"\"d\"\"\",2\n",
            ),
            ("nothing", "", ""),
        ];
        for (name, text, expected) in cases {
            let found = to_transposed(text, &Dialect::from(b','), (0, 1), 1 << 10).unwrap();
            assert_eq!(found, expected, "{name}");
        }
        let turned = |text: &str, before: (u64, usize)| {
            to_transposed(text, &Dialect::from(b','), before, 1 << 10).unwrap()
        };
        assert_eq!(turned("title\na,1\n", (1, 1)), "a\n1\n");
        // The second column of names is empty, and so is what stands before the first.
        assert_eq!(turned(",a,,1\n,b,,2\n", (0, 2)), "\na,b\n\"\",\n1,2\n");
        assert_eq!(turned("a,,,1\n", (0, 3)), "a\n\"\"\n\"\"\n1\n");
    }

    #[test]
    fn a_text_that_would_grow_too_long_is_refused() {
        let text = format!("{}\n{}", ",".repeat(1000), "a\n".repeat(1000));
        let found = to_transposed(&text, &Dialect::from(b','), (0, 1), 1 << 16);
        assert!(matches!(found, Err(TextError::TooLong { .. })), "{found:?}");
    }

    proptest::proptest! {
        /// Turned twice, a full rectangle of cells is itself again.
        #[test]
        fn twice_is_nothing(
            n_columns in 1_usize..6,
            cells in proptest::collection::vec("[a-c,\"é]{1,4}", 1..30),
        ) {
            let dialect = Dialect::from(b',');
            let mut text = String::new();
            for row in cells.chunks_exact(n_columns) {
                for (at, cell) in row.iter().enumerate() {
                    if at > 0 {
                        text.push(',');
                    }
                    push_cell(cell, ',', &mut text);
                }
                text.push('\n');
            }
            let once = to_transposed(&text, &dialect, (0, 1), 1 << 16).unwrap();
            let again = to_transposed(&once, &dialect, (0, 1), 1 << 16).unwrap();
            proptest::prop_assert_eq!(again, text);
        }
    }
}
