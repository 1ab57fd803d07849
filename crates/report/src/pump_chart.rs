//! The chart of one vacuum pump over time, for a unit's page and for the mail.

use drydown_pumps::{PumpHealth, PumpState};
use drydown_quantity::Stamp;
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
    let marks: Vec<TimeMark> = registers
        .maintenance_of(&first.unit_id)
        .iter()
        .filter(|work| work.at >= first.at)
        .map(|work| TimeMark {
            day: day(work.at),
            word: words::maintenance(work.action).to_owned(),
        })
        .collect();
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
