//! The frame of every page, and the few elements the pages are made of.

use std::fmt::Write as _;

use crate::cautions::CAUTIONS;

/// Text made safe for HTML.
pub(crate) fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            _ => safe.push(c),
        }
    }
    safe
}

/// A name usable as file name and anchor.
pub(crate) fn slug(text: &str) -> String {
    text.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' || c == '_' {
                c
            } else {
                '-'
            }
        })
        .collect()
}

/// A table cell: text, or markup made by this crate.
pub(crate) enum Cell {
    /// Text, escaped when written.
    Text(String),
    /// A number or other short figure, set right.
    Figure(String),
    /// Markup of our own.
    Markup(String),
}

/// A table with a caption that says what one row is.
pub(crate) fn table(caption: &str, header: &[&str], rows: &[Vec<Cell>]) -> String {
    let mut out = String::new();
    let _ = write!(
        out,
        "<table><caption>{}</caption><thead><tr>",
        escape(caption)
    );
    for name in header {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escape(name));
    }
    out.push_str("</tr></thead><tbody>\n");
    if rows.is_empty() {
        let _ = write!(out, "<tr><td colspan=\"{}\">none</td></tr>", header.len());
    }
    for row in rows {
        out.push_str("<tr>");
        for cell in row {
            let _ = match cell {
                Cell::Text(text) => write!(out, "<td>{}</td>", escape(text)),
                Cell::Figure(text) => write!(out, "<td class=\"figure\">{}</td>", escape(text)),
                Cell::Markup(markup) => write!(out, "<td>{markup}</td>"),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table>\n");
    out
}

/// A chart with the one sentence that says what one mark is.
pub(crate) fn figure(svg: &str, sentence: &str) -> String {
    format!(
        "<figure>{svg}<figcaption>{}</figcaption></figure>\n",
        escape(sentence)
    )
}

/// A link to a page of the report, relative to the page it stands on.
pub(crate) fn link(target: &str, text: &str) -> String {
    format!("<a href=\"{}\">{}</a>", escape(target), escape(text))
}

/// What frames a page.
pub(crate) struct Frame<'a> {
    pub(crate) title: &'a str,
    /// The line below the title: quarter, as-of, heard from.
    pub(crate) standing: &'a str,
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
    let mut out = String::new();
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{title}</title><style>{STYLE}</style></head>\n<body>\n<header><p class=\"contents\">",
        title = escape(frame.title),
    );
    for (file, name) in CONTENTS {
        let _ = write!(out, "{} ", link(&format!("{}{file}", frame.up), name));
    }
    let _ = write!(
        out,
        "</p><h1>{}</h1><p class=\"standing\">{}</p></header>\n<main>\n{body}</main>\n<footer><h2>Cautions</h2><dl>",
        escape(frame.title),
        escape(frame.standing)
    );
    for (title, text) in CAUTIONS {
        let _ = write!(out, "<dt>{}</dt><dd>{}</dd>", escape(title), escape(text));
    }
    let _ = write!(
        out,
        "</dl><p>Local codes, the equipment maker's instructions and licensed practice come before anything said here.</p></footer>\n<script>{SCRIPT}</script></body></html>\n"
    );
    out
}

const STYLE: &str = "
:root{--ink:#20261f;--soft:#5d665a;--rule:#c9cfc4;--paper:#fdfdfa;--mark:#7a3b12;--cool:#1d4f63}
*{box-sizing:border-box}
body{font:15px/1.5 Georgia,'DejaVu Serif',serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:74rem;padding:1.2rem 2rem 3rem}
header{border-bottom:3px double var(--rule);margin-bottom:1.2rem}
h1{font-size:1.7rem;margin:.3rem 0 .2rem}h2{font-size:1.2rem;margin:1.8rem 0 .5rem}h3{font-size:1rem;margin:1.2rem 0 .3rem}
.contents a{margin-right:1.1rem}.standing{color:var(--soft);margin:.1rem 0 .8rem}
a{color:var(--cool)}
table{border-collapse:collapse;width:100%;margin:.6rem 0 1.2rem;font-size:.88rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--soft);padding:.2rem 0;font-style:italic}
th{text-align:left;border-bottom:2px solid var(--ink);padding:.25rem .6rem .25rem 0;vertical-align:bottom}
td{border-bottom:1px solid var(--rule);padding:.25rem .6rem .25rem 0;vertical-align:top}
td.figure{text-align:right;white-space:nowrap}
figure{margin:.8rem 0 1.4rem}figure svg{max-width:100%;height:auto}figcaption{color:var(--soft);font-size:.88rem;font-style:italic}
.act{font-weight:bold}.act::before{content:'■ '}.watch::before{content:'▣ '}.info::before{content:'□ '}
footer{border-top:3px double var(--rule);margin-top:2.4rem;font-size:.85rem;color:var(--soft)}
dt{font-weight:bold;color:var(--ink)}dd{margin:0 0 .4rem 0}
@media print{body{max-width:none;padding:0;font-size:10pt}.contents,script{display:none}table{page-break-inside:auto}tr,figure{page-break-inside:avoid}a{color:inherit;text-decoration:none}}
";

/// Click a heading to sort by it; the page says everything without it.
const SCRIPT: &str = "
for(const t of document.querySelectorAll('table'))t.querySelectorAll('th').forEach((h,i)=>{h.style.cursor='pointer';h.title='sort';
h.addEventListener('click',()=>{const b=t.tBodies[0],d=h.dataset.d=h.dataset.d==='1'?'-1':'1';
const k=r=>{const s=(r.cells[i]?r.cells[i].textContent:'').trim(),n=parseFloat(s.replace(/[\\u202f,]/g,'').replace('\\u2212','-'));return isNaN(n)?s:n};
[...b.rows].sort((x,y)=>{const p=k(x),q=k(y);return (p<q?-1:p>q?1:0)*d}).forEach(r=>b.append(r))})});
";
