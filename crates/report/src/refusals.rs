//! Reasons of rejects, grouped by kind: the same complaint about another value is the same kind.

/// One kind of reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Refusal {
    /// The kind, in words.
    pub(crate) kind: String,
    /// Entries of that kind.
    pub(crate) n: i64,
    /// Distinct full texts.
    pub(crate) n_texts: usize,
    /// The most frequent full text.
    pub(crate) example: String,
}

/// Groups full texts and their counts (most first) by kind, most entries first.
pub(crate) fn to_kinds(reasons: &[(String, i64)]) -> Vec<Refusal> {
    let mut kinds: Vec<Refusal> = Vec::new();
    for (text, n) in reasons {
        let kind = kind(text);
        match kinds.iter_mut().find(|row| row.kind == kind) {
            Some(row) => {
                row.n += n;
                row.n_texts += 1;
            }
            None => kinds.push(Refusal {
                kind,
                n: *n,
                n_texts: 1,
                example: text.clone(),
            }),
        }
    }
    kinds.sort_by(|a, b| b.n.cmp(&a.n).then_with(|| a.kind.cmp(&b.kind)));
    kinds
}

/// The text without what differs from row to row: the column and the value it begins with, what
/// is quoted, and numbers.
fn kind(text: &str) -> String {
    let complaint = without_place(text);
    for (part, kind) in [
        (
            "lies more than a day after the load",
            "a time after the load",
        ),
        ("lies outside", ""),
        (
            "fields, expected",
            "another number of fields than the header has",
        ),
    ] {
        if let Some((_, bounds)) = complaint.split_once(part) {
            return if kind.is_empty() {
                format!("a value outside what is possible ({})", bounds.trim())
            } else {
                kind.to_owned()
            };
        }
    }
    let kind = without_numbers(&without_quotes(complaint));
    if kind.trim().is_empty() {
        text.to_owned()
    } else {
        kind
    }
}

/// Drops a leading `column "…": ` and `found "…": `, as often as they stand there.
fn without_place(text: &str) -> &str {
    let mut rest = text;
    while let Some(tail) = ["column \"", "found \""]
        .iter()
        .find_map(|start| rest.strip_prefix(start))
        .and_then(|tail| tail.split_once("\": "))
    {
        rest = tail.1;
    }
    rest
}

fn without_quotes(text: &str) -> String {
    let parts: Vec<&str> = text.split('"').collect();
    if parts.len().is_multiple_of(2) {
        return text.to_owned();
    }
    parts
        .iter()
        .enumerate()
        .map(|(idx, part)| match idx % 2 {
            1 => "\"…\"",
            _ => part,
        })
        .collect()
}

/// Numbers, and what hangs together with them (`2036-04-08T20:21:12Z`), become one `…`.
fn without_numbers(text: &str) -> String {
    text.split(' ')
        .map(|word| {
            if word.chars().any(|c| c.is_ascii_digit()) {
                "…"
            } else {
                word
            }
        })
        .collect::<Vec<_>>()
        .join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_what_does_not_differ_from_row_to_row() {
        for (text, expected) in [
            (
                "column \"Oil in\": found \"-459.4\": -273 Cel lies outside -40…200",
                "a value outside what is possible (-40…200)",
            ),
            (
                "-6 L/min lies outside ≥ 0",
                "a value outside what is possible (≥ 0)",
            ),
            (
                "2036-04-08T20:21:12Z lies more than a day after the load",
                "a time after the load",
            ),
            (
                "found 9 fields, expected 23",
                "another number of fields than the header has",
            ),
            ("the quality is \"Bad\"", "the quality is \"…\""),
            (
                "column \"Sampled\": found \"2025-11-02 01:51\": the clock showed this hour twice",
                "the clock showed this hour twice",
            ),
            ("the header again", "the header again"),
            ("an odd \" quote of 3", "an odd \" quote of …"),
            ("", ""),
        ] {
            assert_eq!(kind(text), expected);
        }
    }

    #[test]
    fn no_entry_is_lost_by_grouping() {
        let reasons = [
            ("the quality is \"Bad\"".to_owned(), 573),
            ("the quality is \"0\"".to_owned(), 484),
            ("the header again".to_owned(), 354),
            ("found 9 fields, expected 23".to_owned(), 12),
        ];
        let kinds = to_kinds(&reasons);
        assert_eq!(
            kinds.iter().map(|row| row.n).sum::<i64>(),
            reasons.iter().map(|(_, n)| n).sum::<i64>()
        );
        let first = kinds.first().unwrap();
        assert_eq!((first.n, first.n_texts), (1057, 2));
        assert_eq!(first.example, "the quality is \"Bad\"");
    }
}
