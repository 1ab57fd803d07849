//! Frames to records and back: the only place where polars meets the stages' plain structs.
//!
//! Reading: [`from_frame`] gives the records of a table, sorted by key, from a polars frame (a
//! scan of the store) or from an Arrow batch; [`registers`], [`samples`] and [`unit_readings`]
//! also apply the `as_of` of an analysis. Writing: [`to_batch`] gives an Arrow batch that has
//! the table's schema, sorted for the store. Column names are field names.
//!
//! A column that a file lacks reads as null. A null reads as None; where a record has no
//! Option, as an empty text, 0, false or NaN, and as an error for identifiers, times and words,
//! which no record can do without. Numbers that are NaN or infinite are written as null.

mod cell;
mod error;
mod frame;
#[cfg(test)]
mod generated;
mod journal;
mod model;
mod readings;
mod record;
mod registers;
mod rows;
mod starts;

pub use error::TableError;
pub use frame::{Frame, Mistyped};
pub use journal::{Analysis, Load, Mail, Reject};
pub use model::ModelTerm;
pub use readings::{telling_columns, unit_readings};
pub use record::{Record, from_frame, to_batch};
pub use registers::{REGISTER_TABLES, registers, samples};
