//! A steady pressure that a set point or a vent holds: it tells nothing of the pump until the pump can no longer
//! hold it.

use drydown_quantity::Stamp;
use drydown_runs::Run;

/// Runs in a row whose pressures tell of a set point (common practice).
const LEAST: usize = 5;
/// Runs in a row that tell of another one.
const LEAST_NEW: usize = 3;
/// Runs of a pump that nothing holds differ by per cents, for their oils do; held ones by less than this, of ln
/// pressure.
const HELD: f64 = 0.004;
/// A set point is lost where a run lies this far above it, of ln pressure (`least_steady_rise` by default).
const LOST: f64 = 0.06;
/// A vent logged no further open is shut, per cent (common practice).
const SHUT_PCT: f64 = 3.0;

/// One run's ln pressure, where it stood, and when.
#[derive(Clone, Copy, Debug)]
struct Held {
    at: Stamp,
    ln_kpa: f64,
    vent_pct: Option<f64>,
}

/// The set point of a unit as its runs show it.
#[derive(Clone, Debug, Default)]
pub(crate) struct SetPoint {
    runs: Vec<Held>,
    /// What is held, ln kPa.
    ln_set: Option<f64>,
    /// Runs above it since it was last held.
    above: usize,
    lost_since: Option<Stamp>,
}

impl SetPoint {
    /// Takes a run with a steady pressure in.
    pub(crate) fn take(&mut self, run: &Run, kpa: f64) {
        let now = Held {
            at: run.ended_at,
            ln_kpa: kpa.ln(),
            vent_pct: run.vent_open_pct,
        };
        self.runs.push(now);
        let shut = now.vent_pct.is_some_and(|pct| pct <= SHUT_PCT);
        if let Some(set) = self.ln_set.filter(|set| now.ln_kpa > set + LOST) {
            self.above += 1;
            // With the vent shut nothing but the pump holds it. Where no vent is logged, two runs that differ are no
            // other set point.
            let unlike = self.above > 1 && self.alike(2).is_none() && now.vent_pct.is_none();
            if self.lost_since.is_none() && (shut || unlike) {
                self.lost_since = Some(self.first_above(set));
            }
        } else {
            self.above = 0;
            self.lost_since = None;
        }
        let least = if self.ln_set.is_some() {
            LEAST_NEW
        } else {
            LEAST
        };
        if let Some(set) = self.alike(least).filter(|_| !shut) {
            (self.ln_set, self.above, self.lost_since) = (Some(set), 0, None);
        } else if self.above == 0
            && self
                .ln_set
                .is_some_and(|set| (now.ln_kpa - set).abs() > HELD)
        {
            self.ln_set = None;
        }
    }

    /// Forgets all: another pump, another gauge.
    pub(crate) fn clear(&mut self) {
        *self = Self::default();
    }

    /// What the set point holds, kPa, where the last run was held.
    pub(crate) fn held_kpa(&self) -> Option<f64> {
        self.ln_set.filter(|_| self.above == 0).map(f64::exp)
    }

    /// Since when the pump no longer holds it.
    pub(crate) fn lost_since(&self) -> Option<Stamp> {
        self.lost_since
    }

    /// ln pressure that so many last runs share.
    fn alike(&self, n: usize) -> Option<f64> {
        let last = self.runs.get(self.runs.len().checked_sub(n)?..)?;
        let ln: Vec<f64> = last.iter().map(|run| run.ln_kpa).collect();
        let low = ln.iter().copied().fold(f64::INFINITY, f64::min);
        let high = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (high - low <= 2.0 * HELD).then_some(0.5 * (low + high))
    }

    /// When the first of the last runs above a set point ended.
    fn first_above(&self, set: f64) -> Stamp {
        let above = self
            .runs
            .iter()
            .rev()
            .take_while(|run| run.ln_kpa > set + LOST);
        above.last().map_or(Stamp::from_micros(0), |run| run.at)
    }
}
