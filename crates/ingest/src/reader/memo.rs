//! What short texts became, column by column.
//!
//! A run log repeats few texts ("27.5", "U-01") millions of times. Where a cell hangs on its text
//! alone, the reader looks it up here first; what is found is what reading it anew would give.

use crate::texts::NULL;

/// Texts held per column; a power of two.
const SLOTS: usize = 2048;
const SHIFT: u32 = 64 - SLOTS.trailing_zeros();

/// A text of at most sixteen bytes, told apart by its ends and its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Short {
    head: u64,
    tail: u64,
    /// One more than its bytes; 0 stands for no text at all.
    length: u8,
}

impl Short {
    const NONE: Self = Self {
        head: 0,
        tail: 0,
        length: 0,
    };

    /// None for a longer text.
    pub(crate) fn of(text: &str) -> Option<Self> {
        let bytes = text.as_bytes();
        let length = u8::try_from(bytes.len() + 1).ok().filter(|n| *n <= 17)?;
        let (head, tail) = match (bytes.first_chunk::<8>(), bytes.last_chunk::<8>()) {
            (Some(head), Some(tail)) => (u64::from_le_bytes(*head), u64::from_le_bytes(*tail)),
            _ => match (bytes.first_chunk::<4>(), bytes.last_chunk::<4>()) {
                (Some(head), Some(tail)) => (
                    u64::from(u32::from_le_bytes(*head)),
                    u64::from(u32::from_le_bytes(*tail)),
                ),
                _ => (
                    bytes
                        .iter()
                        .fold(0, |word, byte| (word << 8) | u64::from(*byte)),
                    0,
                ),
            },
        };
        Some(Self { head, tail, length })
    }

    fn slot(self) -> usize {
        let mixed = self.head ^ self.tail.rotate_left(29) ^ (u64::from(self.length) << 56);
        // 2^64 divided by the golden ratio: multiplicative hashing (Knuth, TAOCP 3, section 6.4).
        let hash = mixed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> SHIFT;
        usize::try_from(hash).unwrap_or(0)
    }
}

/// The cells of the texts of one column.
#[derive(Clone, Debug)]
pub(crate) struct Memo {
    slots: Vec<(Short, u64)>,
    /// What else the cells hang on; another value empties the memo.
    bound_to: u64,
}

impl Memo {
    pub(crate) fn new() -> Self {
        Self {
            slots: vec![(Short::NONE, NULL); SLOTS],
            bound_to: 0,
        }
    }

    /// Forgets everything unless it was learnt beside the same value.
    pub(crate) fn bind(&mut self, to: u64) {
        if self.bound_to != to {
            self.slots.fill((Short::NONE, NULL));
            self.bound_to = to;
        }
    }

    pub(crate) fn get(&self, text: Short) -> Option<u64> {
        self.slots
            .get(text.slot())
            .filter(|(known, _)| *known == text)
            .map(|(_, cell)| *cell)
    }

    pub(crate) fn put(&mut self, text: Short, cell: u64) {
        if let Some(slot) = self.slots.get_mut(text.slot()) {
            *slot = (text, cell);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use super::*;

    #[test]
    fn long_texts_are_not_held() {
        assert!(Short::of("0123456789abcdef").is_some());
        assert!(Short::of("0123456789abcdefg").is_none());
    }

    proptest::proptest! {
        /// A memo answers as a map would, or not at all.
        #[test]
        fn a_memo_never_lies(texts in proptest::collection::vec("[0-9.\u{0}a-]{0,18}", 0..200)) {
            let (mut memo, mut all) = (Memo::new(), HashMap::new());
            for (cell, text) in texts.iter().enumerate() {
                let Some(short) = Short::of(text) else { continue };
                if let Some(found) = memo.get(short) {
                    proptest::prop_assert_eq!(Some(&found), all.get(text));
                }
                memo.put(short, cell as u64);
                all.insert(text.clone(), cell as u64);
                proptest::prop_assert_eq!(memo.get(short), Some(cell as u64));
            }
            memo.bind(1);
            proptest::prop_assert!(texts.iter().filter_map(|text| Short::of(text)).all(|text| memo.get(text).is_none()));
        }
    }
}
