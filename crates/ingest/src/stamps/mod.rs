//! Time stamps of exports: formats, local clocks, and the hour that autumn repeats.

mod calendar;
mod counts;
mod elapsed;
mod fields;
mod fold;
mod format;
mod names;
mod stretch;
#[cfg(test)]
mod tests;
mod zone;

pub(crate) use elapsed::ElapsedUnit;
pub(crate) use fold::{FoldRow, Seen, Settled, Told, resolve_folds, resolve_one_series};
pub(crate) use format::{StampFormat, WrittenStamp};
pub(crate) use zone::{Clock, LocalTime, Steady};
