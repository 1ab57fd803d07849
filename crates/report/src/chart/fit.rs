//! A fitted curve over the data of one run, and below it what the curve left over.

use std::fmt::Write as _;

use super::{
    Axis, BAND, COOL, GRID, INK, MARK, NINE_TENTHS, PAPER, SOFT, Scale, WIDTH, axis_title, nothing,
    open,
};

/// What one mark of the data is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FitMarkKind {
    /// A reading, and one that the fit left out.
    Reading,
    ReadingLeftOut,
    /// A sample, and one that the fit left out.
    Sample,
    SampleLeftOut,
    /// The water lay at or above, or at or below this.
    AtLeast,
    AtMost,
}

/// One mark of the data.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FitMark {
    pub(crate) hours: f64,
    pub(crate) ppm: f64,
    pub(crate) kind: FitMarkKind,
}

/// What the picture shows; pairs are (hours, value).
#[derive(Clone, Debug, Default)]
pub(crate) struct FitChart {
    pub(crate) marks: Vec<FitMark>,
    /// What the sensor should have read, ppm.
    pub(crate) sensor: Vec<(f64, f64)>,
    /// The water in the oil, ppm; empty where it is the same.
    pub(crate) water: Vec<(f64, f64)>,
    /// What readings are off by, in standard deviations.
    pub(crate) residuals: Vec<(f64, f64)>,
}

const LEFT: f64 = 60.0;
const RIGHT: f64 = WIDTH - 24.0;
const TOP: f64 = 8.0;
const PLOT: f64 = 150.0;
/// Middle and half height of the strip of residuals, px.
const STRIP: f64 = TOP + PLOT + 54.0;
const STRIP_HALF: f64 = 28.0;
const BOTTOM: f64 = STRIP + STRIP_HALF;
const HEIGHT: f64 = BOTTOM + 36.0;
/// Standard deviations at the edge of the strip.
const STRIP_SD: f64 = 4.0;

/// From hours and ppm to places of the picture.
struct Plane {
    first_h: f64,
    last_h: f64,
    top_ppm: f64,
}

impl Plane {
    fn x(&self, hours: f64) -> f64 {
        LEFT + (hours - self.first_h) / (self.last_h - self.first_h).max(1e-9) * (RIGHT - LEFT)
    }

    fn y(&self, ppm: f64) -> f64 {
        TOP + PLOT - ppm.clamp(0.0, self.top_ppm) / self.top_ppm * PLOT
    }
}

/// Draws the chart; the axis gives its words alone.
pub(crate) fn fit(chart: &FitChart, axis: &Axis<'_>) -> String {
    let Some(plane) = plane(chart) else {
        return nothing("no reading to draw");
    };
    let mut out = open(HEIGHT, axis.summary);
    draw_axes(&mut out, &plane, axis);
    draw_readings(&mut out, chart, &plane, FitMarkKind::ReadingLeftOut, BAND);
    draw_readings(&mut out, chart, &plane, FitMarkKind::Reading, COOL);
    draw_line(&mut out, &chart.water, &plane, " stroke-dasharray=\"5 3\"");
    draw_line(&mut out, &chart.sensor, &plane, "");
    for mark in &chart.marks {
        draw_mark(&mut out, mark, (plane.x(mark.hours), plane.y(mark.ppm)));
    }
    draw_residuals(&mut out, &chart.residuals, &plane);
    axis_title(
        &mut out,
        (LEFT, RIGHT),
        HEIGHT,
        "hours since the run's start",
    );
    out.push_str("</svg>");
    out
}

/// What is drawn reaches to what the fit used and found; what it left out may lie beyond.
fn plane(chart: &FitChart) -> Option<Plane> {
    let used = chart
        .marks
        .iter()
        .filter(|mark| {
            !matches!(
                mark.kind,
                FitMarkKind::ReadingLeftOut | FitMarkKind::SampleLeftOut
            )
        })
        .map(|mark| mark.ppm);
    let lines = chart.sensor.iter().chain(&chart.water).map(|(_, ppm)| *ppm);
    let mut top = used.chain(lines).fold(0.0, f64::max);
    if top <= 0.0 {
        top = chart.marks.iter().map(|mark| mark.ppm).fold(0.0, f64::max);
    }
    let hours = || {
        let marks = chart.marks.iter().map(|mark| mark.hours);
        marks.chain(chart.sensor.iter().map(|(hours, _)| *hours))
    };
    let (first_h, last_h) = (
        hours().fold(f64::INFINITY, f64::min),
        hours().fold(f64::NEG_INFINITY, f64::max),
    );
    (top > 0.0 && top.is_finite() && last_h > first_h).then_some(Plane {
        first_h,
        last_h,
        top_ppm: 1.06 * top,
    })
}

fn draw_axes(out: &mut String, plane: &Plane, axis: &Axis<'_>) {
    for (tick, text) in axis.scale.ticks(0.0, plane.top_ppm) {
        let y = plane.y(tick);
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"{GRID}\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{SOFT}\">{text}</text>",
            LEFT - 6.0,
            y + 4.0,
        );
    }
    for (tick, text) in Scale::Number.ticks(plane.first_h, plane.last_h) {
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{text}</text>",
            plane.x(tick),
            BOTTOM + 15.0
        );
    }
    let _ = write!(
        out,
        "<text x=\"2\" y=\"{:.1}\" fill=\"{INK}\">ppm</text><text x=\"2\" y=\"{:.1}\" fill=\"{INK}\">off by, sd</text>",
        TOP + 8.0,
        STRIP - STRIP_HALF - 6.0
    );
}

