//! Points over time, the band expected of each, and vertical marks with their words.

use std::fmt::Write as _;

use super::{Axis, BAND, COOL, GRID, INK, LETTER, MARK, SOFT, WIDTH, axis_title, nothing, open};
use crate::html::escape;

/// One point of a time series with its expected band.
#[derive(Clone, Copy, Debug)]
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
#[derive(Clone, Debug)]
pub(crate) struct TimeMark {
    pub(crate) day: f64,
    pub(crate) word: String,
}

/// What a series chart draws.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SeriesChart<'a> {
    pub(crate) points: &'a [SeriesMark],
    pub(crate) marks: &'a [TimeMark],
    /// Labels of the time axis.
    pub(crate) days: &'a [(f64, String)],
}

const LEFT: f64 = 60.0;
const RIGHT: f64 = WIDTH - 24.0;
/// Height of the plot itself, px.
const PLOT: f64 = 184.0;
/// Height of one line of words above the plot, px.
const LANE: f64 = 13.0;

/// From days and values to places of the picture.
struct Plane {
    first: f64,
    last: f64,
    low: f64,
    high: f64,
    top: f64,
}

impl Plane {
    fn x(&self, day: f64) -> f64 {
        LEFT + (day - self.first) / (self.last - self.first).max(1e-9) * (RIGHT - LEFT)
    }

    fn y(&self, value: f64) -> f64 {
        self.bottom() - (value - self.low) / (self.high - self.low) * PLOT
    }

    fn bottom(&self) -> f64 {
        self.top + PLOT
    }
}

/// Draws the chart; the axis' range is widened to what is to be drawn.
pub(crate) fn series(chart: &SeriesChart<'_>, axis: &Axis<'_>) -> String {
    let Some(mut plane) = plane(chart) else {
        return nothing("no point to draw yet");
    };
    let marks = same_day_together(chart.marks);
    let lanes = lanes(&marks, &plane);
    let n_lanes = lanes.iter().max().map_or(0, |most| most + 1);
    plane.top = 10.0 + LANE * n_lanes as f64;
    let height = plane.bottom() + 42.0;
    let mut out = open(height, axis.summary);
    draw_axes(&mut out, chart, axis, &plane);
    draw_bands(&mut out, chart.points, &plane);
    for (mark, lane) in marks.iter().zip(lanes) {
        draw_time_mark(&mut out, mark, lane, &plane);
    }
    draw_points(&mut out, chart.points, &plane);
    axis_title(&mut out, (LEFT, RIGHT), height, axis.title);
    out.push_str("</svg>");
    out
}

/// The ranges drawn; None where no point has a value.
fn plane(chart: &SeriesChart<'_>) -> Option<Plane> {
    let (low, high) = extent(
        chart
            .points
            .iter()
            .flat_map(|p| [p.value, p.lower, p.upper])
            .flatten(),
    )?;
    let (first, last) = extent(
        (chart.points.iter().map(|p| p.day))
            .chain(chart.marks.iter().map(|m| m.day))
            .chain(chart.days.iter().map(|d| d.0)),
    )?;
    let pad = ((high - low) * 0.06).max(0.02);
    Some(Plane {
        first,
        last,
        low: low - pad,
        high: high + pad,
        top: 0.0,
    })
}

fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|v| v.is_finite()).fold(None, |seen, v| {
        let (low, high) = seen.unwrap_or((v, v));
        Some((low.min(v), high.max(v)))
    })
}

/// Work done on one day is one line with all its words.
fn same_day_together(marks: &[TimeMark]) -> Vec<TimeMark> {
    let mut sorted = marks.to_vec();
    sorted.sort_by(|a, b| a.day.total_cmp(&b.day));
    let mut out: Vec<TimeMark> = Vec::new();
    for mark in sorted {
        match out.last_mut().filter(|last| mark.day - last.day < 1.0) {
            Some(last) => {
                if !last.word.split(", ").any(|word| word == mark.word) {
                    last.word = format!("{}, {}", last.word, mark.word);
                }
            }
            None => out.push(mark),
        }
    }
    out
}

/// Where a word of so many letters stands: its middle, held inside the picture.
fn word_middle(x: f64, letters: usize) -> (f64, f64) {
    let half = letters as f64 * LETTER / 2.0;
    (
        x.clamp(half + 2.0, (WIDTH - half - 2.0).max(half + 2.0)),
        half,
    )
}

/// The line of words above the plot in which each mark's word stands, such that no two overlap.
fn lanes(marks: &[TimeMark], plane: &Plane) -> Vec<usize> {
    let mut ends: Vec<f64> = Vec::new();
    marks
        .iter()
        .map(|mark| {
            let (middle, half) = word_middle(plane.x(mark.day), mark.word.chars().count());
            let free = ends.iter().position(|end| middle - half > *end + LETTER);
            if let Some(end) = free.and_then(|lane| ends.get_mut(lane)) {
                *end = middle + half;
            } else {
                ends.push(middle + half);
            }
            free.unwrap_or(ends.len() - 1)
        })
        .collect()
}

