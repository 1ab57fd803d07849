//! The chart of one vacuum pump over time, for a unit's page and for the mail.

use drydown_pumps::{PumpHealth, PumpState};
use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::Registers;

use crate::chart::{Axis, Scale, SeriesChart, SeriesMark, TimeMark, nothing, series};
use crate::show::counted;
use crate::words;

/// What the values of a pump's level are, for axes.
pub(crate) const LEVEL: &str =
    "pumping speed, % of the pump's own level after its last reset (equal steps are equal ratios)";

/// What one mark of the chart is.
pub(crate) const PUMP_MARK: &str = "One dot is one run with an accepted start, one square a run in \
    alert or alarm; the upright bar behind it is the 90 % band that was expected of it; 100 % is the \
    pump's own level after its last reset (work that renews it); dotted lines are recorded maintenance.";

/// The rows of one unit, by time, as a chart.
pub(crate) fn pump_chart(rows: &[&PumpHealth], registers: &Registers) -> String {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        return nothing("no run of this unit yet");
    };
    if !has_level(rows) {
        return nothing("no start of this pump could be judged, so no level is drawn");
    }
    let points: Vec<SeriesMark> = rows
        .iter()
        .map(|row| SeriesMark {
            day: day(row.at),
            value: row.indicator,
            lower: row.lower_90,
            upper: row.upper_90,
            out_of_band: is_out(row),
        })
        .collect();
    let marks = work_marks(&first.unit_id, first.at, registers);
    let summary = format!(
        "Pump level of {} from {} to {}: {}, {} of them in alert or alarm",
        first.unit_id,
        first.at.day(),
        last.at.day(),
        counted(
            points.iter().filter(|p| p.value.is_some()).count(),
            "run",
            "runs"
        ),
        rows.iter()
            .filter(|row| is_out(row) && row.indicator.is_some())
            .count(),
    );
    series(
        &SeriesChart {
            points: &points,
            marks: &marks,
            days: &day_labels(first.at, last.at),
        },
        &Axis {
            title: LEVEL,
            summary: &summary,
            scale: Scale::LogPercent,
            from: 0.0,
            to: 0.0,
        },
    )
}

/// What one mark of the chart of pressures is.
pub(crate) const PRESSURE_MARK: &str = "One dot is the chamber pressure at the end of one run, kPa \
    absolute, one square that of a run in alert or alarm. It carries the oil's vapour and an open vent \
    too: a wet or a vented job stands high with a sound pump. Dotted lines are recorded maintenance.";

/// The pressure that a unit's runs ended with, over time; None where fewer than two runs tell it.
pub(crate) fn pressure_chart(
    runs: &[&Run],
    rows: &[&PumpHealth],
    registers: &Registers,
) -> Option<String> {
    let told: Vec<&Run> = runs
        .iter()
        .copied()
        .filter(|run| run.steady_kpa.is_some())
        .collect();
    let (first, last) = (told.first()?, told.last()?);
    if told.len() < 2 {
        return None;
    }
    let points: Vec<SeriesMark> = told
        .iter()
        .map(|run| SeriesMark {
            day: day(run.ended_at),
            value: run.steady_kpa,
            lower: None,
            upper: None,
            out_of_band: rows
                .iter()
                .any(|row| row.run_id == run.run_id && is_out(row)),
        })
        .collect();
    let summary = format!(
        "Chamber pressure at the end of {} of {} from {} to {}",
        counted(told.len(), "run", "runs"),
        first.unit_id,
        first.ended_at.day(),
        last.ended_at.day(),
    );
    Some(series(
        &SeriesChart {
            points: &points,
            marks: &work_marks(&first.unit_id, first.ended_at, registers),
            days: &day_labels(first.ended_at, last.ended_at),
        },
        &Axis {
            title: "chamber pressure at the end of the run, kPa absolute",
            summary: &summary,
            scale: Scale::Number,
            from: 0.0,
            to: 0.0,
        },
    ))
}

fn work_marks(unit: &UnitId, from: Stamp, registers: &Registers) -> Vec<TimeMark> {
    registers
        .maintenance_of(unit)
        .iter()
        .filter(|work| work.at >= from)
        .map(|work| TimeMark {
            day: day(work.at),
            word: words::maintenance(work.action).to_owned(),
        })
        .collect()
}

/// Whether any run has a level to draw.
pub(crate) fn has_level(rows: &[&PumpHealth]) -> bool {
    rows.iter().any(|row| row.indicator.is_some())
}

/// Whether a pump is out of control at a run.
pub(crate) const fn is_out(row: &PumpHealth) -> bool {
    matches!(row.state, PumpState::Alert | PumpState::Alarm)
}

fn day(at: Stamp) -> f64 {
    at.days_after(Stamp::from_micros(0))
}

/// The quarters' starts between two times; the two times where no quarter starts between them.
fn day_labels(from: Stamp, to: Stamp) -> Vec<(f64, String)> {
    let mut labels = Vec::new();
    let mut quarter = from.quarter().next();
    while quarter.start() <= to {
        labels.push(quarter.start());
        quarter = quarter.next();
    }
    if labels.len() < 2 {
        labels = vec![from, to];
    }
    labels
        .into_iter()
        .map(|at| (day(at), at.day().to_string()))
        .collect()
}
