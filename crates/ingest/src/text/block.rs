//! Some records of a text: where each of them and its fields stand.
//!
//! A column is quickest read down many rows, so records are taken many at a time; nothing is copied
//! but fields whose quotes were doubled.

use super::fill::{FillDown, Last};

/// Records read at once.
#[derive(Debug, Default)]
pub(crate) struct Block<'t> {
    pub(super) text: &'t str,
    /// Fields whose doubled quotes became single ones. Their spans count on from the end of the text.
    undone: String,
    spans: Vec<(usize, usize)>,
    heads: Vec<Head>,
    /// Places among the spans of empty cells that say what stands above them.
    filled: Vec<usize>,
}

/// One record of a block.
#[derive(Clone, Copy, Debug)]
struct Head {
    line: u64,
    /// The record in the text, without its line end.
    raw: (usize, usize),
    first_span: usize,
    end_span: usize,
}

impl<'t> Block<'t> {
    /// Forgets what it holds.
    pub(super) fn clear(&mut self, text: &'t str) {
        self.text = text;
        self.undone.clear();
        self.spans.clear();
        self.heads.clear();
        self.filled.clear();
    }

    /// Adds a field of the record in the making.
    #[inline]
    pub(super) fn push_field(&mut self, start: usize, end: usize) {
        self.spans.push((start, end));
    }

    /// As [`Self::push_field`], for a quoted field with doubled quotes.
    pub(super) fn push_doubled(&mut self, start: usize, end: usize, quote: u8) {
        let inner = self.text.get(start..end).unwrap_or("");
        let from = self.text.len() + self.undone.len();
        let single = char::from(quote).to_string();
        self.undone
            .push_str(&inner.replace(&single.repeat(2), &single));
        self.spans.push((from, self.text.len() + self.undone.len()));
    }

    /// Forgets the fields of the record in the making.
    pub(super) fn drop_fields(&mut self) {
        self.spans
            .truncate(self.heads.last().map_or(0, |last| last.end_span));
    }

    /// Ends the record in the making: its fields are those added since the last one ended.
    pub(super) fn push_record(&mut self, line: u64, start: usize, end: usize) {
        self.heads.push(Head {
            line,
            raw: (start, end),
            first_span: self.heads.last().map_or(0, |last| last.end_span),
            end_span: self.spans.len(),
        });
    }

    /// Fills empty cells of the record that was added last.
    pub(super) fn fill_last(&mut self, fill: &mut FillDown) {
        let Some(head) = self.heads.last().copied() else {
            return;
        };
        let cell = |field: usize| {
            let span = self.spans.get(head.first_span + field).copied();
            let span = span.unwrap_or_default();
            let text = self.text_of(span).trim().to_owned();
            let place = if span.1 <= self.text.len() {
                Last::Span(span.0, span.1)
            } else {
                Last::Text(text.clone())
            };
            (text, place)
        };
        for (field, last) in fill.pass(head.end_span - head.first_span, &cell) {
            let span = match last {
                Last::Span(start, end) => (start, end),
                Last::Text(text) => {
                    let from = self.text.len() + self.undone.len();
                    self.undone.push_str(&text);
                    (from, self.text.len() + self.undone.len())
                }
            };
            let at = head.first_span + field;
            if let Some(slot) = self.spans.get_mut(at) {
                *slot = span;
                self.filled.push(at);
            }
        }
    }

    /// How many records it holds.
    pub(crate) fn n_records(&self) -> usize {
        self.heads.len()
    }

    /// The records, in their order.
    pub(crate) fn records(&self) -> impl ExactSizeIterator<Item = Record<'_>> {
        self.heads.iter().map(|head| Record { block: self, head })
    }

    /// One record; None past the last.
    pub(crate) fn record(&self, at: usize) -> Option<Record<'_>> {
        self.heads.get(at).map(|head| Record { block: self, head })
    }

    /// What stands from where a field begins, and how long the field is: `first` is the
    /// [`Record::first_field`] of its record, which must have so many fields.
    #[inline]
    pub(crate) fn field_on(&self, first: usize, field: usize) -> Option<(&[u8], usize)> {
        let (start, end) = *self.spans.get(first + field)?;
        match self.text.as_bytes().get(start..) {
            Some(rest) if end <= self.text.len() => Some((rest, end - start)),
            _ => Some((self.text_of((start, end)).as_bytes(), end - start)),
        }
    }

    fn text_of(&self, (start, end): (usize, usize)) -> &str {
        let found = match start.checked_sub(self.text.len()) {
            None => self.text.get(start..end),
            Some(from) => self.undone.get(from..end - self.text.len()),
        };
        found.unwrap_or("")
    }
}

/// One record: its fields as text.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Record<'b> {
    block: &'b Block<'b>,
    head: &'b Head,
}

impl<'b> Record<'b> {
    /// Line the record starts on, 1-based.
    pub(crate) const fn line(self) -> u64 {
        self.head.line
    }

    /// The record as it stands in the text, without its line end.
    pub(crate) fn raw(self) -> &'b str {
        let (start, end) = self.head.raw;
        self.block.text.get(start..end).unwrap_or("")
    }

    /// Where it begins and ends in the text.
    pub(crate) const fn span(self) -> (usize, usize) {
        self.head.raw
    }

    /// Place of its first field among those of the block.
    pub(crate) const fn first_field(self) -> usize {
        self.head.first_span
    }

    /// Number of fields.
    pub(crate) const fn n_fields(self) -> usize {
        self.head.end_span - self.head.first_span
    }

    /// A field, unquoted, not trimmed; None past the last.
    #[inline]
    pub(crate) fn field(self, idx: usize) -> Option<&'b str> {
        if idx >= self.n_fields() {
            return None;
        }
        let span = self.block.spans.get(self.head.first_span + idx)?;
        Some(self.block.text_of(*span))
    }

    /// A field, trimmed; None past the last.
    pub(crate) fn get(self, idx: usize) -> Option<&'b str> {
        self.field(idx).map(str::trim)
    }

    /// Whether a field is empty and says what stands above it.
    pub(crate) fn is_filled(self, idx: usize) -> bool {
        let at = self.head.first_span + idx;
        !self.block.filled.is_empty() && self.block.filled.contains(&at)
    }

    /// The fields, unquoted, not trimmed.
    pub(crate) fn fields(self) -> impl ExactSizeIterator<Item = &'b str> {
        let spans = self
            .block
            .spans
            .get(self.head.first_span..self.head.end_span);
        spans
            .unwrap_or(&[])
            .iter()
            .map(move |span| self.block.text_of(*span))
    }
}
