//! Time stamps of exports: formats, local clocks, and the hour that autumn repeats.

mod fold;
mod format;
mod names;
mod zone;

pub(crate) use fold::{FoldRow, resolve_folds};
pub(crate) use format::{StampFormat, WrittenStamp};
pub(crate) use zone::{Clock, LocalTime, Steady};
