//! What stands around every page: contents, title, standing, cautions.

use std::fmt::Write as _;

use crate::cautions::{CAUTION_LINE, CAUTIONS, FIRST_WORD};
use crate::html::{DAY, escape, link, prose};
use crate::style::{SCRIPT, STYLE};

/// What frames a page.
pub(crate) struct Frame<'a> {
    pub(crate) title: &'a str,
    /// The line below the title: quarter, as-of, heard from.
    pub(crate) standing: &'a str,
    /// The page's own file in the contents; empty where it is not one of them.
    pub(crate) file: &'a str,
    /// `""` for pages at the top, `"../"` for pages one folder down.
    pub(crate) up: &'a str,
}

const CONTENTS: &[(&str, &str)] = &[
    ("index.html", "What changed"),
    ("units.html", "Units and pumps"),
    ("reservoirs.html", "Reservoirs"),
    ("coefficients.html", "Removal"),
    ("scorecard.html", "Past forecasts"),
    ("data.html", "Data"),
];

/// A whole page.
pub(crate) fn page(frame: &Frame<'_>, body: &str) -> String {
    let title = escape(frame.title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{title}</title><style>{STYLE}</style></head>\n<body>\n\
         <a class=\"skip\" href=\"#main\">To the content</a>\n<header><nav aria-label=\"Pages\">"
    );
    for (file, name) in CONTENTS {
        if *file == frame.file {
            let _ = write!(
                out,
                "<a href=\"{file}\" aria-current=\"page\">{}</a> ",
                escape(name)
            );
        } else {
            let _ = write!(out, "{} ", link(&format!("{}{file}", frame.up), name));
        }
    }
    let _ = write!(
        out,
        "</nav><h1>{title}</h1><p class=\"standing\">{}</p>\
         <p class=\"caution\"><strong>Caution.</strong> {} {} <a href=\"#cautions\">All cautions</a></p></header>\n\
         <main id=\"main\">\n{body}</main>\n<footer id=\"cautions\"><h2>Cautions</h2><dl>",
        prose(frame.standing, DAY),
        escape(CAUTION_LINE),
        escape(FIRST_WORD),
    );
    for (title, text) in CAUTIONS {
        let _ = write!(out, "<dt>{}</dt><dd>{}</dd>", escape(title), escape(text));
    }
    let _ = write!(
        out,
        "</dl><p>{}</p></footer>\n<script>{SCRIPT}</script></body></html>\n",
        escape(FIRST_WORD)
    );
    out
}
