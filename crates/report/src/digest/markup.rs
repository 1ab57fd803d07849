//! The digest as HTML. Styles stand on the elements: many mail readers drop style sheets.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::fresh::{Entry, entries};
use super::open::lines;
use super::{DigestInput, WHERE_ALL, content_id, heading, heard, subject};
use crate::cautions::{CAUTION_LINE, CAUTIONS, FIRST_WORD};
use crate::html::{DAY_INLINE, escape, prose};
use crate::pump_chart::PUMP_MARK;
use crate::words::sentence;

const H2: &str = "<h2 style=\"font-size:1.15em\">";

pub(super) fn markup(input: &DigestInput<'_>, pictures: &BTreeMap<String, Vec<u8>>) -> String {
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title></head>\
         <body style=\"font:15px/1.5 Georgia,serif;color:#20261f;background:#fdfdfa;max-width:46em\">\n\
         <h1 style=\"font-size:1.3em\">{0}</h1>\n<p>{1}<br>As of {2} UTC.</p>\n\
         <p style=\"border-left:4px solid #7a3b12;padding-left:.7em\"><b>Caution.</b> {3} {4}</p>\n",
        escape(&subject(input)),
        escape(&heard(input)),
        input.as_of.minute(),
        escape(CAUTION_LINE),
        escape(FIRST_WORD),
    );
    if input.new.is_empty() {
        let _ = writeln!(out, "{H2}Nothing new</h2>");
    } else {
        let _ = writeln!(out, "{H2}New ({})</h2>", input.new.len());
    }
    for entry in entries(input.new) {
        let news = match entry {
            Entry::Full(news) => news,
            Entry::Named(names) => {
                let _ = writeln!(out, "<p>{}</p>", prose(&names, DAY_INLINE));
                continue;
            }
        };
        let row = news.finding;
        let _ = writeln!(
            out,
            "<h3 style=\"font-size:1em;margin-bottom:0\">{}</h3>\n<p style=\"margin-top:.2em\">{}<br><b>What to do:</b> {}</p>",
            escape(&heading(news)),
            prose(&sentence(&row.evidence), DAY_INLINE),
            prose(&sentence(&row.action), DAY_INLINE),
        );
        let id = content_id(row);
        if pictures.contains_key(&id) {
            let _ = writeln!(
                out,
                "<p><img src=\"cid:{id}\" width=\"640\" alt=\"Pump level of {} over time\"><br><small>{}</small></p>",
                escape(&row.subject),
                escape(PUMP_MARK)
            );
        }
    }
    still_open(&mut out, input);
    cautions(&mut out);
    out.push_str("</body></html>\n");
    out
}

fn still_open(out: &mut String, input: &DigestInput<'_>) {
    if input.open.is_empty() {
        return;
    }
    let _ = writeln!(out, "{H2}Still open ({})</h2>\n<ul>", input.open.len());
    for line in lines(input.open) {
        let text = prose(&line.text, DAY_INLINE);
        let _ = writeln!(out, "<li>[{}] {text}</li>", line.severity);
    }
    let _ = writeln!(out, "</ul>\n<p>{}</p>", escape(WHERE_ALL));
}

fn cautions(out: &mut String) {
    let _ = writeln!(out, "{H2}Cautions</h2>\n<ul style=\"font-size:.85em\">");
    for (title, text) in CAUTIONS {
        let _ = writeln!(out, "<li><b>{}.</b> {}</li>", escape(title), escape(text));
    }
    let _ = writeln!(
        out,
        "</ul>\n<p style=\"font-size:.85em\">{}</p>",
        escape(FIRST_WORD)
    );
}