fn draw_axes(out: &mut String, chart: &SeriesChart<'_>, axis: &Axis<'_>, plane: &Plane) {
    for (tick, text) in axis.scale.ticks(plane.low, plane.high) {
        let y = plane.y(tick);
        let _ = write!(
            out,
            "<line x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"{GRID}\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{SOFT}\">{text}</text>",
            LEFT - 6.0,
            y + 4.0,
        );
    }
    let mut end = f64::NEG_INFINITY;
    for (day, text) in chart.days {
        let (middle, half) = word_middle(plane.x(*day), text.chars().count());
        // A long history has more quarters than there is room for.
        if middle - half <= end + LETTER {
            continue;
        }
        end = middle + half;
        let _ = write!(
            out,
            "<text x=\"{middle:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{SOFT}\">{}</text>",
            plane.bottom() + 15.0,
            escape(text)
        );
    }
}

fn draw_bands(out: &mut String, points: &[SeriesMark], plane: &Plane) {
    for point in points {
        if let (Some(lower), Some(upper)) = (point.lower, point.upper) {
            let _ = write!(
                out,
                "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{1:.1}\" y2=\"{2:.1}\" stroke=\"{BAND}\" stroke-width=\"2\"/>",
                plane.x(point.day),
                plane.y(lower),
                plane.y(upper)
            );
        }
    }
}

/// A dotted line in time with its word above.
fn draw_time_mark(out: &mut String, mark: &TimeMark, lane: usize, plane: &Plane) {
    let x = plane.x(mark.day);
    let (middle, _) = word_middle(x, mark.word.chars().count());
    let base = plane.top - 4.0 - LANE * lane as f64;
    let _ = write!(
        out,
        "<line x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{:.1}\" y2=\"{:.1}\" stroke=\"{INK}\" stroke-dasharray=\"2 3\"/><text x=\"{middle:.1}\" y=\"{base:.1}\" text-anchor=\"middle\" fill=\"{INK}\">{}</text>",
        base + 3.0,
        plane.bottom(),
        escape(&mark.word)
    );
}

fn draw_points(out: &mut String, points: &[SeriesMark], plane: &Plane) {
    for point in points {
        let Some(value) = point.value else { continue };
        let (cx, cy) = (plane.x(point.day), plane.y(value));
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
}

#[cfg(test)]
mod tests {
    use super::super::Scale;
    use super::*;

    const AXIS: Axis<'_> = Axis {
        title: "x",
        summary: "s",
        scale: Scale::Number,
        from: 0.0,
        to: 0.0,
    };

    fn mark(day: f64, word: &str) -> TimeMark {
        TimeMark {
            day,
            word: word.to_owned(),
        }
    }

    fn point(day: f64, value: f64) -> SeriesMark {
        SeriesMark {
            day,
            value: Some(value),
            lower: Some(value - 0.1),
            upper: Some(value + 0.1),
            out_of_band: value < 0.5,
        }
    }

    #[test]
    fn a_series_without_a_value_says_so() {
        let chart = SeriesChart {
            points: &[],
            marks: &[mark(1.0, "rebuild")],
            days: &[],
        };
        assert!(series(&chart, &AXIS).contains("no point"));
    }

    #[test]
    fn one_point_and_many_can_be_drawn() {
        for n in [1, 300] {
            let points: Vec<_> = (0..n)
                .map(|i| point(f64::from(i), 1.0 / f64::from(i + 1)))
                .collect();
            let svg = series(
                &SeriesChart {
                    points: &points,
                    marks: &[],
                    days: &[],
                },
                &AXIS,
            );
            let n_points = svg.matches("<circle").count() + svg.matches("<rect").count();
            assert_eq!(n_points, points.len());
            assert!(!svg.contains("NaN"), "{svg}");
            assert!(crate::png::to_png(&svg).is_ok());
        }
    }

    #[test]
    fn words_never_overlap() {
        let marks: Vec<_> = (0..6)
            .map(|i| mark(100.0 + 5.0 * f64::from(i), "pump oil"))
            .collect();
        let chart = SeriesChart {
            points: &[point(0.0, 1.0), point(500.0, 1.0)],
            marks: &marks,
            days: &[],
        };
        let plane = plane(&chart).unwrap();
        let lanes = lanes(&marks, &plane);
        for (i, a) in lanes.iter().enumerate() {
            for (j, b) in lanes.iter().enumerate().skip(i + 1) {
                let apart = plane.x(marks.get(j).unwrap().day) - plane.x(marks.get(i).unwrap().day);
                assert!(a != b || apart > 8.0 * LETTER, "{i} and {j}: {lanes:?}");
            }
        }
        let svg = series(&chart, &AXIS);
        assert_eq!(svg.matches(">pump oil<").count(), 6);
    }

    #[test]
    fn work_of_one_day_is_one_line() {
        let marks = [
            mark(9.2, "filter"),
            mark(9.1, "rebuild"),
            mark(9.3, "filter"),
            mark(20.0, "filter"),
        ];
        let words: Vec<String> = same_day_together(&marks)
            .into_iter()
            .map(|m| m.word)
            .collect();
        assert_eq!(words, ["rebuild, filter", "filter"]);
    }

    #[test]
    fn labels_of_a_long_history_do_not_overlap() {
        let days: Vec<_> = (0..40)
            .map(|i| (91.0 * f64::from(i), "2026-01-01".to_owned()))
            .collect();
        let chart = SeriesChart {
            points: &[point(0.0, 1.0), point(3640.0, 1.0)],
            marks: &[],
            days: &days,
        };
        let n = series(&chart, &AXIS).matches("2026-01-01").count();
        assert!((5..=10).contains(&n), "{n} labels");
    }
}
