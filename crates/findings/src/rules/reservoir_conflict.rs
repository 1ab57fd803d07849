//! A reservoir typed by hand that contradicts the deployment.

use super::Rule;
use super::flagged::{self, FlagText};
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "reservoir_conflict",
    title: "log and deployment name different reservoirs",
    kind: Kind::Data,
    watches: "Runs whose log names another reservoir than the deployment does; the deployment wins.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    flagged::replay(
        case,
        &FlagText {
            flag: "reservoir_conflict",
            severity: Severity::Info,
            evidence: |runs| {
                let names: Vec<String> = runs
                    .iter()
                    .take(3)
                    .map(|run| run.run_id.to_string())
                    .collect();
                format!(
                    "The log names another reservoir than the deployment in {} ({}{}); the deployment is used.",
                    if runs.len() == 1 {
                        "one run".to_owned()
                    } else {
                        format!("{} runs", runs.len())
                    },
                    names.join(", "),
                    if runs.len() > names.len() {
                        ", …"
                    } else {
                        ""
                    },
                )
            },
            action: "Correct the deployment register or the name typed at the controller.",
        },
    )
}
