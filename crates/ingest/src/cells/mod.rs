//! One cell's text to its value: numbers, laboratory notation, cleanliness codes, words.

mod amount;
mod iso4406;
mod number;
mod words;

pub(crate) use amount::{Amount, Censor, is_estimate, parse_amount};
pub(crate) use iso4406::parse_cleanliness;
pub(crate) use number::{DecimalMark, parse_hours, parse_number};
pub(crate) use words::{is_valve_word, parse_yes_no, to_known_word};
