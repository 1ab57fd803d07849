//! One witness of pump condition under watch: standardised innovations on a one-sided control chart.
//!
//! Each observation is compared with what the filter expected before it came, so that correlation
//! in time, few data after a reset, sound drift and the error of each fit are all in the yardstick;
//! the innovations of a sound pump are then independent and of unit variance, for which the chart's
//! limit is designed. An observation of extreme size counts for no more than 3.5 standard
//! deviations: persistence alarms, not one start. While in alert the filter no longer learns.
//!
//! An alert ends where the observations go back to the level before it (`back`).
//!
//! What was observed is kept raw, so that the level can be learnt afresh when the fleet has taught
//! better spreads and slopes: values corrected by other slopes do not compare. The chart and its
//! alert go on as they stand; a change of the yardstick is no news of the pump.

use drydown_quantity::Stamp;

use crate::back::Back;
use crate::covariates::Slopes;
use crate::filter::{Expected, Filter, Spread};
pub(crate) use crate::observed::{Observation, Seen, Start, days_of};

/// Innovations count up to this size.
const MOST_Z: f64 = 3.5;
/// Weight, in observations, of the fleet's spread beside the unit's own.
const OWN_SPREAD_PRIOR: f64 = 12.0;
/// Mean of min(z², 6) for a standard normal z.
const MEAN_CAPPED_SQUARE: f64 = 0.946;

/// A first observation further than this from the prior level tells that the prior is not this
/// pump's: it is then widened to hold it.
const FOREIGN_Z: f64 = 2.5;
/// Correlation over one day of what the weather adds to a pressure whose barometer is not measured
/// (fronts pass in three to five days; common practice).
const WEATHER_PHI_PER_DAY: f64 = 0.75;

/// What a monitor starts from: spread and slopes of its kind, the rule, the level's prior.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    pub(crate) spread: Spread,
    pub(crate) slopes: Slopes,
    pub(crate) rule: Rule,
    /// Mean and standard deviation.
    pub(crate) level: (f64, f64),
}

/// How a witness is judged.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rule {
    /// +1 where a rise is bad, −1 where a fall is.
    pub(crate) worse: f64,
    pub(crate) allowance: f64,
    pub(crate) limit: f64,
    /// A smaller change is none that anybody would act on, in units of the observation.
    pub(crate) least_shift: f64,
    /// Observations since the reset before it is judged.
    pub(crate) least: usize,
    /// Observations before the onset without which a change is none: the level was not known yet.
    pub(crate) least_before: usize,
}

/// What a monitor has been told since its reset.
#[derive(Clone, Copy, Debug)]
enum Told {
    /// An observation, and whether the level was learnt from it.
    Observation(Observation, Learning),
    /// Work at a time after which the level is known less well by so much.
    Renewed(Stamp, f64),
    /// The watch started again at the last three observations.
    Restarted,
}

/// Whether the level was learnt from an observation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Learning {
    Learnt,
    Kept,
}

#[derive(Clone, Debug)]
pub(crate) struct Monitor {
    setting: Setting,
    spread: Spread,
    since: Stamp,
    /// Where the level began, day, mean and standard deviation: before anything of `seen`.
    start: Start,
    filter: Filter,
    /// The filter as it was when the chart last stood at zero.
    at_zero: Filter,
    told: Vec<Told>,
    /// Observations since the reset, in time.
    pub(crate) seen: Vec<Seen>,
    pub(crate) cusum: f64,
    zero_at: Option<Stamp>,
    pub(crate) alert: bool,
    pub(crate) onset: Option<Stamp>,
    /// How often an alert went away by itself since the reset.
    pub(crate) recoveries: usize,
    back: Back,
    /// Since when a change that nobody's note ended has gone.
    mended_at: Option<Stamp>,
    datum: Option<f64>,
    square_sum: f64,
    square_n: f64,
    stands_from: f64,
}

impl Monitor {
    /// A monitor after a reset: the level is the prior's until observations come.
    pub(crate) fn new(setting: Setting, at: Stamp) -> Self {
        let (level, level_sd) = setting.level;
        let filter = Filter::new(setting.spread, days_of(at), level, level_sd);
        Self {
            setting,
            spread: setting.spread,
            since: at,
            start: Start::of(&filter, days_of(at)),
            filter,
            at_zero: filter,
            told: Vec::new(),
            seen: Vec::new(),
            cusum: 0.0,
            zero_at: None,
            alert: false,
            onset: None,
            recoveries: 0,
            back: Back::default(),
            mended_at: None,
            datum: None,
            square_sum: 0.0,
            square_n: 0.0,
            stands_from: 0.0,
        }
    }

