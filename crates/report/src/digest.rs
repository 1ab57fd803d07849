//! The mail of what is new: nothing new, no mail (or a weekly all-quiet one).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use drydown_findings::{Finding, FindingState, Kind, Severity};
use drydown_pumps::{PumpHealth, PumpState};
use drydown_quantity::Stamp;
use drydown_runs::history::Registers;

use crate::cautions::CAUTIONS;
use crate::chart::{SeriesMark, TimeMark, series};
use crate::html::escape;
use crate::input::Heard;
use crate::png::{PngError, to_png};

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

/// Charts in one mail at most: a mail is a summary.
const CHARTS_MOST: usize = 4;
const LINE: usize = 78;

/// The digest. Where nothing is new this is the all-quiet mail; whether to send it is the caller's question.
///
/// # Errors
/// Where a chart cannot be drawn.
pub fn render_digest(input: &DigestInput<'_>) -> Result<Digest, PngError> {
    let pictures = pictures(input)?;
    Ok(Digest {
        subject: subject(input),
        text: text(input),
        html: html(input, &pictures),
        pictures,
    })
}

fn subject(input: &DigestInput<'_>) -> String {
    let act = input
        .new
        .iter()
        .filter(|row| row.severity == Severity::Act)
        .count();
    match (input.new.len(), act) {
        (0, _) => format!(
            "drydown {}: nothing new, {} findings open",
            input.as_of.day(),
            input.open.len()
        ),
        (n, 0) => format!("drydown {}: {n} new", input.as_of.day()),
        (n, act) => format!("drydown {}: {n} new, {act} to act on", input.as_of.day()),
    }
}

fn heard(input: &DigestInput<'_>) -> String {
    format!(
        "Heard from {} of {} units in the last seven days.",
        input.heard.heard, input.heard.of
    )
}

fn text(input: &DigestInput<'_>) -> String {
    let mut out = format!("{}\nAs of {} UTC.\n", heard(input), input.as_of.minute());
    out.push_str(if input.new.is_empty() {
        "\nNothing new.\n"
    } else {
        "\nNEW\n"
    });
    for row in input.new {
        let onset = row
            .onset_at
            .map_or_else(String::new, |at| format!(" (began about {})", at.day()));
        let _ = writeln!(
            out,
            "\n[{}] {}: {}{onset}",
            row.severity,
            row.subject,
            row.rule.replace('_', " ")
        );
        out.push_str(&wrap(&row.evidence, "  "));
        out.push_str(&wrap(&row.action, "  > "));
    }
    if !input.open.is_empty() {
        out.push_str("\nSTILL OPEN\n\n");
        for row in input.open {
            out.push_str(&wrap(
                &format!(
                    "[{}] {}: {}, since {}",
                    row.severity,
                    row.subject,
                    row.rule.replace('_', " "),
                    row.first_seen.day()
                ),
                "",
            ));
        }
    }
    out.push_str("\nCAUTIONS\n\n");
    for (title, text) in CAUTIONS {
        out.push_str(&wrap(&format!("{title}. {text}"), ""));
    }
    out.push_str(&wrap("Local codes, the equipment maker's instructions and licensed practice come before anything said here.", ""));
    out
}

