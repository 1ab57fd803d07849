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