    /// The level and spread learnt afresh from the same past with another setting; chart and alert
    /// go on, the chart in the same proportion to its limit.
    pub(crate) fn relearnt(&self, setting: Setting) -> Self {
        let mut fresh = Self::new(setting, self.since);
        for told in &self.told {
            match told {
                Told::Observation(observation, learning) => {
                    let seen = fresh.see(observation);
                    fresh.seen.push(seen);
                    if *learning == Learning::Learnt {
                        fresh.learn(&seen);
                    }
                    if self.zero_at.is_none_or(|zero| observation.at <= zero) {
                        fresh.at_zero = fresh.filter;
                    }
                }
                Told::Renewed(at, level_sd) => fresh.loosen_at(*at, *level_sd),
                Told::Restarted => fresh.restart(),
            }
        }
        Self {
            told: self.told.clone(),
            cusum: self.cusum * setting.rule.limit / self.setting.rule.limit.max(1e-9),
            zero_at: self.zero_at,
            alert: self.alert,
            onset: self.onset,
            recoveries: self.recoveries,
            back: self.back,
            mended_at: self.mended_at,
            stands_from: self.stands_from,
            ..fresh
        }
    }

    /// What work on the pump leaves that makes it new in part: the level before any alert, known
    /// less well by `level_sd`; its drift and the unit's own spread stay.
    pub(crate) fn renew(&mut self, at: Stamp, level_sd: f64) {
        self.told.push(Told::Renewed(at, level_sd));
        self.loosen_at(at, level_sd);
    }

    fn loosen_at(&mut self, at: Stamp, level_sd: f64) {
        self.filter.advance(days_of(at));
        self.filter.loosen(level_sd);
        self.start = Start::of(&self.filter, days_of(at));
        self.at_zero = self.filter;
        self.seen.clear();
        self.end_alert(at);
        self.recoveries = 0;
        self.mended_at = None;
    }

    /// Whether enough has been seen to judge.
    pub(crate) fn is_judged(&self) -> bool {
        self.seen.len() >= self.setting.rule.least
    }

    pub(crate) fn spread(&self) -> Spread {
        self.spread
    }

    pub(crate) fn worse(&self) -> f64 {
        self.setting.rule.worse
    }

    pub(crate) fn zero_at(&self) -> Option<Stamp> {
        self.zero_at
    }

    pub(crate) fn start(&self) -> Start {
        self.start
    }

    pub(crate) fn filter(&self) -> &Filter {
        &self.filter
    }

    /// Lets no change count that is smaller than this, nor an alert stand on one.
    pub(crate) fn count_from(&mut self, least_shift: f64) {
        self.setting.rule.least_shift = least_shift;
        self.stands_from = least_shift;
    }

    /// The shift on the worse side that an alert stands on: none is too small but where something else makes
    /// one as large.
    pub(crate) const fn stands_from(&self) -> f64 {
        self.stands_from
    }

    /// An observation without what its covariates add.
    pub(crate) fn level_of(&self, observation: &Observation) -> f64 {
        observation.raw - self.setting.slopes.effect(&observation.x)
    }

    /// Whether bases were seen to go with the temperature of the air.
    pub(crate) fn goes_with_air(&self) -> bool {
        self.setting.slopes.base_per_air() > 0.0
    }

    /// Factor on the fleet's standard deviation that this unit's own past asks for.
    fn own_factor(&self) -> f64 {
        ((OWN_SPREAD_PRIOR + self.square_sum) / (OWN_SPREAD_PRIOR + self.square_n)).sqrt()
    }

    /// What an observation now should be.
    fn expect(&self, se: f64) -> Expected {
        let expected = self.filter.expect(se);
        Expected {
            mean: expected.mean,
            sd: expected.sd * self.own_factor(),
        }
    }

    /// Takes one observation and says how it was seen.
    pub(crate) fn observe(&mut self, observation: Observation) -> Seen {
        let seen = self.see(&observation);
        self.chart(seen.at, seen.z);
        let learning = if self.alert {
            Learning::Kept
        } else {
            self.learn(&seen);
            Learning::Learnt
        };
        self.told.push(Told::Observation(observation, learning));
        if self.cusum <= 0.0 {
            self.at_zero = self.filter;
        }
        self.seen.push(seen);
        self.raise(seen.at);
        self.take_back(&seen);
        if self.alert {
            self.onset = self.change().or(self.zero_at);
        } else if self.mended() {
            self.told.push(Told::Restarted);
            self.restart();
        }
        seen
    }

