//! A `[[source]]` block: as written, and compiled against its table.

mod columns;
mod compile;
mod compiled;
mod dialect;
mod problem;
mod spec;

pub(crate) use columns::contradicted;
pub use compiled::Source;
pub(crate) use compiled::{CellKind, Column, OF_FILE_NAME, OF_PREAMBLE, Origin, Tall, UnitRule};
pub use problem::SourceProblem;
pub(crate) use spec::UnitColumn;
pub use spec::{
    ColumnMap, Layout, OneOrMany, PressureWord, Quality, Scalar, SourceSpec, TallSpec, UnitOf,
};
