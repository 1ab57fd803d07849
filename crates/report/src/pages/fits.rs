//! The fits of one unit's runs of the quarter: the curve over the data, and whether what it left over looks like error.

use std::collections::BTreeMap;

use drydown_removal::{CurveFit, ResidualChecks, RunCurve, Use};
use drydown_runs::Run;
use drydown_runs::history::Unit;

use super::Page;
use super::parts::{in_quarter, reservoir_link, standing};
use crate::chart::{Axis, FitChart, FitMark, FitMarkKind, Scale, fit};
use crate::frame::{Frame, page};
use crate::html::{Cell, escape, link, slug, table};
use crate::input::ReportInput;
use crate::show::{NONE, counted, number, with_range};
use crate::words::{regime, run_status, sentence};

/// Readings drawn of one run, evenly taken.
const DRAWN: usize = 200;

/// Where the page of a unit's fits lies in the report.
fn path(unit: &Unit) -> String {
    format!("fits/{}.html", slug(unit.unit_id.as_str()))
}

/// The start of a run, from the unit's page a link to the picture of its fit where there is one.
pub(super) fn start_link(input: &ReportInput<'_>, run: &Run) -> String {
    let at = input.display.time(run.started_at);
    let fitted = input
        .curves
        .get(&run.run_id)
        .filter(|curve| curve.fit.is_some());
    if fitted.is_none() {
        return escape(&at);
    }
    let (unit, run) = (slug(run.unit_id.as_str()), slug(run.run_id.as_str()));
    link(&format!("../fits/{unit}.html#{run}"), &at)
}

/// The page; None where no run of the quarter was fitted.
pub(super) fn render(input: &ReportInput<'_>, unit: &Unit) -> Option<Page> {
    let sections: Vec<String> = input
        .runs
        .iter()
        .filter(|run| run.unit_id == unit.unit_id && in_quarter(input, run))
        .filter_map(|run| section(input, run))
        .collect();
    if sections.is_empty() {
        return None;
    }
    let title = format!("Fits of unit {}, {}", unit.unit_id, input.quarter);
    let mut body = format!(
        "<p>{}: {}. Dots are the water sensor's readings (at most {DRAWN} of a run, evenly taken), pale where the fit left them out; \
         squares are laboratory samples, hollow where left out; triangles are bounds, pointing to where the water lay. The full line is what the sensor should have \
         read; the broken line is the water in the oil, drawn where the sensor's offset or place sets the two apart. The strip below has what each \
         value is off by, in standard deviations, less what the value before foretold of it: nine of ten should lie between the pale lines, without any pattern. \
         Times are those of {}.</p>\n",
        link(
            &format!("../units/{}.html", slug(unit.unit_id.as_str())),
            unit.unit_id.as_str()
        ),
        counted(sections.len(), "run fitted", "runs fitted"),
        escape(input.display.zone_name()),
    );
    body.extend(sections);
    let frame = Frame {
        title: &title,
        standing: &standing(input),
        file: "",
        up: "../",
    };
    Some(Page {
        path: path(unit),
        text: page(&frame, &body),
    })
}

fn section(input: &ReportInput<'_>, run: &Run) -> Option<String> {
    let curve = input.curves.get(&run.run_id)?;
    let fitted = curve.fit.as_ref()?;
    let row = input.removal_runs.get(&run.run_id)?;
    let at = input.display.time(run.started_at);
    let reservoir = run.reservoir_id.as_ref().map_or_else(
        || "reservoir not known".to_owned(),
        |id| reservoir_link(input, id.as_str(), "../"),
    );
    let rate = match with_range(
        row.removal_rate_per_h,
        row.removal_rate_lower_90,
        row.removal_rate_upper_90,
        3,
    ) {
        none if none == NONE => "no removal rate".to_owned(),
        rate => format!("removal rate {rate} per hour (90 %)"),
    };
    let summary = format!(
        "Water in run {at}: from {} to {} ppm in {} h, with the fitted curve",
        number(Some(fitted.start_ppm), 0),
        number(Some(fitted.end_ppm), 0),
        number(Some(run.hours), 0)
    );
    let axis = Axis {
        title: "",
        summary: &summary,
        scale: Scale::Number,
        from: 0.0,
        to: 0.0,
    };
    let other = if fitted.differs_from_row {
        " The stored figures also rest on the other runs of the reservoir; this curve on the run alone, and it ends a little apart."
    } else {
        ""
    };
    Some(format!(
        "<section id=\"{}\"><h2>{}, {reservoir}</h2>\n<p>{} {}{} {}{other}</p>\n<figure>{}<figcaption>{}</figcaption></figure></section>\n",
        slug(run.run_id.as_str()),
        escape(&at),
        escape(&sentence(run_status(row.status))),
        escape(&sentence(&format!("{}; {rate}", regime(fitted.regime)))),
        sensor(fitted),
        left_out(curve),
        fit(&chart(run, curve, fitted), &axis),
        escape(&checked(fitted.checks.as_ref())),
    ))
}

