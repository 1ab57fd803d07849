//! The data contract as code: what the tables are, read from `data-schema/`.
//!
//! `data-schema/` is the source of truth (Frictionless Table Schemas with a UCUM code on
//! every quantity); this crate embeds it and gives table definitions, Arrow schemas, row
//! checks, the generated reference page and the text of `drydown schema`. Nothing here
//! touches files, clocks or the network.

mod arrow_schema;
mod check;
mod contract;
mod descriptor;
mod nearest;
mod order;
mod page;
mod spec;

pub use arrow_schema::{arrow_field, arrow_schema, arrow_type};
pub use check::{Problem, check_batch, check_order, repeated_text};
pub use contract::{SchemaError, descriptor, table, tables};
pub use nearest::nearest;
pub use order::{RowOrder, Strictness};
pub use page::{reference_page, render_contract};
pub use spec::{Bounds, ColumnKind, ColumnSpec, TableKind, TableSpec};
