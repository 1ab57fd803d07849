//! The mail of what is new: nothing new, no mail (or a weekly all-quiet one).

mod fresh;
mod markup;
mod open;
mod pictures;
mod text;

use std::collections::BTreeMap;

use drydown_findings::{Finding, Kind, News, RULES, Severity};
use drydown_pumps::PumpHealth;
use drydown_quantity::Stamp;
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::history::Registers;

use crate::input::{Heard, risk_rank};
use crate::png::PngError;
use crate::show::counted;
use crate::words::{began, rule_title};

/// Everything a digest is made from.
#[derive(Debug)]
pub struct DigestInput<'a> {
    /// Time of the analysis.
    pub as_of: Stamp,
    /// Units heard from in the last seven days.
    pub heard: Heard,
    /// Findings that no mail told yet, or told as less grave.
    pub new: &'a [News<'a>],
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
    let mut new: Vec<News<'_>> = input.new.to_vec();
    new.sort_by_key(|news| {
        let row = news.finding;
        (
            std::cmp::Reverse(row.severity),
            row.kind != Kind::Safety,
            RULES.iter().position(|rule| rule.name == row.rule),
            news.told.is_none(),
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
        let new = input.new.iter();
        new.filter(|news| news.finding.severity == severity).count()
    };
    let open_acts = input
        .open
        .iter()
        .filter(|row| row.severity == Severity::Act)
        .count();
    if input.new.is_empty() {
        let open = counted(input.open.len(), "finding", "findings");
        let acts = match open_acts {
            0 => String::new(),
            n => format!(", {n} of them to act on"),
        };
        return format!("drydown {day}: nothing new, {open} open{acts}");
    }
    let worse = input.new.iter().filter(|news| news.told.is_some()).count();
    let told = match (input.new.len() - worse, worse) {
        (fresh, 0) => format!("{fresh} new"),
        (0, worse) => format!("{worse} worse"),
        (fresh, worse) => format!("{fresh} new and {worse} worse"),
    };
    let parts: Vec<String> = [
        (n(Severity::Act), "to act on"),
        (n(Severity::Watch), "to watch"),
        (n(Severity::Info), "for information"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{n} {what}"))
    .collect();
    format!("drydown {day}: {told} ({})", parts.join(", "))
}

/// `[act] U-4: vacuum pump changed (began about 2026-06-21)`; what it was told as before, where that was less.
fn heading(news: &News<'_>) -> String {
    let row = news.finding;
    let was = news
        .told
        .map_or_else(String::new, |told| format!(", was {told}"));
    let onset = began(row.onset_at);
    let onset = if onset.is_empty() {
        onset
    } else {
        format!(" ({onset})")
    };
    format!(
        "[{}{was}] {}: {}{onset}",
        row.severity,
        row.subject,
        rule_title(&row.rule)
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
