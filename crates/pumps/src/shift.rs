//! How far, since when and how a witness has moved, once its chart has raised an alert.

use drydown_quantity::Stamp;

use crate::monitor::{Monitor, Seen};

impl Monitor {
    /// Excess of the later observations since the onset over what was expected of them, signed as
    /// observed, with its standard error; None without an onset or an observation since.
    pub(crate) fn shift_since(&self, onset: Stamp) -> Option<Shift> {
        let since: Vec<&Seen> = self.seen.iter().filter(|seen| seen.at >= onset).collect();
        if since.is_empty() {
            return None;
        }
        // While in alert nothing is learnt, so that innovations are distances from the old level.
        // A start of a slow log says less than one of a fast log: weights by precision.
        let late = self.late(since.len());
        let (mut sum, mut weights) = (0.0, 0.0);
        for seen in since.iter().rev().take(late) {
            let weight = self.precision(seen);
            sum += weight * (seen.y - seen.expected.mean);
            weights += weight;
        }
        let recent = sum / weights;
        let all: f64 = since.iter().map(|seen| self.precision(seen)).sum();
        let level_sd = self.filter().level().1;
        Some(Shift {
            recent,
            se: (1.0 / all + level_sd * level_sd).sqrt(),
            n: since.len(),
        })
    }

    /// How many of the last observations since an onset show where a witness stands: the later half of them,
    /// or those alone that have come back.
    fn late(&self, since: usize) -> usize {
        let half = since.div_ceil(2);
        self.on_the_way_back().map_or(half, |n| n.min(half))
    }

    /// Level held before an onset; None where nothing was seen before it since the last reset.
    pub(crate) fn level_before(&self, onset: Stamp) -> Option<f64> {
        let before = self.seen.iter().rev().find(|seen| seen.at < onset)?;
        Some(before.level)
    }

    /// What the level before an onset was where the later observations since then were made: with what their
    /// covariates add. None where nothing was seen before it or since.
    pub(crate) fn level_there(&self, onset: Stamp) -> Option<f64> {
        let level = self.level_before(onset)?;
        let since: Vec<&Seen> = self.seen.iter().filter(|seen| seen.at >= onset).collect();
        let late = since.iter().rev().take(self.late(since.len()));
        let added: Vec<f64> = late.map(|seen| seen.added).collect();
        drydown_stats::robust::mean(&added).map(|added| level + added)
    }

    /// As [`Monitor::shift_since`], against the level before the onset, whatever was learnt since.
    pub(crate) fn shift_from(&self, onset: Stamp) -> Option<Shift> {
        let level = self.level_before(onset)?;
        let since: Vec<&Seen> = self.seen.iter().filter(|seen| seen.at >= onset).collect();
        let late = self.late(since.len());
        let (mut sum, mut weights) = (0.0, 0.0);
        for seen in since.iter().rev().take(late) {
            let weight = self.precision(seen);
            sum += weight * (seen.y - level);
            weights += weight;
        }
        let all: f64 = since.iter().map(|seen| self.precision(seen)).sum();
        let level_sd = self.filter().level().1;
        (weights > 0.0).then(|| Shift {
            recent: sum / weights,
            se: (1.0 / all + level_sd * level_sd).sqrt(),
            n: since.len(),
        })
    }

    /// One over the variance of an observation about its level, the level's own apart.
    pub(crate) fn precision(&self, seen: &Seen) -> f64 {
        let spread = self.spread();
        let shared = spread.shared_sd.powi(2);
        (spread.noise_sd.powi(2) + shared + seen.se * seen.se)
            .max(1e-12)
            .recip()
    }

    /// When a change began, by likelihood over all times since the chart last stood at zero:
    /// as a step (every observation after it off by the same) or as a ramp (off in proportion to
    /// the time since). None where nothing was seen since.
    pub(crate) fn change(&self) -> Option<Stamp> {
        let (step, ramp) = self.step_and_ramp()?;
        Some(if ramp.0 > step.0 { ramp.1 } else { step.1 })
    }

