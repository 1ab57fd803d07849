//! Every chart of the pages and the mail, as SVG. A chart draws what it is given and computes no estimate.

use std::fmt::Write as _;

use crate::html::escape;

const INK: &str = "#20261f";
const SOFT: &str = "#8a9285";
const BAND: &str = "#dfe5d8";
const MARK: &str = "#7a3b12";
const COOL: &str = "#1d4f63";
const WIDTH: f64 = 760.0;

/// One row of an interval chart.
pub(crate) struct IntervalRow {
    pub(crate) label: String,
    pub(crate) middle: Option<f64>,
    pub(crate) lower: Option<f64>,
    pub(crate) upper: Option<f64>,
    /// Drawn hollow: borrowed rather than own data.
    pub(crate) hollow: bool,
    /// What stands at the right.
    pub(crate) note: String,
}

/// Rows of points with their intervals on one axis.
pub(crate) fn intervals(rows: &[IntervalRow], axis_label: &str, from: f64, to: f64) -> String {
    let (left, right, row_height, top) = (170.0, 150.0, 20.0, 12.0);
    let height = top + row_height * rows.len() as f64 + 40.0;
    let x = |value: f64| {
        left + (value.clamp(from, to) - from) / (to - from).max(1e-12) * (WIDTH - left - right)
    };
    let mut out = open(height, axis_label);
    let bottom = height - 38.0;
    for tick in ticks(from, to) {
        let _ = write!(
            out,
            "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{top}\" y2=\"{bottom:.1}\" stroke=\"{BAND}\"/><text x=\"{0:.1}\" y=\"{1:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{2}</text>",
            x(tick),
            bottom + 14.0,
            tick_text(tick)
        );
    }
    for (idx, row) in rows.iter().enumerate() {
        let y = top + row_height * (idx as f64 + 0.5);
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{INK}\">{}</text>",
            left - 8.0,
            y + 4.0,
            escape(&row.label)
        );
        if row.lower.is_some() || row.upper.is_some() {
            let (a, b) = (x(row.lower.unwrap_or(from)), x(row.upper.unwrap_or(to)));
            let _ = write!(
                out,
                "<line x1=\"{a:.1}\" x2=\"{b:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"{COOL}\" stroke-width=\"2\"/>"
            );
        }
        if let Some(middle) = row.middle {
            let fill = if row.hollow { "#ffffff" } else { COOL };
            let _ = write!(
                out,
                "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"{fill}\" stroke=\"{COOL}\" stroke-width=\"1.5\"/>",
                x(middle)
            );
        }
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{SOFT}\">{}</text>",
            WIDTH - right + 8.0,
            y + 4.0,
            escape(&row.note)
        );
    }
    axis_title(&mut out, left, WIDTH - right, height, axis_label);
    out.push_str("</svg>");
    out
}

/// One point of a time series with its expected band.
#[derive(Clone, Copy)]
pub(crate) struct SeriesMark {
    /// Days, on any common origin.
    pub(crate) day: f64,
    pub(crate) value: Option<f64>,
    pub(crate) lower: Option<f64>,
    pub(crate) upper: Option<f64>,
    /// Drawn as a filled square: out of control.
    pub(crate) out_of_band: bool,
}

/// A vertical mark in time, with a word.
pub(crate) struct TimeMark {
    pub(crate) day: f64,
    pub(crate) word: String,
}

