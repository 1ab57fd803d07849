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
    /// The filter as it was when the chart last stood at zero.
    at_zero: Filter,
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
        let filter = Filter::new(spread, days_of(at), level.0, level.1);
        Self {
            spread,
            rule,
            filter,
            at_zero: filter,
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

    /// The same watch with another spread, nothing seen yet.
    pub(crate) fn with_spread(&self, spread: Spread, at: Stamp) -> Self {
        Self::new(spread, self.rule, at, self.filter.level())
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
        Expected {
            mean: expected.mean,
            sd: expected.sd * self.own_factor(),
        }
    }

    /// Takes one observation and says how it was seen.
    pub(crate) fn observe(&mut self, at: Stamp, y: f64, se: f64) -> Seen {
        self.filter.advance(days_of(at));
        let expected = self.expect(at, se);
        let raw = self.rule.worse * (y - expected.mean) / expected.sd;
        let z = raw.clamp(-MOST_Z, MOST_Z);
        let seen = Seen {
            at,
            y,
            se,
            expected,
            level: self.filter.level().0,
            z,
        };
        self.chart(at, z);
        if !self.alert {
            let fleet_z = raw * self.own_factor();
            self.square_sum += (fleet_z * fleet_z).min(6.0) / MEAN_CAPPED_SQUARE;
            self.square_n += 1.0;
            self.filter
                .learn(expected.mean + self.rule.worse * z * expected.sd, se);
        }
        if self.cusum <= 0.0 {
            self.at_zero = self.filter;
        }
        self.seen.push(seen);
        self.raise(at);
        if self.recovered() {
            self.restart();
        }
        if self.alert {
            self.onset = self.change().map(|change| change.onset).or(self.zero_at);
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
            if self.alert {
                self.alert = false;
                self.onset = None;
                self.recoveries += 1;
            }
        }
    }

    /// Raises the alert, and takes back what was learnt since the onset: the level before the
    /// change is what the change is measured against.
    fn raise(&mut self, at: Stamp) {
        if self.alert || self.cusum <= self.rule.limit || !self.is_judged() {
            return;
        }
        self.alert = true;
        self.onset = self.zero_at;
        let factor = self.own_factor();
        let mut filter = self.at_zero;
        for seen in self
            .seen
            .iter_mut()
            .filter(|seen| Some(seen.at) > self.zero_at)
        {
            filter.advance(days_of(seen.at));
            let expected = filter.expect(seen.se);
            seen.expected = Expected {
                mean: expected.mean,
                sd: expected.sd * factor,
            };
            seen.z = self.rule.worse * (seen.y - seen.expected.mean) / seen.expected.sd;
            seen.z = seen.z.clamp(-MOST_Z, MOST_Z);
        }
        filter.advance(days_of(at));
        self.filter = filter;
    }

    /// Whether the last three observations tell of a repair nobody wrote down: back at the old
    /// level during an alert, or a clear step to the better at any time.
    fn recovered(&self) -> bool {
        let Some([a, b, c]) = self.seen.last_chunk::<3>() else {
            return false;
        };
        if self.seen.len() < self.rule.least.max(4) {
            return false;
        }
        let zs = [a.z, b.z, c.z];
        let sum: f64 = zs.iter().sum();
        if self.alert {
            sum < 1.0 && zs.iter().all(|z| *z < 1.5)
        } else {
            sum < -8.0 && c.z < -1.5
        }
    }

    /// Starts again at the last three observations.
    fn restart(&mut self) {
        let tail: Vec<Seen> = self.seen.iter().rev().take(3).rev().copied().collect();
        let Some(first) = tail.first() else { return };
        let wide = 3.0
            * self
                .spread
                .noise_sd
                .hypot(self.spread.shared_sd)
                .hypot(first.se);
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
        self.at_zero = self.filter;
        self.seen = tail;
    }

    /// Excess of the later observations since the onset over what was expected of them, signed as
    /// observed, with its standard error; None without an onset or an observation since.
    pub(crate) fn shift_since(&self, onset: Stamp) -> Option<Shift> {
        let since: Vec<&Seen> = self.seen.iter().filter(|seen| seen.at >= onset).collect();
        if since.is_empty() {
            return None;
        }
        let n = since.len() as f64;
        // While in alert nothing is learnt, so that innovations are distances from the old level.
        let away = |seen: &&Seen| seen.y - seen.expected.mean;
        let late = since.len().div_ceil(2);
        let recent = since.iter().rev().take(late).map(away).sum::<f64>() / late as f64;
        let noise = self.spread.noise_sd.hypot(self.spread.shared_sd);
        let own = since
            .iter()
            .map(|seen| seen.se * seen.se + noise * noise)
            .sum::<f64>()
            / n;
        let level_sd = self.filter.level().1;
        Some(Shift {
            recent,
            se: (own / n + level_sd * level_sd).sqrt(),
            n: since.len(),
        })
    }
}

