//! Points against how well each is known: the narrower the expectation, the nearer the middle they should lie.

use std::fmt::Write as _;

use super::{
    Axis, BAND, COOL, GRID, INK, MARK, NINE_TENTHS, PAPER, SOFT, WIDTH, axis_title, nothing, open,
};

/// One point of a funnel.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FunnelMark {
    /// Standard deviation that is expected of it.
    pub(crate) sd: f64,
    /// How far it lies from what is expected.
    pub(crate) off_by: f64,
    /// Drawn hollow, for what the chart's sentence says.
    pub(crate) hollow: bool,
}

impl FunnelMark {
    /// Whether it lies beyond the lines, between which nine of ten should.
    pub(crate) fn is_outside(&self) -> bool {
        self.off_by.abs() > NINE_TENTHS * self.sd
    }
}

const LEFT: f64 = 64.0;
const RIGHT: f64 = WIDTH - 24.0;
const TOP: f64 = 12.0;
const PLOT: f64 = 220.0;

/// Draws the points; `axis` is that of the standard deviations, `off_by` that of the distances.
pub(crate) fn funnel(marks: &[FunnelMark], axis: &Axis<'_>, off_by: &Axis<'_>) -> String {
    if marks.is_empty() {
        return nothing("nothing to draw yet");
    }
    let bottom = TOP + PLOT;
    let height = bottom + 42.0;
    let x = |sd: f64| {
        LEFT + (sd.clamp(axis.from, axis.to) - axis.from) / (axis.to - axis.from).max(1e-12)
            * (RIGHT - LEFT)
    };
    let y = |value: f64| {
        bottom
            - (value.clamp(off_by.from, off_by.to) - off_by.from)
                / (off_by.to - off_by.from).max(1e-12)
                * PLOT
    };
    let mut out = open(height, axis.summary);
    for (tick, text) in off_by.scale.ticks(off_by.from, off_by.to) {
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\" stroke=\"{GRID}\"/><text x=\"{1:.1}\" y=\"{2:.1}\" text-anchor=\"end\" fill=\"{SOFT}\">{text}</text>",
            y(tick),
            LEFT - 6.0,
            y(tick) + 4.0,
        );
    }
    for (tick, text) in axis.scale.ticks(axis.from, axis.to) {
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{text}</text>",
            x(tick),
            bottom + 15.0
        );
    }
    let _ = write!(
        out,
        "<line x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\" stroke=\"{INK}\"/>",
        y(0.0)
    );
    for side in [-NINE_TENTHS, NINE_TENTHS] {
        draw_side(&mut out, side, axis, off_by, (&x, &y));
    }
    for mark in marks {
        draw_mark(&mut out, mark, off_by, (x(mark.sd), y(mark.off_by)));
    }
    axis_title(&mut out, (LEFT, RIGHT), height, axis.title);
    out.push_str("</svg>");
    out
}

type Place<'a> = &'a dyn Fn(f64) -> f64;

/// One side of the funnel, as far as the picture reaches.
fn draw_side(
    out: &mut String,
    side: f64,
    axis: &Axis<'_>,
    off_by: &Axis<'_>,
    (x, y): (Place<'_>, Place<'_>),
) {
    let edge = if side < 0.0 { off_by.from } else { off_by.to };
    let to = axis.to.min(edge / side);
    let from = axis.from;
    if to <= from {
        return;
    }
    let _ = write!(
        out,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{BAND}\" stroke-width=\"2\"/>",
        x(from),
        y(side * from),
        x(to),
        y(side * to)
    );
}

/// A dot inside the funnel, a square outside of it, a triangle at the edge for what lies beyond the picture.
fn draw_mark(out: &mut String, mark: &FunnelMark, off_by: &Axis<'_>, (cx, cy): (f64, f64)) {
    let outside = mark.is_outside();
    let ink = if outside { MARK } else { COOL };
    let fill = if mark.hollow { PAPER } else { ink };
    let beyond = mark.off_by > off_by.to || mark.off_by < off_by.from;
    let _ = if beyond {
        let tip = if mark.off_by > 0.0 { -5.0 } else { 5.0 };
        write!(
            out,
            "<path d=\"M{:.1} {cy:.1}h8l-4 {tip}z\" fill=\"{fill}\" stroke=\"{ink}\"/>",
            cx - 4.0
        )
    } else if outside {
        write!(
            out,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"6\" height=\"6\" fill=\"{fill}\" stroke=\"{ink}\"/>",
            cx - 3.0,
            cy - 3.0
        )
    } else {
        write!(
            out,
            "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"2.6\" fill=\"{fill}\" stroke=\"{ink}\"/>"
        )
    };
}

#[cfg(test)]
mod tests {
    use super::super::Scale;
    use super::*;

    const SD: Axis<'_> = Axis {
        title: "sd",
        summary: "s",
        scale: Scale::Number,
        from: 0.0,
        to: 1.0,
    };
    const OFF: Axis<'_> = Axis {
        title: "",
        summary: "",
        scale: Scale::LogPercent,
        from: -1.0,
        to: 1.0,
    };

    fn mark(sd: f64, off_by: f64) -> FunnelMark {
        FunnelMark {
            sd,
            off_by,
            hollow: false,
        }
    }

    #[test]
    fn marks_say_on_which_side_of_the_line_they_lie() {
        for (sd, off_by, shape) in [
            (0.5, 0.8, "<circle"),
            (0.5, 0.83, "<rect"),
            (0.5, -0.83, "<rect"),
            (0.9, 1.2, "l-4 -5z"),
            (0.1, -1.2, "l-4 5z"),
        ] {
            let svg = funnel(&[mark(sd, off_by)], &SD, &OFF);
            assert_eq!(svg.matches(shape).count(), 1, "{sd} {off_by}: {svg}");
            assert!(crate::png::to_png(&svg).is_ok());
        }
    }

    #[test]
    fn the_lines_end_where_the_picture_does() {
        let svg = funnel(&[mark(0.5, 0.0)], &SD, &OFF);
        // From the middle (122) at 0 to the top at 1/1.645 of the width (64 to 736).
        assert!(
            svg.contains("<line x1=\"64.0\" y1=\"122.0\" x2=\"472.5\" y2=\"12.0\""),
            "{svg}"
        );
    }

    #[test]
    fn no_mark_is_a_sentence() {
        assert!(funnel(&[], &SD, &OFF).contains("nothing to draw yet"));
    }
}
