//! Whether what stands between two quotes is a text of several lines, or records between two strays.

/// Whether the lines of a text from the first of two quotes to the last look like records, one like the
/// other: as many delimiters in each, and first fields of one form. A remark may begin with an inch mark,
/// and rows further down another may end in one.
///
/// `start` is where the record begins, which may have been taken out of its file.
pub(super) fn holds_records(
    text: &str,
    (start, open, close): (usize, usize, usize),
    delimiter: u8,
) -> bool {
    let before = text.get(start..open).unwrap_or("");
    let start = before.rfind('\n').map_or(start, |at| start + at + 1);
    let end = text
        .get(close..)
        .and_then(|behind| behind.find('\n'))
        .map_or(text.len(), |at| close + at);
    let mut lines = text.get(start..end).unwrap_or("").lines();
    let Some(first) = lines.next() else {
        return false;
    };
    let form = Form::of(first, delimiter);
    form.n_delimiters >= 2 && lines.all(|line| Form::of(line, delimiter) == form)
}

/// How a line looks as a record.
#[derive(PartialEq)]
struct Form {
    n_delimiters: usize,
    /// The first field with every digit as one, and every letter.
    first: String,
}

impl Form {
    fn of(line: &str, delimiter: u8) -> Self {
        let first = line.split(char::from(delimiter)).next().unwrap_or("");
        let class = |c: char| match c {
            c if c.is_ascii_digit() => '0',
            c if c.is_alphabetic() => 'a',
            c => c,
        };
        Self {
            n_delimiters: memchr::memchr_iter(delimiter, line.as_bytes()).count(),
            first: first.trim().chars().map(class).collect(),
        }
    }
}