impl Monitor {
    /// When and how a change began, by likelihood over all times since the chart last stood at zero:
    /// as a step (every observation after it off by the same) or as a ramp (off in proportion to
    /// the time since). None where nothing was seen since.
    pub(crate) fn change(&self) -> Option<Change> {
        let zero = self.zero_at?;
        let mut before = zero;
        let mut since = Vec::new();
        for seen in self.seen.iter().filter(|seen| seen.at > zero) {
            since.push((before, seen.at, seen.y - seen.expected.mean));
            before = seen.at;
        }
        let variance = self.spread.noise_sd.powi(2) + self.spread.shared_sd.powi(2);
        let mut step: Option<(f64, Stamp)> = None;
        let mut ramp: Option<(f64, Stamp)> = None;
        for k in 0..since.len() {
            let tail = since.get(k..).unwrap_or(&[]);
            let Some((from, first, _)) = tail.first().copied() else {
                continue;
            };
            let sum: f64 = tail.iter().map(|(_, _, r)| r).sum();
            let (mut tr, mut tt) = (0.0, 0.0);
            for (_, at, r) in tail {
                let days = at.days_after(from);
                tr += days * r;
                tt += days * days;
            }
            let worse = |sign: f64| sign * self.rule.worse > 0.0;
            let better = |gain: f64, best: Option<(f64, Stamp)>| best.is_none_or(|b| gain > b.0);
            let step_gain = sum * sum / tail.len() as f64 / (2.0 * variance);
            if worse(sum) && better(step_gain, step) {
                step = Some((step_gain, first));
            }
            let ramp_gain = tr * tr / tt.max(1e-9) / (2.0 * variance);
            if worse(tr) && better(ramp_gain, ramp) {
                ramp = Some((ramp_gain, from));
            }
        }
        let (step, ramp) = step.zip(ramp)?;
        let ramp_over_step = ramp.0 - step.0;
        Some(Change {
            onset: if ramp_over_step > 0.0 { ramp.1 } else { step.1 },
            ramp_over_step,
        })
    }

    /// Level and drift since an onset, learnt afresh from a drift of failing pumps.
    pub(crate) fn path_since(&self, onset: Stamp, drift: (f64, f64)) -> Option<Filter> {
        let mut since = self.seen.iter().filter(|seen| seen.at >= onset).peekable();
        let first = since.peek()?;
        // A step at the onset belongs to the level: it must not pass for drift.
        let wide = 10.0 * self.spread.noise_sd.hypot(self.spread.shared_sd);
        let spread = Spread {
            drift_mean: drift.0,
            drift_sd: drift.1,
            diffusion_sd: 2.0 * self.spread.diffusion_sd,
            ..self.spread
        };
        let mut filter = Filter::new(spread, days_of(first.at), first.y, wide);
        for seen in since {
            filter.advance(days_of(seen.at));
            filter.learn(seen.y, seen.se);
        }
        Some(filter)
    }
}

/// When a change began, and the log of how much better a ramp fits it than a step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Change {
    pub(crate) onset: Stamp,
    pub(crate) ramp_over_step: f64,
}

/// How far a witness has moved since an onset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shift {
    /// Mean over the later half.
    pub(crate) recent: f64,
    pub(crate) se: f64,
    pub(crate) n: usize,
}
