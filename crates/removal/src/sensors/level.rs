//! The level a sensor showed over some hours in and around a run.

use drydown_quantity::Stamp;
use drydown_runs::Run;

/// The hours in which a sample was drawn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    pub(super) from: Stamp,
    pub(super) to: Stamp,
}

/// One bin of drying: time, what the sensor showed (None: only a bound) and the oil's temperature in °C.
type Bin = (Stamp, Option<f64>, Option<f64>);

/// What a sensor showed over a run, and what that says of the hours before and after it.
#[derive(Clone, Debug)]
pub(super) struct Track {
    started_at: Stamp,
    ended_at: Stamp,
    bins: Vec<Bin>,
    /// The coldest oil of the run, heating included: nearest to the tank before the start.
    pub(super) coldest_degc: Option<f64>,
    within_h: f64,
}

/// The range of the sensor's level over a window.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    pub(super) low_ppm: f64,
    pub(super) high_ppm: f64,
    /// How far the first value was carried back to the start.
    pub(super) carried_ppm: f64,
    pub(super) oil_degc: Option<f64>,
}

/// The first and the last this many hours of drying speak for the tank before and after.
const EDGE_H: f64 = 0.5;

impl Track {
    /// `bins` by time; `within_h` is how far a value may lie from the window.
    pub(super) const fn new(
        run: &Run,
        bins: Vec<Bin>,
        coldest_degc: Option<f64>,
        within_h: f64,
    ) -> Self {
        Self {
            started_at: run.started_at,
            ended_at: run.ended_at,
            bins,
            coldest_degc,
            within_h,
        }
    }

    /// The range of the sensor over a window: of the bins in it and the nearest on each side, of the level carried back to
    /// the start where it begins before the run, and of the last values where it ends after the run. None where the
    /// sensor says nothing of part of it.
    pub(super) fn over(&self, window: &Window) -> Option<Level> {
        let (before, after) = (window.from < self.started_at, window.to > self.ended_at);
        let mut values = Vec::new();
        let mut carried_ppm = 0.0;
        let mut oil_degc = None;
        if before {
            let (start, first) = self.at_start()?;
            carried_ppm = start - first;
            values.push(start);
            oil_degc = self.bins.first().and_then(|bin| bin.2);
        }
        if after {
            values.extend(self.at_end()?);
            oil_degc = oil_degc.or_else(|| self.bins.last().and_then(|bin| bin.2));
        }
        if window.to >= self.started_at && window.from <= self.ended_at {
            let near = |at: Stamp, edge: Stamp| at.hours_after(edge).abs() <= self.within_h;
            let from = window.from.max(self.started_at);
            let to = window.to.min(self.ended_at);
            let last_before = self.bins.iter().rev().find(|bin| bin.0 <= from);
            let first_after = self.bins.iter().find(|bin| bin.0 >= to);
            // With nothing on one side the first or last bin inside must be near to that edge.
            let inside = || self.bins.iter().filter(|bin| bin.0 > from && bin.0 < to);
            let left = last_before.or_else(|| inside().next()).or(first_after)?;
            let right = first_after
                .or_else(|| inside().next_back())
                .or(last_before)?;
            if !near(left.0, from) || !near(right.0, to) {
                return None;
            }
            for bin in [left, right].into_iter().chain(inside()) {
                values.push(bin.1?);
                oil_degc = oil_degc.or(bin.2);
            }
        }
        let low_ppm = values.iter().copied().min_by(f64::total_cmp)?;
        let high_ppm = values.iter().copied().max_by(f64::total_cmp)?;
        Some(Level {
            low_ppm,
            high_ppm,
            carried_ppm,
            oil_degc,
        })
    }

    /// What the sensor would have shown at the start, and its first value: the straight line through the first half hour
    /// of drying, carried back.
    ///
    /// None where drying began more than half an hour after the start (heating comes first, and dries too), or where that
    /// time has too few values.
    fn at_start(&self) -> Option<(f64, f64)> {
        const N_MIN: usize = 3;
        let first_h = self.bins.first()?.0.hours_after(self.started_at);
        if first_h > EDGE_H {
            return None;
        }
        let points: Option<Vec<(f64, f64)>> = self
            .bins
            .iter()
            .map(|(at, ppm, _)| (at.hours_after(self.started_at), *ppm))
            .take_while(|(hours, _)| *hours <= first_h + EDGE_H)
            .map(|(hours, ppm)| Some((hours, ppm?)))
            .collect();
        let points = points?;
        if points.len() < N_MIN {
            return None;
        }
        let n = points.len() as f64;
        let mean_h = points.iter().map(|point| point.0).sum::<f64>() / n;
        let mean_ppm = points.iter().map(|point| point.1).sum::<f64>() / n;
        let across: f64 = points.iter().map(|(h, _)| (h - mean_h).powi(2)).sum();
        let along: f64 = points
            .iter()
            .map(|(h, ppm)| (h - mean_h) * (ppm - mean_ppm))
            .sum();
        // Water does not rise by drying: a rise is a sensor or a loop that is still settling.
        let slope = if across > 0.0 {
            (along / across).min(0.0)
        } else {
            0.0
        };
        let start = mean_ppm - slope * mean_h;
        let first = mean_ppm + slope * (first_h - mean_h);
        (start.is_finite() && start > 0.0).then_some((start, first))
    }

    /// What the sensor showed last, where it showed something near to the end.
    fn at_end(&self) -> Option<Vec<f64>> {
        let last = self.bins.last()?.0;
        if self.ended_at.hours_after(last) > EDGE_H {
            return None;
        }
        // The level at the end, and half an hour before it: a reading that still fell as the unit stopped says less.
        let values: Option<Vec<f64>> = self
            .bins
            .iter()
            .filter(|bin| last.hours_after(bin.0) <= EDGE_H)
            .map(|bin| bin.1)
            .collect();
        values.filter(|values| !values.is_empty())
    }
}
