//! The mail of what is new: nothing new, no mail (or a weekly all-quiet one).

mod markup;
mod open;
mod pictures;
mod text;

use std::collections::BTreeMap;

use drydown_findings::{Finding, Severity};
use drydown_pumps::PumpHealth;
use drydown_quantity::Stamp;
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::history::Registers;

use crate::input::{Heard, risk_rank};
use crate::png::PngError;
use crate::show::counted;

/// Everything a digest is made from.
#[derive(Debug)]
pub struct DigestInput<'a> {
    /// Time of the analysis.
    pub as_of: Stamp,
    /// Units heard from in the last seven days.
    pub heard: Heard,
    /// Findings that are new and not mailed before, most severe first.
    pub new: &'a [&'a Finding],
    /// Findings already known that still hold.
    pub open: &'a [&'a Finding],
    /// Where each reservoir stands, for the order of what is said.
    pub risks: &'a [ReservoirRisk],
    /// Pump health by unit and time, for the charts.
    pub pump_health: &'a [PumpHealth],
    /// Maintenance marks.
    pub registers: &'a Registers,
}

/// A mail, not yet addressed.
#[derive(Clone, Debug, PartialEq)]
pub struct Digest {
    /// Subject line.
    pub subject: String,
    /// Plain text, lines of at most 78 characters where words allow.
    pub text: String,
    /// The same as HTML; pictures by content id.
    pub html: String,
    /// Content id → PNG.
    pub pictures: BTreeMap<String, Vec<u8>>,
}

/// Where all findings stand.
const WHERE_ALL: &str =
    "All of them: the first page of the quarter's report, or `drydown export findings`.";

/// The digest. Where nothing is new this is the all-quiet mail; whether to send it is the caller's question.
///
/// # Errors
/// Where a chart cannot be drawn.
pub fn render_digest(input: &DigestInput<'_>) -> Result<Digest, PngError> {
    let mut new: Vec<&Finding> = input.new.to_vec();
    new.sort_by_key(|row| {
        (
            std::cmp::Reverse(row.severity),
            risk_rank(input.risks, &row.subject),
        )
    });
    let mut open: Vec<&Finding> = input.open.to_vec();
    open.sort_by_key(|row| risk_rank(input.risks, &row.subject));
    let sorted = DigestInput {
        new: &new,
        open: &open,
        ..*input
    };
    let pictures = pictures::pictures(&sorted)?;
    Ok(Digest {
        subject: subject(&sorted),
        text: text::text(&sorted),
        html: markup::markup(&sorted, &pictures),
        pictures,
    })
}

/// Says whether the mail must be opened today.
fn subject(input: &DigestInput<'_>) -> String {
    let day = input.as_of.day();
    let n = |severity: Severity| {
        input
            .new
            .iter()
            .filter(|row| row.severity == severity)
            .count()
    };
    if input.new.is_empty() {
        let open = counted(input.open.len(), "finding", "findings");
        return format!("drydown {day}: nothing new, {open} open");
    }
    let parts: Vec<String> = [
        (n(Severity::Act), "to act on"),
        (n(Severity::Watch), "to watch"),
        (n(Severity::Info), "for information"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{n} {what}"))
    .collect();
    format!(
        "drydown {day}: {} new ({})",
        input.new.len(),
        parts.join(", ")
    )
}

fn heard(input: &DigestInput<'_>) -> String {
    format!(
        "Heard from {} of {} units in the last seven days.",
        input.heard.heard, input.heard.of
    )
}

fn content_id(row: &Finding) -> String {
    format!("{}@drydown.invalid", row.finding_id)
}
