//! Cells as 64-bit words: one representation for every column kind, so that comparing two
//! cells, the heart of supersession, is comparing two integers.
//!
//! Numbers are their bits (never NaN, never −0), integers, stamps, days and yes/no are offset
//! so that they order as themselves, texts are places in a pool. All ones is null.

use std::collections::HashMap;
use std::sync::Arc;

/// No value.
pub(crate) const NULL: u64 = u64::MAX;

const SIGN: u64 = 1 << 63;

pub(crate) fn from_real(value: f64) -> u64 {
    if value.is_finite() {
        (value + 0.0).to_bits()
    } else {
        NULL
    }
}

pub(crate) fn to_real(cell: u64) -> Option<f64> {
    (cell != NULL).then(|| f64::from_bits(cell))
}

/// Integers, microseconds, days, and yes (1) or no (0).
pub(crate) const fn from_whole(value: i64) -> u64 {
    value.cast_unsigned() ^ SIGN
}

pub(crate) fn to_whole(cell: u64) -> Option<i64> {
    (cell != NULL).then_some((cell ^ SIGN).cast_signed())
}

/// Texts of cells, each held once.
#[derive(Clone, Debug, Default)]
pub(crate) struct TextPool {
    texts: Vec<Arc<str>>,
    places: HashMap<Arc<str>, u64>,
}

impl TextPool {
    /// The cell of a text.
    pub(crate) fn cell(&mut self, text: &str) -> u64 {
        if let Some(place) = self.places.get(text) {
            return *place;
        }
        let shared: Arc<str> = Arc::from(text);
        let place = self.texts.len() as u64;
        self.texts.push(Arc::clone(&shared));
        self.places.insert(shared, place);
        place
    }

    /// The cell of a text already held.
    pub(crate) fn find(&self, text: &str) -> Option<u64> {
        self.places.get(text).copied()
    }

    /// The text of a cell; None for null.
    pub(crate) fn get(&self, cell: u64) -> Option<&str> {
        let place = usize::try_from(cell).ok()?;
        self.texts.get(place).map(AsRef::as_ref)
    }

    /// The texts, in the order of their cells.
    pub(crate) fn texts(&self) -> impl ExactSizeIterator<Item = &str> {
        self.texts.iter().map(AsRef::as_ref)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_come_back() {
        assert_eq!(to_real(from_real(-0.0)).map(f64::to_bits), Some(0));
        assert_eq!(to_real(from_real(f64::NAN)), None);
        assert_eq!(to_whole(from_whole(-1)), Some(-1));
        assert!(from_whole(-1) < from_whole(0));
        let mut pool = TextPool::default();
        let (a, b) = (pool.cell("R-1"), pool.cell("R-2"));
        assert_ne!(a, b);
        assert_eq!(pool.cell("R-1"), a);
        assert_eq!(pool.get(b), Some("R-2"));
        assert_eq!(pool.get(NULL), None);
    }
}