    /// Log odds of the likeliest step over the likeliest ramp; None where nothing was seen since.
    pub(crate) fn ln_step_odds(&self) -> Option<f64> {
        let (step, ramp) = self.step_and_ramp()?;
        Some(step.0 - ramp.0)
    }

    /// The likeliest step and ramp to the worse: gain in log likelihood over no change, and onset.
    fn step_and_ramp(&self) -> Option<((f64, Stamp), (f64, Stamp))> {
        let zero = self.zero_at()?;
        let mut before = zero;
        let mut since = Vec::new();
        for seen in self.seen.iter().filter(|seen| seen.at > zero) {
            let away = seen.y - seen.expected.mean;
            since.push((before, seen.at, away, self.precision(seen)));
            before = seen.at;
        }
        let mut step: Option<(f64, Stamp)> = None;
        let mut ramp: Option<(f64, Stamp)> = None;
        for k in 0..since.len() {
            let tail = since.get(k..).unwrap_or(&[]);
            let Some((from, first, ..)) = tail.first().copied() else {
                continue;
            };
            let (mut sum, mut weights, mut tr, mut tt) = (0.0, 0.0, 0.0, 0.0);
            for (_, at, r, weight) in tail {
                let days = at.days_after(from);
                sum += weight * r;
                weights += weight;
                tr += weight * days * r;
                tt += weight * days * days;
            }
            let worse = |sign: f64| sign * self.worse() > 0.0;
            let better = |gain: f64, best: Option<(f64, Stamp)>| best.is_none_or(|b| gain > b.0);
            let step_gain = 0.5 * sum * sum / weights;
            if worse(sum) && better(step_gain, step) {
                step = Some((step_gain, first));
            }
            let ramp_gain = 0.5 * tr * tr / tt.max(1e-9);
            if worse(tr) && better(ramp_gain, ramp) {
                ramp = Some((ramp_gain, from));
            }
        }
        step.zip(ramp)
    }
}

/// How far a witness has moved since an onset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shift {
    /// Mean over the later half.
    pub(crate) recent: f64,
    pub(crate) se: f64,
    pub(crate) n: usize,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::covariates::{WIDTH, fit_slopes};
    use crate::filter::Spread;
    use crate::monitor::{Observation, Rule, Setting};

    fn vent(opening: f64) -> [f64; WIDTH] {
        let mut x = [0.0; WIDTH];
        x[0] = opening;
        x
    }

    #[test]
    fn what_a_pump_held_before_is_told_for_the_vent_of_now() {
        let openings = (0..100).map(|k: u32| (f64::from(k), f64::from(k * 7 % 30)));
        // A perfect fit has no scatter to judge a slope by.
        let kpa = |day: f64, opening: f64| 0.04 * opening + 0.02 * (1.7 * day).sin();
        let series = openings.map(|(day, opening)| (day, kpa(day, opening), vent(opening)));
        let setting = Setting {
            spread: Spread {
                noise_sd: 0.05,
                shared_sd: 0.01,
                phi_per_day: 0.5,
                diffusion_sd: 0.001,
                drift_mean: 0.0,
                drift_sd: 1e-4,
            },
            slopes: fit_slopes(&[series.collect()]),
            rule: Rule {
                worse: 1.0,
                allowance: 0.25,
                limit: 10.0,
                least_shift: 0.06,
                least: 5,
                least_before: 3,
            },
            level: (2.0, 0.5),
        };
        let day = |k: u32| Stamp::from_micros(0).plus_days(f64::from(k));
        let mut monitor = Monitor::new(setting, day(0));
        for k in 0..30 {
            let opening = if k < 28 { 5.0 } else { 20.0 };
            monitor.observe(Observation {
                at: day(k),
                raw: 2.0 + 0.04 * opening + if k < 28 { 0.0 } else { 0.4 },
                x: vent(opening),
                se: 0.0,
                shared_sd: 0.0,
                datum: None,
            });
        }
        let there = monitor.level_there(day(28)).unwrap();
        assert!((there - 2.8).abs() < 0.05, "{there}");
        assert!(monitor.level_there(day(40)).is_none());
    }
}
