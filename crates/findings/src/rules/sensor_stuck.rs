//! A water sensor that stopped moving.

use super::Rule;
use super::flagged::{self, FlagText};
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "sensor_stuck",
    title: "water sensor stuck",
    kind: Kind::Sensor,
    watches: "The latest runs of a unit whose water sensor gave one value for hours.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    flagged::replay(
        case,
        &FlagText {
            flag: "sensor_stuck",
            severity: Severity::Watch,
            evidence: |runs| match runs.len() {
                1 => "The water sensor stood still during one run.".to_owned(),
                n => format!("The water sensor stood still during {n} runs in a row."),
            },
            action: "Check wiring (isolated and locked out) and the sensor; take samples at start and end until it is mended.",
        },
    )
}
