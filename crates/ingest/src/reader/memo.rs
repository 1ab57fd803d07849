//! What short texts became, column by column.
//!
//! A run log repeats few texts ("27.5", "U-01") millions of times. Where a cell hangs on its text
//! alone, the reader looks it up here first; what is found is what reading it anew would give.

use super::cell::CellReader;
use crate::source::CellKind;
use crate::texts::NULL;

/// Pairs of texts held per column; a power of two. All the memos of a run log together fit into a core's own cache.
const SLOTS: usize = 1024;
const SHIFT: u32 = 64 - SLOTS.trailing_zeros();

/// A text of at most seven bytes: its bytes, and above them one more than their number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Short(u64);

impl Short {
    /// Stands for no text at all.
    const NONE: Self = Self(0);

    /// None for a longer text.
    pub(crate) fn of(text: &[u8]) -> Option<Self> {
        Self::of_first(text, text.len())
    }

    /// Of the first `length` bytes of what stands in memory; None for a longer text. With eight bytes
    /// at hand no branch hangs on the length.
    #[inline]
    pub(crate) fn of_first(bytes: &[u8], length: usize) -> Option<Self> {
        if length > 7 {
            return None;
        }
        let word = match bytes.first_chunk::<8>() {
            Some(word) => u64::from_le_bytes(*word),
            None => bytes
                .iter()
                .rev()
                .fold(0, |word, byte| (word << 8) | u64::from(*byte)),
        };
        let kept = (1_u64 << (8 * length)) - 1;
        Some(Self((word & kept) | ((length as u64 + 1) << 56)))
    }

    #[inline]
    fn slot(self) -> usize {
        // 2^64 divided by the golden ratio: multiplicative hashing (Knuth, TAOCP 3, section 6.4).
        let hash = self.0.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> SHIFT;
        usize::try_from(hash).unwrap_or(0)
    }
}

/// The cells of the texts of one column.
#[derive(Clone, Debug)]
pub(crate) struct Memo {
    /// Two texts each: with one, two frequent texts could drive each other out for ever.
    slots: Vec<[(Short, u64); 2]>,
}

impl Memo {
    pub(crate) fn new() -> Self {
        Self {
            slots: vec![[(Short::NONE, NULL); 2]; SLOTS],
        }
    }

    #[inline]
    pub(crate) fn get(&self, text: Short) -> Option<u64> {
        let [newer, older] = self.slots.get(text.slot())?;
        // Both are looked at: which of them holds the text cannot be foretold, that one does mostly can.
        let cell = if newer.0 == text { newer.1 } else { older.1 };
        ((newer.0 == text) | (older.0 == text)).then_some(cell)
    }

    /// Holds a text; the older of the two in its slot goes.
    pub(crate) fn put(&mut self, text: Short, cell: u64) {
        if let Some(pair) = self.slots.get_mut(text.slot()) {
            if pair[0].0 != text {
                pair[1] = pair[0];
            }
            pair[0] = (text, cell);
        }
    }
}

/// What the texts of a source's values mean, by the value.
#[derive(Debug)]
pub(super) struct Memos(Vec<Option<Memo>>);

impl CellReader<'_> {
    /// Begins with what was learnt of other pieces of the same file.
    pub(super) fn set_memos(&mut self, memos: Memos) {
        for (own, known) in self.memos.iter_mut().zip(memos.0) {
            if own.is_some() && known.is_some() {
                *own = known;
            }
        }
    }

    /// What was learnt, without cells that are places in this reader's own pool of texts.
    pub(super) fn take_memos(&mut self) -> Memos {
        let own = self.memos.iter_mut().zip(&self.source.values);
        let memos = own.map(|(memo, column)| match &column.kind {
            CellKind::Number(_) | CellKind::Pressure(..) | CellKind::YesNo | CellKind::Whole => {
                memo.take()
            }
            _ => None,
        });
        Memos(memos.collect())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use super::*;

    #[test]
    fn long_texts_are_not_held() {
        assert!(Short::of(b"1013.25").is_some());
        assert!(Short::of(b"-1013.25").is_none());
    }

    proptest::proptest! {
        /// A memo answers as a map would, or not at all.
        #[test]
        fn a_memo_never_lies(texts in proptest::collection::vec("[0-9.\u{0}a-]{0,9}", 0..200)) {
            let (mut memo, mut all) = (Memo::new(), HashMap::new());
            for (cell, text) in texts.iter().enumerate() {
                let Some(short) = Short::of(text.as_bytes()) else { continue };
                if let Some(found) = memo.get(short) {
                    proptest::prop_assert_eq!(Some(&found), all.get(text));
                }
                memo.put(short, cell as u64);
                all.insert(text.clone(), cell as u64);
                proptest::prop_assert_eq!(memo.get(short), Some(cell as u64));
                let longer = format!("{text}27.5,U-01");
                proptest::prop_assert_eq!(Short::of_first(longer.as_bytes(), text.len()), Some(short));
            }
        }
    }
}
