//! Every chart of the pages and the mail, as SVG. A chart draws what it is given and computes no estimate.
//!
//! Colours are written as attributes, since mail readers get the same chart as a picture; on the
//! charts' paper, text has a contrast of at least 4.5 and marks of at least 3 (WCAG 2.2, 1.4.3
//! and 1.4.11).

mod fit;
mod funnel;
mod intervals;
mod scale;
mod series;

use std::fmt::Write as _;

use crate::html::escape;

pub(crate) use fit::{FitChart, FitMark, FitMarkKind, fit};
pub(crate) use funnel::{FunnelMark, funnel};
pub(crate) use intervals::{IntervalRow, intervals};
pub(crate) use scale::{Axis, Scale};
pub(crate) use series::{SeriesChart, SeriesMark, TimeMark, series};

const INK: &str = "#20261f";
const SOFT: &str = "#5d665a";
const GRID: &str = "#dfe5d8";
const BAND: &str = "#86957b";
const MARK: &str = "#7a3b12";
const COOL: &str = "#1d4f63";
const PAPER: &str = "#fdfdfa";
const WIDTH: f64 = 760.0;
/// Half width of a normal law's middle nine tenths, in standard deviations.
pub(crate) const NINE_TENTHS: f64 = 1.644_853_626_951_472_6;
/// Mean width of a letter of the charts' font at its size, px.
const LETTER: f64 = 6.2;

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

/// Begins a chart; the summary is what a screen reader says in its place.
fn open(height: f64, summary: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"{}\" font-family=\"DejaVu Sans, sans-serif\" font-size=\"11\">",
        escape(summary)
    )
}

fn axis_title(out: &mut String, (left, right): (f64, f64), height: f64, title: &str) {
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"{INK}\">{}</text>",
        (left + right) / 2.0,
        height - 6.0,
        escape(title)
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast ratio of WCAG 2.2 (definitions of terms).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |colour: &str| {
            let channel = |from: usize| {
                let text = colour.get(from..from + 2).unwrap();
                let value = f64::from(u8::from_str_radix(text, 16).unwrap()) / 255.0;
                if value <= 0.04045 {
                    value / 12.92
                } else {
                    ((value + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn contrast_is_that_of_the_standard() {
        // WCAG 2.2: black on white is 21:1; #767676 is the lightest grey that reaches 4.5:1.
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#767676", "#ffffff") - 4.54).abs() < 0.005);
    }

    #[test]
    fn text_and_marks_can_be_told_from_the_paper() {
        for text in [INK, SOFT] {
            assert!(contrast(text, PAPER) >= 4.5, "{text}");
        }
        for mark in [BAND, MARK, COOL] {
            assert!(contrast(mark, PAPER) >= 3.0, "{mark}");
        }
    }

    #[test]
    fn a_sentence_in_place_of_a_chart_is_escaped() {
        let svg = nothing("no run of <U-1> yet");
        assert_eq!(svg.matches("&lt;U-1&gt;").count(), 2);
        assert!(crate::png::to_png(&svg).is_ok());
    }
}
