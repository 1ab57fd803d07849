//! The charts of a digest: the pumps with a new finding.

use std::collections::BTreeMap;

use drydown_findings::{FindingState, Kind};
use drydown_pumps::PumpHealth;

use super::{DigestInput, content_id};
use crate::png::{PngError, to_png};
use crate::pump_chart::{has_level, pump_chart};

/// Charts in one mail at most: a mail is a summary.
const CHARTS_MOST: usize = 4;

pub(super) fn pictures(input: &DigestInput<'_>) -> Result<BTreeMap<String, Vec<u8>>, PngError> {
    let mut pictures = BTreeMap::new();
    for row in input
        .new
        .iter()
        .map(|news| news.finding)
        .filter(|row| row.kind == Kind::Pump && row.state != FindingState::Cleared)
        .take(CHARTS_MOST)
    {
        let rows: Vec<&PumpHealth> = input
            .pump_health
            .iter()
            .filter(|health| health.unit_id.as_str() == row.subject)
            .collect();
        if has_level(&rows) {
            pictures.insert(
                content_id(row),
                to_png(&pump_chart(&rows, input.registers))?,
            );
        }
    }
    Ok(pictures)
}
