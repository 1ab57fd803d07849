//! Values to codes: each different value of a column gets the number of those before it.

use std::collections::HashMap;
use std::ops::Range;

use arrow::array::{Array, ArrayRef, AsArray, Float64Array, StringArray};
use arrow::datatypes::{DataType, Float64Type};
use drydown_schema::repeated_text;

/// More different values than this go to the library: the dictionary would leave a core's own cache.
const MOST_VALUES: usize = 1 << 14;
/// Values after which a column whose every second value was new is given up.
const TRIAL: usize = 4096;
/// Texts compared at once.
const ROWS_AT_ONCE: usize = 64;
/// Slots of the first table, a power of two.
const FIRST_SLOTS: usize = 1 << 10;

/// A column in codes.
#[derive(Default)]
pub(super) struct Codes {
    /// The code of each value that is not null.
    pub(super) codes: Vec<u16>,
    /// The different values in the order of their codes, PLAIN.
    pub(super) dictionary: Vec<u8>,
    pub(super) n_values: usize,
    /// Where each different text stands in the dictionary.
    texts: Vec<Range<usize>>,
}

impl Codes {
    /// None for columns of other kinds or of too many different values.
    pub(super) fn of(column: &ArrayRef) -> Option<Self> {
        let is_empty = column.null_count() == column.len();
        match column.data_type() {
            DataType::Float64 | DataType::Utf8 if is_empty => Some(Self::default()),
            DataType::Float64 => of_reals(column.as_primitive_opt::<Float64Type>()?),
            DataType::Utf8 => of_texts(column.as_string_opt::<i32>()?),
            _ => None,
        }
    }

    /// The least and greatest of the texts with these codes.
    pub(super) fn extremes(&self, codes: &[u16]) -> Option<(&[u8], &[u8])> {
        let text = |code: &u16| {
            self.dictionary
                .get(self.texts.get(usize::from(*code))?.clone())
        };
        let mut found: Option<(&[u8], &[u8])> = None;
        // Codes of one text mostly stand together.
        for run in codes.chunk_by(|a, b| a == b) {
            let text = text(run.first()?)?;
            found = Some(found.map_or((text, text), |(min, max)| (min.min(text), max.max(text))));
        }
        found
    }
}

/// Numbers are one value where all their bits are.
fn of_reals(column: &Float64Array) -> Option<Codes> {
    let mut known = Numbers::new();
    let mut codes = Vec::with_capacity(column.len() - column.null_count());
    let values = column.values();
    match column.nulls().filter(|nulls| nulls.null_count() > 0) {
        None => {
            for (trial, part) in values.chunks(TRIAL).enumerate() {
                for value in part {
                    codes.push(known.code(value.to_bits())?);
                }
                if trial == 0 && known.values.len() > TRIAL / 2 {
                    return None;
                }
            }
        }
        Some(nulls) => {
            for row in nulls.valid_indices() {
                codes.push(known.code(values.get(row)?.to_bits())?);
            }
        }
    }
    let bytes = known.values.iter().flat_map(|bits| bits.to_le_bytes());
    Some(Codes {
        codes,
        dictionary: bytes.collect(),
        n_values: known.values.len(),
        texts: Vec::new(),
    })
}

fn of_texts(column: &StringArray) -> Option<Codes> {
    let mut texts = Texts::default();
    let mut codes = Vec::with_capacity(column.len() - column.null_count());
    match column.nulls().filter(|nulls| nulls.null_count() > 0) {
        None => {
            // Rows are in the order of their keys, and most texts are those of the row before: many
            // are looked at as one.
            for start in (0..column.len()).step_by(ROWS_AT_ONCE) {
                let part = column.slice(start, ROWS_AT_ONCE.min(column.len() - start));
                if repeated_text(&part).is_some() {
                    let code = texts.code(column.value(start))?;
                    codes.resize(codes.len() + part.len(), code);
                    continue;
                }
                for row in start..start + part.len() {
                    codes.push(texts.code(column.value(row))?);
                }
            }
        }
        Some(nulls) => {
            for row in nulls.valid_indices() {
                codes.push(texts.code(column.value(row))?);
            }
        }
    }
    Some(Codes {
        codes,
        n_values: texts.places.len(),
        dictionary: texts.dictionary,
        texts: texts.places,
    })
}

/// Texts and their codes.
#[derive(Default)]
struct Texts<'t> {
    known: HashMap<&'t str, u16>,
    last: Option<(&'t str, u16)>,
    dictionary: Vec<u8>,
    places: Vec<Range<usize>>,
}

impl<'t> Texts<'t> {
    /// None where one more would be too many.
    fn code(&mut self, text: &'t str) -> Option<u16> {
        if let Some((_, code)) = self.last.filter(|(same, _)| *same == text) {
            return Some(code);
        }
        if let Some(code) = self.known.get(text) {
            self.last = Some((text, *code));
            return Some(*code);
        }
        if self.places.len() >= MOST_VALUES {
            return None;
        }
        let code = u16::try_from(self.places.len()).ok()?;
        self.known.insert(text, code);
        self.last = Some((text, code));
        let length = u32::try_from(text.len()).ok()?;
        self.dictionary.extend_from_slice(&length.to_le_bytes());
        let begin = self.dictionary.len();
        self.dictionary.extend_from_slice(text.as_bytes());
        self.places.push(begin..self.dictionary.len());
        Some(code)
    }
}

/// Numbers and their codes: open addressing, at most half full.
struct Numbers {
    /// Bits, and one more than the code; 0 where nothing stands.
    slots: Vec<(u64, u32)>,
    shift: u32,
    values: Vec<u64>,
}

impl Numbers {
    fn new() -> Self {
        Self {
            slots: vec![(0, 0); FIRST_SLOTS],
            shift: 64 - FIRST_SLOTS.trailing_zeros(),
            values: Vec::new(),
        }
    }

    /// None where one more would be too many.
    #[inline]
    fn code(&mut self, bits: u64) -> Option<u16> {
        let mut at = self.home(bits);
        loop {
            match self.slots.get(at) {
                Some((known, code)) if *known == bits && *code != 0 => {
                    return u16::try_from(*code - 1).ok();
                }
                Some((_, 0)) => return self.add(at, bits),
                _ => at = (at + 1) & (self.slots.len() - 1),
            }
        }
    }

    fn add(&mut self, at: usize, bits: u64) -> Option<u16> {
        let code = self.values.len();
        if code >= MOST_VALUES {
            return None;
        }
        self.values.push(bits);
        if let Some(slot) = self.slots.get_mut(at) {
            *slot = (bits, u32::try_from(code).ok()? + 1);
        }
        if 2 * self.values.len() > self.slots.len() {
            self.grow();
        }
        u16::try_from(code).ok()
    }

    fn grow(&mut self) {
        self.slots = vec![(0, 0); 4 * self.slots.len()];
        self.shift = 64 - self.slots.len().trailing_zeros();
        for (code, bits) in (1..).zip(&self.values) {
            let mut at = self.home(*bits);
            while self.slots.get(at).is_some_and(|(_, taken)| *taken != 0) {
                at = (at + 1) & (self.slots.len() - 1);
            }
            if let Some(slot) = self.slots.get_mut(at) {
                *slot = (*bits, code);
            }
        }
    }

    /// 2^64 divided by the golden ratio: multiplicative hashing (Knuth, TAOCP 3, section 6.4).
    #[inline]
    fn home(&self, bits: u64) -> usize {
        let hash = bits.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> self.shift;
        usize::try_from(hash).unwrap_or(0)
    }
}