/// Points over time, the band expected of each, and vertical marks.
pub(crate) fn series(
    points: &[SeriesMark],
    marks: &[TimeMark],
    axis_label: &str,
    days: &[(f64, String)],
) -> String {
    let (left, top, height) = (60.0, 26.0, 250.0);
    let bottom = height - 40.0;
    let values = || {
        points
            .iter()
            .flat_map(|p| [p.value, p.lower, p.upper])
            .flatten()
    };
    let (low, high) = (
        values().fold(f64::INFINITY, f64::min),
        values().fold(f64::NEG_INFINITY, f64::max),
    );
    if !low.is_finite() || !high.is_finite() {
        return nothing("no point to draw yet");
    }
    let (low, high) = if low < high {
        (low, high)
    } else {
        (low.min(0.0) - 0.1, high.max(0.0) + 0.1)
    };
    let pad = (high - low) * 0.06;
    let (low, high) = (low - pad, high + pad);
    let all_days = || {
        points
            .iter()
            .map(|p| p.day)
            .chain(marks.iter().map(|m| m.day))
            .chain(days.iter().map(|d| d.0))
    };
    let (first, last) = (
        all_days().fold(f64::INFINITY, f64::min),
        all_days().fold(f64::NEG_INFINITY, f64::max),
    );
    let x = |day: f64| left + (day - first) / (last - first).max(1e-9) * (WIDTH - left - 16.0);
    let y = |value: f64| bottom - (value - low) / (high - low) * (bottom - top);
    let mut out = open(height, axis_label);
    for tick in ticks(low, high) {
        let _ = write!(
            out,
            "<line x1=\"{left}\" x2=\"{:.1}\" y1=\"{1:.1}\" y2=\"{1:.1}\" stroke=\"{BAND}\"/><text x=\"{2:.1}\" y=\"{3:.1}\" text-anchor=\"end\" fill=\"{SOFT}\">{4}</text>",
            WIDTH - 16.0,
            y(tick),
            left - 6.0,
            y(tick) + 4.0,
            tick_text(tick)
        );
    }
    for (day, text) in days {
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{}</text>",
            x(*day),
            bottom + 15.0,
            escape(text)
        );
    }
    for point in points {
        if let (Some(lower), Some(upper)) = (point.lower, point.upper) {
            let _ = write!(
                out,
                "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{1:.1}\" y2=\"{2:.1}\" stroke=\"{BAND}\" stroke-width=\"5\"/>",
                x(point.day),
                y(lower),
                y(upper)
            );
        }
    }
    draw_time_marks(&mut out, marks, x, (top, bottom));
    for point in points {
        let Some(value) = point.value else { continue };
        let (cx, cy) = (x(point.day), y(value));
        let _ = if point.out_of_band {
            write!(
                out,
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"7\" height=\"7\" fill=\"{MARK}\"/>",
                cx - 3.5,
                cy - 3.5
            )
        } else {
            write!(
                out,
                "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"2.6\" fill=\"{COOL}\"/>"
            )
        };
    }
    axis_title(&mut out, left, WIDTH - 16.0, height, axis_label);
    out.push_str("</svg>");
    out
}

/// Dashed lines in time, each with its word above.
fn draw_time_marks(
    out: &mut String,
    marks: &[TimeMark],
    x: impl Fn(f64) -> f64,
    (top, bottom): (f64, f64),
) {
    for mark in marks {
        let _ = write!(
            out,
            "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{top}\" y2=\"{bottom:.1}\" stroke=\"{INK}\" stroke-dasharray=\"2 3\"/><text x=\"{0:.1}\" y=\"{1:.1}\" text-anchor=\"middle\" fill=\"{INK}\">{2}</text>",
            x(mark.day),
            top - 8.0,
            escape(&mark.word)
        );
    }
}

/// A sentence in place of a chart.
pub(crate) fn nothing(sentence: &str) -> String {
    let mut out = open(40.0, sentence);
    let _ = write!(
        out,
        "<text x=\"8\" y=\"24\" fill=\"{SOFT}\">{}</text></svg>",
        escape(sentence)
    );
    out
}

fn open(height: f64, label: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"{}\" font-family=\"DejaVu Sans, sans-serif\" font-size=\"11\">",
        escape(label)
    )
}

fn axis_title(out: &mut String, left: f64, right: f64, height: f64, label: &str) {
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{INK}\">{}</text>",
        (left + right) / 2.0,
        height - 6.0,
        escape(label)
    );
}

/// Round numbers that cover a range, four to eight of them.
fn ticks(from: f64, to: f64) -> Vec<f64> {
    let span = to - from;
    if !(span.is_finite() && span > 0.0) {
        return vec![from];
    }
    let raw = span / 5.0;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .iter()
        .map(|m| m * power)
        .find(|step| *step >= raw)
        .unwrap_or(raw);
    let first = (from / step).ceil();
    (0..12)
        .map(|n| (first + f64::from(n)) * step)
        .take_while(|tick| *tick <= to + step * 1e-6)
        .collect()
}

fn tick_text(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.replace('-', "−")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_range() {
        assert_eq!(
            ticks(0.0, 1.0),
            [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]
        );
        assert_eq!(ticks(3.0, 3.0), [3.0]);
    }

    #[test]
    fn a_chart_is_well_formed_and_can_be_drawn() {
        let rows = [IntervalRow {
            label: "U-1 <on> VG 46".to_owned(),
            middle: Some(0.5),
            lower: Some(0.4),
            upper: None,
            hollow: true,
            note: "3 runs".to_owned(),
        }];
        let picture = crate::png::to_png(&intervals(&rows, "removal per pass", 0.0, 1.0)).unwrap();
        assert_eq!(picture.get(..4), Some(b"\x89PNG".as_slice()));
        assert!(picture.len() > 2000, "{}", picture.len());
    }

    #[test]
    fn a_series_without_a_value_says_so() {
        assert!(series(&[], &[], "x", &[]).contains("no point"));
    }
}
