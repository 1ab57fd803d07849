//! Viscosity of oils: temperature law, grades, viscosity index.

mod index;
mod index_table;
mod walther;

pub use index::{ViscosityIndex, index, reference_viscosities};
pub use walther::{Walther, grade_of, typical_walther};