/// All readings of a kind as one path of round dots: a long run has hundreds.
fn draw_readings(
    out: &mut String,
    chart: &FitChart,
    plane: &Plane,
    kind: FitMarkKind,
    colour: &str,
) {
    let dots: Vec<(f64, f64)> = chart
        .marks
        .iter()
        .filter(|mark| mark.kind == kind)
        .map(|mark| (plane.x(mark.hours), plane.y(mark.ppm)))
        .collect();
    draw_dots(out, &dots, colour);
}

fn draw_dots(out: &mut String, places: &[(f64, f64)], colour: &str) {
    if places.is_empty() {
        return;
    }
    out.push_str("<path d=\"");
    for (x, y) in places {
        let _ = write!(out, "M{x:.1} {y:.1}h0");
    }
    let _ = write!(
        out,
        "\" stroke=\"{colour}\" stroke-width=\"3.2\" stroke-linecap=\"round\" fill=\"none\"/>"
    );
}

fn draw_line(out: &mut String, line: &[(f64, f64)], plane: &Plane, dashes: &str) {
    if line.is_empty() {
        return;
    }
    out.push_str("<polyline points=\"");
    for (hours, ppm) in line {
        let _ = write!(out, "{:.1},{:.1} ", plane.x(*hours), plane.y(*ppm));
    }
    let _ = write!(
        out,
        "\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.4\"{dashes}/>"
    );
}

/// Samples and bounds; readings are drawn elsewhere, all at once.
fn draw_mark(out: &mut String, mark: &FitMark, (x, y): (f64, f64)) {
    let square = |fill: &str| {
        format!(
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\" fill=\"{fill}\" stroke=\"{MARK}\" stroke-width=\"1.5\"/>",
            x - 4.0,
            y - 4.0
        )
    };
    let wedge = |tip: f64| {
        format!(
            "<path d=\"M{:.1} {y:.1}h8l-4 {tip}z\" fill=\"{MARK}\"/>",
            x - 4.0
        )
    };
    match mark.kind {
        FitMarkKind::Reading | FitMarkKind::ReadingLeftOut => {}
        FitMarkKind::Sample => out.push_str(&square(MARK)),
        FitMarkKind::SampleLeftOut => out.push_str(&square(PAPER)),
        FitMarkKind::AtLeast => out.push_str(&wedge(-6.0)),
        FitMarkKind::AtMost => out.push_str(&wedge(6.0)),
    }
}

fn draw_residuals(out: &mut String, residuals: &[(f64, f64)], plane: &Plane) {
    let y = |sd: f64| STRIP - sd.clamp(-STRIP_SD, STRIP_SD) / STRIP_SD * STRIP_HALF;
    for (sd, colour) in [(-NINE_TENTHS, BAND), (0.0, INK), (NINE_TENTHS, BAND)] {
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\" stroke=\"{colour}\"/>",
            y(sd)
        );
    }
    let places: Vec<(f64, f64)> = residuals
        .iter()
        .map(|(hours, sd)| (plane.x(*hours), y(*sd)))
        .collect();
    draw_dots(out, &places, COOL);
}

#[cfg(test)]
mod tests {
    use super::*;

    const AXIS: Axis<'_> = Axis {
        title: "",
        summary: "s",
        scale: Scale::Number,
        from: 0.0,
        to: 0.0,
    };

    fn mark(hours: f64, ppm: f64, kind: FitMarkKind) -> FitMark {
        FitMark { hours, ppm, kind }
    }

    #[test]
    fn every_kind_of_mark_has_its_own_shape() {
        use FitMarkKind::{AtLeast, AtMost, Reading, ReadingLeftOut, Sample, SampleLeftOut};
        for (kind, shape) in [
            (Reading, format!("h0\" stroke=\"{COOL}\"")),
            (ReadingLeftOut, format!("h0\" stroke=\"{BAND}\"")),
            (Sample, format!("height=\"8\" fill=\"{MARK}\"")),
            (SampleLeftOut, format!("height=\"8\" fill=\"{PAPER}\"")),
            (AtLeast, "l-4 -6z".to_owned()),
            (AtMost, "l-4 6z".to_owned()),
        ] {
            let chart = FitChart {
                marks: vec![mark(1.0, 50.0, kind)],
                sensor: vec![(0.0, 100.0), (10.0, 50.0)],
                ..FitChart::default()
            };
            let svg = fit(&chart, &AXIS);
            assert_eq!(svg.matches(&shape).count(), 1, "{kind:?}: {svg}");
            assert!(!svg.contains("NaN") && crate::png::to_png(&svg).is_ok());
        }
    }

    #[test]
    fn what_was_left_out_does_not_stretch_the_picture() {
        let chart = FitChart {
            marks: vec![
                mark(0.0, 100.0, FitMarkKind::Reading),
                mark(5.0, 9_000.0, FitMarkKind::ReadingLeftOut),
            ],
            ..FitChart::default()
        };
        let plane = plane(&chart).unwrap();
        assert!((plane.top_ppm - 106.0).abs() < 1e-9);
        assert!((plane.y(9_000.0) - TOP).abs() < 1e-9);
    }

    #[test]
    fn a_run_without_readings_or_without_length_is_a_sentence() {
        let one = FitChart {
            marks: vec![mark(0.0, 100.0, FitMarkKind::Reading)],
            ..FitChart::default()
        };
        for chart in [FitChart::default(), one] {
            assert!(fit(&chart, &AXIS).contains("no reading to draw"));
        }
    }
}
