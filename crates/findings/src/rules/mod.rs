//! The rules: one file each, one line each in the table.

use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::Kind;

mod barred_unit;
mod before_commissioning;
mod cell_rejects;
mod flagged;
mod gauge_off;
mod hot_oil;
mod lab_alarm;
mod no_altitude;
mod no_oil_families;
mod no_reservoir;
mod open_deployment;
mod overwritten_rows;
mod pump_change;
mod pump_past_limit;
mod removal_slower;
mod reservoir_conflict;
mod reservoir_wet;
mod sensor_disagrees;
mod sensor_stuck;
mod silent_source;
mod silent_unit;
mod source_rejects;
mod swapped_label;
mod unknown_unit;
mod volume_suspect;

#[cfg(test)]
mod tests;

/// One rule: what it is called, what it watches, and how it is replayed.
#[derive(Clone, Copy, Debug)]
pub struct Rule {
    /// Name in the table.
    pub name: &'static str,
    /// What its findings are called on pages and in mails.
    pub title: &'static str,
    /// What its findings are about.
    pub kind: Kind,
    /// What it watches and when it holds, in a sentence.
    pub watches: &'static str,
    pub(crate) replay: fn(&Case<'_>, &FindingsConfig) -> Vec<Episode>,
}

/// Every rule, in the order of the generated documentation.
pub const RULES: &[Rule] = &[
    pump_change::RULE,
    pump_past_limit::RULE,
    removal_slower::RULE,
    reservoir_wet::RULE,
    lab_alarm::RULE,
    barred_unit::RULE,
    hot_oil::RULE,
    volume_suspect::RULE,
    sensor_disagrees::RULE,
    sensor_stuck::RULE,
    gauge_off::RULE,
    swapped_label::RULE,
    reservoir_conflict::RULE,
    silent_unit::RULE,
    silent_source::RULE,
    source_rejects::RULE,
    cell_rejects::RULE,
    overwritten_rows::RULE,
    no_reservoir::RULE,
    open_deployment::RULE,
    no_altitude::RULE,
    no_oil_families::RULE,
    unknown_unit::RULE,
    before_commissioning::RULE,
];