/// How many of the quarter's fits leave something odd, by kind; empty where none could be checked.
pub(super) fn summary(input: &ReportInput<'_>) -> String {
    let checks: Vec<&ResidualChecks> = input
        .runs
        .iter()
        .filter(|run| in_quarter(input, run))
        .filter_map(|run| input.curves.get(&run.run_id)?.fit.as_ref()?.checks.as_ref())
        .collect();
    if checks.is_empty() {
        return String::new();
    }
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for words in checks.iter().flat_map(|checks| checks.odd()) {
        *counts.entry(words).or_default() += 1;
    }
    let rows: Vec<Vec<Cell>> = counts
        .iter()
        .map(|(words, n)| {
            vec![
                Cell::Text((*words).to_owned()),
                Cell::Figure(n.to_string()),
                Cell::Figure(number(Some(100.0 * *n as f64 / checks.len() as f64), 0)),
            ]
        })
        .collect();
    format!(
        "<h2>What the fits of the quarter leave over</h2>\n{}",
        table(
            &format!(
                "One row is one kind of oddity at 1 in 100, of {} whose residuals could be checked; one per cent of sound fits would show each. A unit's page leads to the pictures of its fits.",
                counted(checks.len(), "fit", "fits")
            ),
            &["what is odd", "fits", "per cent"],
            &rows,
        )
    )
}

/// What the fit thinks of the sensor, where that is worth a word.
fn sensor(fitted: &CurveFit) -> String {
    if fitted.sensor_offset_ppm.abs() < 0.5 && (fitted.sensor_gain - 1.0).abs() < 0.005 {
        return String::new();
    }
    format!(
        " The sensor is taken to read {} ppm off, at {} times the truth.",
        number(Some(fitted.sensor_offset_ppm), 0),
        number(Some(fitted.sensor_gain), 2)
    )
}

/// How many readings and samples did not speak, by reason.
fn left_out(curve: &RunCurve) -> String {
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    let readings = curve.readings.iter().map(|reading| reading.used);
    for used in readings.chain(curve.samples.iter().map(|sample| sample.used)) {
        if let Use::LeftOut(why) = used {
            *reasons.entry(why).or_default() += 1;
        }
    }
    if reasons.is_empty() {
        return "Nothing was left out.".to_owned();
    }
    let said: Vec<String> = reasons
        .iter()
        .map(|(why, n)| format!("{} ({n})", escape(why)))
        .collect();
    format!("Left out: {}.", said.join(", "))
}

fn chart(run: &Run, curve: &RunCurve, fitted: &CurveFit) -> FitChart {
    let step = curve.readings.len().div_ceil(DRAWN).max(1);
    let drawn = || curve.readings.iter().step_by(step);
    let mut marks: Vec<FitMark> = drawn()
        .filter_map(|reading| {
            Some(FitMark {
                hours: reading.hours,
                ppm: reading.measured_ppm?,
                kind: kind(
                    reading.used,
                    FitMarkKind::Reading,
                    FitMarkKind::ReadingLeftOut,
                ),
            })
        })
        .collect();
    marks.extend(curve.samples.iter().filter_map(|sample| {
        Some(FitMark {
            hours: sample.at?.hours_after(run.started_at),
            ppm: sample.measured_ppm?,
            kind: kind(sample.used, FitMarkKind::Sample, FitMarkKind::SampleLeftOut),
        })
    }));
    let line = |value: fn(&drydown_removal::CurveReading) -> Option<f64>| -> Vec<(f64, f64)> {
        drawn()
            .filter_map(|reading| Some((reading.hours, value(reading)?)))
            .collect()
    };
    let apart = drawn().any(|reading| {
        reading
            .sensor_ppm
            .zip(reading.water_ppm)
            .is_some_and(|(sensor, water)| (sensor - water).abs() > 0.01 * water.max(1.0))
    });
    FitChart {
        marks,
        sensor: line(|reading| reading.sensor_ppm),
        water: if apart {
            line(|reading| reading.water_ppm)
        } else {
            Vec::new()
        },
        residuals: fitted
            .residuals
            .iter()
            .map(|one| (one.at.hours_after(run.started_at), one.innovation))
            .collect(),
    }
}

const fn kind(used: Use, level: FitMarkKind, left_out: FitMarkKind) -> FitMarkKind {
    match used {
        Use::Level | Use::Side => level,
        Use::AtLeast => FitMarkKind::AtLeast,
        Use::AtMost => FitMarkKind::AtMost,
        Use::LeftOut(_) => left_out,
    }
}

/// The checks in one sentence, and what is odd in another.
fn checked(checks: Option<&ResidualChecks>) -> String {
    let Some(checks) = checks else {
        return "Too few values to check what the curve left over.".to_owned();
    };
    let odd = checks.odd();
    let verdict = if odd.is_empty() {
        "Nothing odd at 1 in 100.".to_owned()
    } else {
        format!("Odd at 1 in 100: {}.", odd.join("; "))
    };
    format!(
        "{verdict} Of {} values: correlation with the one before {} (Ljung–Box p {}); {} stretches on one side, {} expected (p {}); trend in time p {}; normal law p {}; {} beyond three sd, {} expected.",
        checks.n,
        number(Some(checks.memory.lag_one), 2),
        number(Some(checks.memory.p_value), 2),
        checks.sides.n_runs,
        number(Some(checks.sides.expected), 0),
        number(Some(checks.sides.p_value), 2),
        number(Some(checks.trend.p_value), 2),
        number(Some(checks.normality.p_value), 2),
        checks.outlying.n,
        number(Some(checks.outlying.expected), 1),
    )
}