/// Words filled into lines, each begun with the indent.
fn wrap(words: &str, indent: &str) -> String {
    let mut out = String::new();
    let mut line = indent.to_owned();
    let mut length = indent.chars().count();
    for word in words.split_whitespace() {
        let n = word.chars().count();
        if length > indent.chars().count() && length + 1 + n > LINE {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(indent.chars().count());
            length = indent.chars().count();
        } else if length > indent.chars().count() {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += n;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

fn html(input: &DigestInput<'_>, pictures: &BTreeMap<String, Vec<u8>>) -> String {
    let mut out = String::from(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"></head><body style=\"font:15px/1.5 Georgia,serif;color:#20261f;max-width:46em\">\n",
    );
    let _ = writeln!(
        out,
        "<p>{}<br>As of {} UTC.</p>",
        escape(&heard(input)),
        input.as_of.minute()
    );
    let _ = writeln!(
        out,
        "<h2 style=\"font-size:1.15em\">{}</h2>",
        if input.new.is_empty() {
            "Nothing new"
        } else {
            "New"
        }
    );
    for row in input.new {
        let sign = match row.severity {
            Severity::Act => "■",
            Severity::Watch => "▣",
            Severity::Info => "□",
        };
        let onset = row
            .onset_at
            .map_or_else(String::new, |at| format!(", began about {}", at.day()));
        let _ = writeln!(
            out,
            "<p><b>{sign} {}: {}: {}</b>{onset}<br>{}<br><i>{}</i></p>",
            row.severity,
            escape(&row.subject),
            escape(&row.rule.replace('_', " ")),
            escape(&row.evidence),
            escape(&row.action)
        );
        let id = content_id(row);
        if pictures.contains_key(&id) {
            let _ = writeln!(
                out,
                "<p><img src=\"cid:{id}\" width=\"640\" alt=\"Pump level of {} over time\"><br><small>One dot is one run with an accepted start, one square a run in alert or alarm; the pale bar is the 90 % band expected before it.</small></p>",
                escape(&row.subject)
            );
        }
    }
    if !input.open.is_empty() {
        out.push_str("<h2 style=\"font-size:1.15em\">Still open</h2>\n<ul>\n");
        for row in input.open {
            let _ = writeln!(
                out,
                "<li>{}: {}: {}, since {}</li>",
                row.severity,
                escape(&row.subject),
                escape(&row.rule.replace('_', " ")),
                row.first_seen.day()
            );
        }
        out.push_str("</ul>\n");
    }
    out.push_str("<h2 style=\"font-size:1.15em\">Cautions</h2>\n<ul style=\"font-size:.85em\">\n");
    for (title, text) in CAUTIONS {
        let _ = writeln!(out, "<li><b>{}.</b> {}</li>", escape(title), escape(text));
    }
    out.push_str("</ul>\n<p style=\"font-size:.85em\">Local codes, the equipment maker's instructions and licensed practice come before anything said here.</p>\n</body></html>\n");
    out
}

fn content_id(row: &Finding) -> String {
    format!("{}@drydown.invalid", row.finding_id)
}

fn pictures(input: &DigestInput<'_>) -> Result<BTreeMap<String, Vec<u8>>, PngError> {
    let mut pictures = BTreeMap::new();
    for row in input
        .new
        .iter()
        .filter(|row| row.kind == Kind::Pump && row.state != FindingState::Cleared)
        .take(CHARTS_MOST)
    {
        let rows: Vec<&PumpHealth> = input
            .pump_health
            .iter()
            .filter(|health| health.unit_id.as_str() == row.subject)
            .collect();
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
            continue;
        };
        let origin = Stamp::from_micros(0);
        let points: Vec<SeriesMark> = rows
            .iter()
            .map(|health| SeriesMark {
                day: health.at.days_after(origin),
                value: health.indicator,
                lower: health.lower_90,
                upper: health.upper_90,
                out_of_band: matches!(health.state, PumpState::Alert | PumpState::Alarm),
            })
            .collect();
        let marks: Vec<TimeMark> = input
            .registers
            .maintenance_of(&first.unit_id)
            .iter()
            .map(|work| TimeMark {
                day: work.at.days_after(origin),
                word: work.action.as_str().replace('_', " "),
            })
            .collect();
        let labels = [first.at, last.at].map(|at| (at.days_after(origin), at.day().to_string()));
        let svg = series(
            &points,
            &marks,
            "ln of pumping speed over the level after the last reset",
            &labels,
        );
        pictures.insert(content_id(row), to_png(&svg)?);
    }
    Ok(pictures)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrapped_lines_keep_their_indent_and_width() {
        let text = wrap(&"word ".repeat(60), "  > ");
        assert!(text.lines().all(|line| line.chars().count() <= LINE));
        assert!(text.starts_with("  > word"));
        assert!(
            text.lines()
                .skip(1)
                .all(|line| line.starts_with("    word"))
        );
    }
}
