//! One witness of pump condition under watch: standardised innovations on a one-sided control chart.
//!
//! Each observation is compared with what the filter expected before it came, so that correlation
//! in time, few data after a reset, sound drift and the error of each fit are all in the yardstick;
//! the innovations of a sound pump are then independent and of unit variance, for which the chart's
//! limit is designed. An observation of extreme size counts for no more than 3.5 standard
//! deviations: persistence alarms, not one start. While in alert the filter no longer learns.

use drydown_quantity::Stamp;

use crate::filter::{Expected, Filter, Spread};

/// Innovations count up to this size.
const MOST_Z: f64 = 3.5;
/// Weight, in observations, of the fleet's spread beside the unit's own.
const OWN_SPREAD_PRIOR: f64 = 12.0;
/// Mean of min(z², 6) for a standard normal z.
const MEAN_CAPPED_SQUARE: f64 = 0.946;

/// Days since the epoch.
pub(crate) fn days_of(at: Stamp) -> f64 {
    at.seconds_after(Stamp::from_micros(0)) / 86_400.0
}

/// How a witness is judged.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rule {
    /// +1 where a rise is bad, −1 where a fall is.
    pub(crate) worse: f64,
    pub(crate) allowance: f64,
    pub(crate) limit: f64,
    /// Observations since the reset before it is judged.
    pub(crate) least: usize,
}

/// One observation as it was seen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seen {
    pub(crate) at: Stamp,
    pub(crate) y: f64,
    pub(crate) se: f64,
    pub(crate) expected: Expected,
    /// Level the filter held before this observation.
    pub(crate) level: f64,
    /// Standardised innovation, positive where worse.
    pub(crate) z: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct Monitor {
    spread: Spread,
    rule: Rule,
    filter: Filter,
    /// Observations since the reset, in time.
    pub(crate) seen: Vec<Seen>,
    pub(crate) cusum: f64,
    zero_at: Option<Stamp>,
    pub(crate) alert: bool,
    pub(crate) onset: Option<Stamp>,
    /// How often an alert went away by itself since the reset.
    pub(crate) recoveries: usize,
    square_sum: f64,
    square_n: f64,
}

impl Monitor {
    /// A monitor after a reset: the level is the prior's until observations come.
    pub(crate) fn new(spread: Spread, rule: Rule, at: Stamp, level: (f64, f64)) -> Self {
        Self {
            spread,
            rule,
            filter: Filter::new(spread, days_of(at), level.0, level.1),
            seen: Vec::new(),
            cusum: 0.0,
            zero_at: None,
            alert: false,
            onset: None,
            recoveries: 0,
            square_sum: 0.0,
            square_n: 0.0,
        }
    }

    /// Whether enough has been seen to judge.
    pub(crate) fn is_judged(&self) -> bool {
        self.seen.len() >= self.rule.least
    }

    pub(crate) fn spread(&self) -> Spread {
        self.spread
    }

    pub(crate) fn filter(&self) -> &Filter {
        &self.filter
    }

    /// Factor on the fleet's standard deviation that this unit's own past asks for.
    fn own_factor(&self) -> f64 {
        ((OWN_SPREAD_PRIOR + self.square_sum) / (OWN_SPREAD_PRIOR + self.square_n)).sqrt()
    }

    /// What the next observation at a time should be.
    pub(crate) fn expect(&self, at: Stamp, se: f64) -> Expected {
        let mut filter = self.filter;
        filter.advance(days_of(at));
        let expected = filter.expect(se);
        Expected { mean: expected.mean, sd: expected.sd * self.own_factor() }
    }

    /// Takes one observation and says how it was seen.
    pub(crate) fn observe(&mut self, at: Stamp, y: f64, se: f64) -> Seen {
        self.filter.advance(days_of(at));
        let expected = self.expect(at, se);
        let raw = self.rule.worse * (y - expected.mean) / expected.sd;
        let z = raw.clamp(-MOST_Z, MOST_Z);
        let seen = Seen { at, y, se, expected, level: self.filter.level().0, z };
        self.chart(at, z);
        if !self.alert {
            let fleet_z = raw * self.own_factor();
            self.square_sum += (fleet_z * fleet_z).min(6.0) / MEAN_CAPPED_SQUARE;
            self.square_n += 1.0;
            self.filter.learn(expected.mean + self.rule.worse * z * expected.sd, se);
        }
        self.seen.push(seen);
        if self.recovered() {
            self.restart();
        }
        seen
    }

