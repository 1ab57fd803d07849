//! A water sensor that stopped moving.

use super::Rule;
use super::flagged::{self, FlagText};
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "sensor_stuck",
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
            evidence: |runs| {
                format!(
                    "The water sensor stood still during {} runs in a row; they cannot tell a removal rate.",
                    runs.len()
                )
            },
            action: "Check wiring and the sensor; take samples at start and end until it is mended.",
        },
    )
}
