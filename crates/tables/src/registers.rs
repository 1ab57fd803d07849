//! Registers, events and samples as they were known at an `as_of`.
//!
//! Stamps limit: an event, an action and the start of a deployment must lie before `as_of`; a
//! deployment's end after it reads as null; a sample counts from the later of taking and
//! reporting. Registers (units, sites, oils, reservoirs) are read as they stand.

use drydown_quantity::Stamp;
use drydown_runs::history::{Deployment, Registers, Sample};

use crate::error::TableError;
use crate::frame::Frame;
use crate::record::{Record, from_frame};

/// The tables that [`registers`] asks for, in this order.
pub const REGISTER_TABLES: [&str; 8] = [
    "units",
    "sites",
    "oils",
    "reservoirs",
    "deployments",
    "maintenance",
    "reservoir_events",
    "unit_events",
];

/// The registers and events of a fleet, each sorted by key, limited to what lies before `as_of`.
///
/// `frame_of` gives the frame of a table of [`REGISTER_TABLES`]; an empty frame where there is none.
///
/// # Errors
/// What `frame_of` gives, and a frame that breaks the contract.
pub fn registers<F: Frame, E: From<TableError>>(
    mut frame_of: impl FnMut(&'static str) -> Result<F, E>,
    as_of: Stamp,
) -> Result<Registers, E> {
    Ok(Registers {
        units: read(&mut frame_of)?,
        sites: read(&mut frame_of)?,
        oils: read(&mut frame_of)?,
        reservoirs: read(&mut frame_of)?,
        deployments: known_deployments(read(&mut frame_of)?, as_of),
        maintenance: before(read(&mut frame_of)?, |row| Some(row.at), as_of),
        reservoir_events: before(read(&mut frame_of)?, |row| Some(row.at), as_of),
        unit_events: before(read(&mut frame_of)?, |row| Some(row.at), as_of),
    })
}

/// The samples whose result was known before `as_of`, sorted by laboratory and sample.
///
/// A sample without any stamp is known at no time and left out.
///
/// # Errors
/// Where the frame breaks the contract.
pub fn samples(frame: &dyn Frame, as_of: Stamp) -> Result<Vec<Sample>, TableError> {
    from_frame(frame).map(|rows| before(rows, Sample::known_at, as_of))
}

fn read<R: Record, F: Frame, E: From<TableError>>(
    frame_of: &mut impl FnMut(&'static str) -> Result<F, E>,
) -> Result<Vec<R>, E> {
    Ok(from_frame(&frame_of(R::TABLE)?)?)
}

fn before<R>(mut rows: Vec<R>, stamp: impl Fn(&R) -> Option<Stamp>, as_of: Stamp) -> Vec<R> {
    rows.retain(|row| stamp(row).is_some_and(|at| at < as_of));
    rows
}

fn known_deployments(rows: Vec<Deployment>, as_of: Stamp) -> Vec<Deployment> {
    let mut rows = before(rows, |row| Some(row.from_at), as_of);
    for row in &mut rows {
        row.to_at = row.to_at.filter(|to| *to <= as_of);
    }
    rows
}

#[cfg(test)]
mod tests;