    /// How an observation looks from what was known before it.
    fn see(&mut self, observation: &Observation) -> Seen {
        let (at, se) = (observation.at, observation.se);
        let y = self.level_of(observation);
        self.set_yardstick(observation);
        self.filter.advance(days_of(at));
        self.admit(y, se);
        let expected = self.expect(se);
        let worse = self.setting.rule.worse;
        Seen {
            at,
            y,
            added: observation.raw - y,
            se,
            expected,
            level: self.filter.level().0,
            z: (worse * (y - expected.mean) / expected.sd).clamp(-MOST_Z, MOST_Z),
        }
    }

    fn learn(&mut self, seen: &Seen) {
        let fleet_z = seen.z * self.own_factor();
        self.square_sum += (fleet_z * fleet_z).min(6.0) / MEAN_CAPPED_SQUARE;
        self.square_n += 1.0;
        let held = seen.expected.mean + self.setting.rule.worse * seen.z * seen.expected.sd;
        self.filter.learn(held, seen.se);
    }

    /// A pressure behind an assumed barometer carries the weather, which neighbouring days share,
    /// and the zero of its place, which changes when the unit moves.
    fn set_yardstick(&mut self, observation: &Observation) {
        let shared_sd = observation.shared_sd;
        if self.square_n <= 0.0 && shared_sd > self.spread.shared_sd {
            self.spread = Spread {
                shared_sd: self.spread.shared_sd.hypot(shared_sd),
                phi_per_day: WEATHER_PHI_PER_DAY,
                ..self.spread
            };
            let (level, level_sd) = self.filter.level();
            self.filter = Filter::new(self.spread, days_of(self.since), level, level_sd);
            self.at_zero = self.filter;
        }
        let Some((zero, zero_sd)) = observation.datum else {
            return;
        };
        if self.datum.is_some_and(|old| (old - zero).abs() > 0.05) {
            self.filter.loosen(zero_sd);
            self.at_zero.loosen(zero_sd);
        }
        self.datum = Some(zero);
    }

    /// Widens the prior of the level where the first observation does not fit it at all: its law
    /// has heavier tails than the normal (another make, a rating that is not the pump's).
    fn admit(&mut self, y: f64, se: f64) {
        let expected = self.filter.expect(se);
        let away = (y - expected.mean).abs();
        if self.square_n <= 0.0 && away > FOREIGN_Z * expected.sd {
            self.filter.loosen(away);
            self.start = Start::of(&self.filter, days_of(self.since));
        }
    }

    fn chart(&mut self, at: Stamp, z: f64) {
        let rule = &self.setting.rule;
        if self.seen.is_empty() {
            // The first observation sets the level; what it says of change is its prior's.
            self.zero_at = Some(at);
            return;
        }
        self.cusum = (self.cusum + z - rule.allowance).clamp(0.0, 1.5 * rule.limit);
        if self.cusum <= 0.0 && !self.alert {
            self.zero_at = Some(at);
        }
    }

    /// Raises the alert where the change is both beyond chance and large enough to matter, and takes back what was learnt since the onset: the level before the
    /// change is what the change is measured against.
    fn raise(&mut self, at: Stamp) {
        let rule = self.setting.rule;
        if self.alert || self.cusum <= rule.limit || !self.is_judged() {
            return;
        }
        let factor = self.own_factor();
        let mut filter = self.at_zero;
        let after = self.zero_at;
        let mut frozen: Vec<Seen> = self.seen.clone();
        let mut away = Vec::new();
        for seen in frozen.iter_mut().filter(|seen| Some(seen.at) > after) {
            filter.advance(days_of(seen.at));
            let expected = filter.expect(seen.se);
            seen.expected = Expected {
                mean: expected.mean,
                sd: expected.sd * factor,
            };
            let weight = self.precision(seen);
            away.push((weight * rule.worse * (seen.y - seen.expected.mean), weight));
            seen.z = rule.worse * (seen.y - seen.expected.mean) / seen.expected.sd;
            seen.z = seen.z.clamp(-MOST_Z, MOST_Z);
        }
        let late = away.len().div_ceil(2).max(1);
        let later = || away.iter().rev().take(late);
        let weights: f64 = later().map(|(_, weight)| weight).sum();
        if later().map(|(away, _)| away).sum::<f64>() < rule.least_shift * weights {
            return;
        }
        // Once only: a level learnt afresh that rises again has changed.
        let afresh = self.told.iter().any(|told| matches!(told, Told::Restarted));
        if !afresh && frozen.len().saturating_sub(away.len()) < rule.least_before {
            self.told.push(Told::Restarted);
            self.restart();
            return;
        }
        self.alert = true;
        self.back = Back::default();
        self.mended_at = None;
        self.onset = self.zero_at;
        self.seen = frozen;
        filter.advance(days_of(at));
        self.filter = filter;
        self.mark_told(self.zero_at, Learning::Kept);
    }

