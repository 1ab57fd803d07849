//! Rows of points with their intervals on one axis.

use std::fmt::Write as _;

use super::{Axis, COOL, GRID, INK, PAPER, SOFT, WIDTH, axis_title, nothing, open};
use crate::html::escape;

/// One row of an interval chart.
#[derive(Clone, Debug)]
pub(crate) struct IntervalRow {
    pub(crate) label: String,
    pub(crate) middle: Option<f64>,
    pub(crate) lower: Option<f64>,
    pub(crate) upper: Option<f64>,
    /// Drawn hollow, for what the chart's sentence says.
    pub(crate) hollow: bool,
    /// What stands at the right.
    pub(crate) note: String,
}

const LEFT: f64 = 120.0;
const RIGHT: f64 = 200.0;
const TOP: f64 = 12.0;
const ROW: f64 = 20.0;

/// Rows of points with their intervals; an open end runs to the end of the axis.
pub(crate) fn intervals(rows: &[IntervalRow], axis: &Axis<'_>) -> String {
    if rows.is_empty() {
        return nothing("nothing to draw yet");
    }
    let height = TOP + ROW * rows.len() as f64 + 40.0;
    let bottom = height - 38.0;
    let span = (axis.to - axis.from).max(1e-12);
    let x = |value: f64| {
        LEFT + (value.clamp(axis.from, axis.to) - axis.from) / span * (WIDTH - LEFT - RIGHT)
    };
    let mut out = open(height, axis.summary);
    for (tick, text) in axis.scale.ticks(axis.from, axis.to) {
        let _ = write!(
            out,
            "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{TOP}\" y2=\"{bottom:.1}\" stroke=\"{GRID}\"/><text x=\"{0:.1}\" y=\"{1:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{text}</text>",
            x(tick),
            bottom + 14.0,
        );
    }
    for (idx, row) in rows.iter().enumerate() {
        let y = TOP + ROW * (idx as f64 + 0.5);
        draw_row(&mut out, row, y, axis, x);
    }
    axis_title(&mut out, (LEFT, WIDTH - RIGHT), height, axis.title);
    out.push_str("</svg>");
    out
}

fn draw_row(out: &mut String, row: &IntervalRow, y: f64, axis: &Axis<'_>, x: impl Fn(f64) -> f64) {
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{INK}\">{}</text>",
        LEFT - 10.0,
        y + 4.0,
        escape(&row.label)
    );
    if row.lower.is_some() || row.upper.is_some() {
        let a = x(row.lower.unwrap_or(axis.from));
        let b = x(row.upper.unwrap_or(axis.to));
        let _ = write!(
            out,
            "<line x1=\"{a:.1}\" x2=\"{b:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"{COOL}\" stroke-width=\"2\"/>"
        );
    }
    if let Some(middle) = row.middle {
        let fill = if row.hollow { PAPER } else { COOL };
        let _ = write!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"{fill}\" stroke=\"{COOL}\" stroke-width=\"1.5\"/>",
            x(middle)
        );
    }
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{SOFT}\">{}</text>",
        WIDTH - RIGHT + 10.0,
        y + 4.0,
        escape(&row.note)
    );
}

#[cfg(test)]
mod tests {
    use super::super::Scale;
    use super::*;

    const AXIS: Axis<'_> = Axis {
        title: "removal per pass",
        summary: "Removal per pass of \"one\" unit",
        scale: Scale::Number,
        from: 0.0,
        to: 1.0,
    };

    fn row() -> IntervalRow {
        IntervalRow {
            label: "U-1 <on> VG 46".to_owned(),
            middle: Some(0.5),
            lower: Some(0.25),
            upper: None,
            hollow: true,
            note: "3 runs".to_owned(),
        }
    }

    #[test]
    fn a_chart_is_well_formed_and_can_be_drawn() {
        let svg = intervals(&[row()], &AXIS);
        let picture = crate::png::to_png(&svg).unwrap();
        assert_eq!(picture.get(..4), Some(b"\x89PNG".as_slice()));
        assert!(picture.len() > 2000, "{}", picture.len());
        assert!(svg.contains("aria-label=\"Removal per pass of &quot;one&quot; unit\""));
    }

    #[test]
    fn marks_stand_where_their_values_are() {
        let svg = intervals(&[row()], &AXIS);
        // The axis runs from 120 to 560: a quarter is 230, the middle 340, an open end 560.
        assert!(svg.contains("<line x1=\"230.0\" x2=\"560.0\""), "{svg}");
        assert!(svg.contains("<circle cx=\"340.0\""), "{svg}");
    }

    #[test]
    fn no_row_is_a_sentence() {
        assert!(intervals(&[], &AXIS).contains("nothing to draw yet"));
    }
}