    fn chart(&mut self, at: Stamp, z: f64) {
        if self.seen.is_empty() {
            // The first observation sets the level; what it says of change is its prior's.
            self.zero_at = Some(at);
            return;
        }
        self.cusum = (self.cusum + z - self.rule.allowance).clamp(0.0, 1.5 * self.rule.limit);
        if self.cusum <= 0.0 {
            self.zero_at = Some(at);
        }
        if self.cusum > self.rule.limit && self.is_judged() && !self.alert {
            self.alert = true;
            self.onset = self.zero_at;
        }
        if self.alert && self.cusum <= 0.0 {
            self.alert = false;
            self.onset = None;
            self.recoveries += 1;
        }
    }

    /// Whether the last three observations tell of a repair nobody wrote down: back at the old
    /// level during an alert, or a clear step to the better at any time.
    fn recovered(&self) -> bool {
        let Some([a, b, c]) = self.seen.last_chunk::<3>() else { return false };
        if self.seen.len() < self.rule.least.max(4) {
            return false;
        }
        let zs = [a.z, b.z, c.z];
        let sum: f64 = zs.iter().sum();
        if self.alert { sum < 1.0 && zs.iter().all(|z| *z < 1.5) } else { sum < -8.0 && c.z < -1.5 }
    }

    /// Starts again at the last three observations.
    fn restart(&mut self) {
        let tail: Vec<Seen> = self.seen.iter().rev().take(3).rev().copied().collect();
        let Some(first) = tail.first() else { return };
        let wide = 3.0 * self.spread.noise_sd.hypot(self.spread.shared_sd).hypot(first.se);
        self.recoveries += usize::from(self.alert);
        self.alert = false;
        self.onset = None;
        self.cusum = 0.0;
        self.zero_at = Some(first.at);
        self.filter = Filter::new(self.spread, days_of(first.at), first.y, wide);
        for seen in &tail {
            self.filter.advance(days_of(seen.at));
            self.filter.learn(seen.y, seen.se);
        }
        self.seen = tail;
    }

    /// Mean excess of the observations since the onset over what was expected of them, signed as
    /// observed, with its standard error; None without an onset or an observation since.
    pub(crate) fn shift_since(&self, onset: Stamp) -> Option<Shift> {
        let since: Vec<&Seen> = self.seen.iter().filter(|seen| seen.at > onset).collect();
        if since.is_empty() {
            return None;
        }
        let n = since.len() as f64;
        let level = |seen: &Seen| self.rule.worse * seen.z * seen.expected.sd;
        // While in alert nothing is learnt, so that innovations are distances from the old level.
        let away = |seen: &Seen| {
            let raw = seen.y - seen.expected.mean;
            if raw.abs() > MOST_Z * seen.expected.sd && since.len() < 3 { level(seen) } else { raw }
        };
        let late = since.len().div_ceil(2);
        let recent = since.iter().rev().take(late).map(|seen| away(seen)).sum::<f64>() / late as f64;
        let mean = since.iter().map(|seen| away(seen)).sum::<f64>() / n;
        let noise = self.spread.noise_sd.hypot(self.spread.shared_sd);
        let own = since.iter().map(|seen| seen.se * seen.se + noise * noise).sum::<f64>() / n;
        let level_sd = self.filter.level().1;
        Some(Shift { mean, recent, se: (own / n + level_sd * level_sd).sqrt(), n: since.len() })
    }
}

/// How far a witness has moved since an onset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shift {
    pub(crate) mean: f64,
    /// Over the later half.
    pub(crate) recent: f64,
    pub(crate) se: f64,
    pub(crate) n: usize,
}