    /// Notes of the observations after a time whether the level holds them.
    fn mark_told(&mut self, after: Option<Stamp>, learning: Learning) {
        for told in self.told.iter_mut().rev() {
            match told {
                Told::Observation(observation, held) if Some(observation.at) > after => {
                    *held = learning;
                }
                _ => break,
            }
        }
    }

    /// Ends an alert that the observations no longer bear out.
    fn take_back(&mut self, last: &Seen) {
        if !self.alert || Some(last.at) <= self.zero_at {
            return;
        }
        let factor = self.own_factor();
        let noise = |seen: &Seen| factor * self.precision(seen).recip().sqrt();
        let away =
            |seen: &Seen| self.setting.rule.worse * (seen.y - seen.expected.mean) / noise(seen);
        let of_level = (last.expected.sd / noise(last)).powi(2) - 1.0;
        let of_level = of_level.max(0.0);
        let since = self.seen.iter().rev().skip(1);
        let since = since.take_while(|seen| Some(seen.at) > self.zero_at);
        let mut back = self.back;
        let is_back = back.take(away(last), of_level, since.map(away));
        self.back = back;
        if !is_back {
            return;
        }
        let before = self.seen.len().saturating_sub(self.back.n);
        let tail = self.seen.split_at(before).1.to_vec();
        for seen in &tail {
            self.filter.learn(seen.y, seen.se);
        }
        let last_away = before.checked_sub(1).and_then(|idx| self.seen.get(idx));
        self.mark_told(last_away.map(|seen| seen.at), Learning::Learnt);
        self.at_zero = self.filter;
        self.recoveries += 1;
        let first = tail.first().map(|seen| seen.at);
        let mended_at = self.back.mended(first);
        let at = self.seen.last().map_or(self.since, |seen| seen.at);
        self.end_alert(at);
        self.mended_at = mended_at;
    }

    /// Since when a change has gone that no note ended, unless it has come again.
    pub(crate) fn mended_at(&self) -> Option<Stamp> {
        self.mended_at
    }

    /// How many of the last observations show what the witness is like now, where they tell that the level before
    /// the alert is back.
    pub(crate) fn on_the_way_back(&self) -> Option<usize> {
        self.back.shows().filter(|_| self.alert)
    }

    /// Log odds that the level before the alert is back.
    pub(crate) fn back_ln_odds(&self) -> f64 {
        self.back.ln_odds
    }

    fn end_alert(&mut self, at: Stamp) {
        self.alert = false;
        self.onset = None;
        self.cusum = 0.0;
        self.zero_at = Some(at);
        self.back = Back::default();
    }

    /// Whether the last three observations tell of a repair nobody wrote down: a clear step to the
    /// better.
    fn mended(&self) -> bool {
        let Some([a, b, c]) = self.seen.last_chunk::<3>() else {
            return false;
        };
        self.seen.len() >= self.setting.rule.least.max(4) && a.z + b.z + c.z < -8.0 && c.z < -1.5
    }

    /// Starts again at the last three observations.
    fn restart(&mut self) {
        let tail: Vec<Seen> = self.seen.iter().rev().take(3).rev().copied().collect();
        let Some(first) = tail.first() else { return };
        let noise = self.spread.noise_sd.hypot(self.spread.shared_sd);
        self.filter = Filter::new(
            self.spread,
            days_of(first.at),
            first.y,
            3.0 * noise.hypot(first.se),
        );
        self.start = Start::of(&self.filter, days_of(first.at));
        for seen in &tail {
            self.filter.advance(days_of(seen.at));
            self.filter.learn(seen.y, seen.se);
        }
        self.at_zero = self.filter;
        self.end_alert(first.at);
        self.seen = tail;
    }
}
