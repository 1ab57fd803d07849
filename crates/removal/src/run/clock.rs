//! Working hours along a run: a short stop inside a run dries nothing.

use drydown_quantity::Stamp;
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::robust;

/// A monotone map from the wall clock to working hours.
#[derive(Clone, Debug)]
pub(super) struct WorkClock {
    /// Time, working hours until then; ascending.
    knots: Vec<(Stamp, f64)>,
    bin_h: f64,
}

impl WorkClock {
    /// From a run's bins and its own count of working hours.
    ///
    /// A hole in the series is either a stop or a gap of the logger. The run's hours exclude stops, so the
    /// share of the holes that was worked follows from them.
    pub(super) fn from_run(run: &Run, series: &[SeriesPoint]) -> Self {
        let end = run.ended_at.max(run.started_at);
        let mut times: Vec<Stamp> = series.iter().map(|point| point.at).collect();
        times.extend([run.started_at, end]);
        times.sort_unstable();
        times.dedup();
        let inner: Vec<f64> = series
            .windows(2)
            .filter_map(|pair| Some(pair.get(1)?.at.hours_after(pair.first()?.at)))
            .filter(|hours| *hours > 0.0)
            .collect();
        let span = end.hours_after(run.started_at);
        let bin_h = robust::median(&inner).unwrap_or(span).max(1.0 / 60.0);
        let holes: f64 = gaps(&times).map(|gap| hole(gap, bin_h)).sum();
        let stopped = (span - run.hours).clamp(0.0, span);
        let share = if holes > 0.0 {
            (1.0 - stopped / holes).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let mut worked = 0.0;
        let mut knots = Vec::with_capacity(times.len());
        for (idx, at) in times.iter().enumerate() {
            if let Some(before) = idx.checked_sub(1).and_then(|prev| times.get(prev)) {
                let gap = at.hours_after(*before);
                let missing = hole(gap, bin_h);
                worked += gap - missing + share * missing;
            }
            knots.push((*at, worked));
        }
        Self { knots, bin_h }
    }

    /// Working hours from the run's start to a time.
    pub(super) fn worked_at(&self, at: Stamp) -> f64 {
        let idx = self.knots.partition_point(|knot| knot.0 < at);
        match (
            idx.checked_sub(1).and_then(|prev| self.knots.get(prev)),
            self.knots.get(idx),
        ) {
            (None, Some(first)) => first.1,
            (Some(last), None) => last.1,
            (Some(a), Some(b)) => {
                let whole = b.0.hours_after(a.0);
                let share = if whole > 0.0 {
                    at.hours_after(a.0) / whole
                } else {
                    0.0
                };
                a.1 + share * (b.1 - a.1)
            }
            (None, None) => 0.0,
        }
    }

    pub(super) fn total_hours(&self) -> f64 {
        self.knots.last().map_or(0.0, |knot| knot.1)
    }

    pub(super) const fn bin_hours(&self) -> f64 {
        self.bin_h
    }
}

fn gaps(times: &[Stamp]) -> impl Iterator<Item = f64> + '_ {
    times
        .windows(2)
        .filter_map(|pair| Some(pair.get(1)?.hours_after(*pair.first()?)))
}

/// The part of a gap that is longer than a bin and a half, hours.
fn hole(gap_h: f64, bin_h: f64) -> f64 {
    if gap_h > 1.5 * bin_h {
        gap_h - bin_h
    } else {
        0.0
    }
}
