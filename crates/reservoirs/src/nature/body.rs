//! The water of one reservoir as the invented nature has it, and how likely it is to be of each kind.

use drydown_stats::rng::{Pcg64, standard_normal, uniform};

/// Leaks that begin in a year.
const LEAKS_PER_YEAR: f64 = 0.35;
/// A leak lasts anything between these, days, equally likely.
const LEAK_LIFE_DAYS: (f64, f64) = (10.0, 70.0);
/// Share of leaks whose end is a repair that somebody writes down.
const WRITTEN: f64 = 0.7;

/// One reservoir as nature has it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Body {
    pub(crate) is_paper: bool,
    /// ppm a day.
    pub(crate) usual: f64,
    season: f64,
    wander_sd: f64,
    wander_days: f64,
    /// Exchange with the air or the paper, 1/d, and the content in balance, ppm.
    exchange: f64,
    balance: f64,
    /// What the oil in use holds where it is warm, ppm.
    pub(crate) solubility: f64,
    pub(crate) limit: f64,
    /// Rate at which water above solubility drops out, 1/d, and the share of a leak's water that runs
    /// straight to the bottom.
    drops: f64,
    sinks: f64,
    pub(crate) mid: f64,
    pub(crate) settled: f64,
    wander: f64,
    /// Factor and age in days.
    leak: Option<(f64, f64)>,
    pub(crate) day: f64,
}

/// What is told of a reservoir before its water: the nature of its oil.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kind {
    pub(crate) is_paper: bool,
    pub(crate) emulsifies: bool,
    /// Whether the air gets in.
    pub(crate) open: bool,
    pub(crate) limit: f64,
    /// What the register's oil holds where it is warm, ppm.
    pub(crate) solubility: f64,
    /// How wet its site is, a factor.
    pub(crate) site: f64,
}

pub(crate) fn lognormal(median: f64, sd: f64, rng: &mut Pcg64) -> f64 {
    median * (sd * standard_normal(rng)).exp()
}

impl Body {
    /// A reservoir of some kind, drawn.
    pub(crate) fn draw(kind: Kind, rng: &mut Pcg64) -> Self {
        let limit = kind.limit;
        // an oil in use is not quite the register's
        let solubility = lognormal(kind.solubility, 0.08, rng);
        let (drops, sinks) = if kind.emulsifies {
            (0.05, 0.1)
        } else {
            (2.0, 0.4)
        };
        let oil = Self {
            is_paper: false,
            usual: lognormal(limit / 400.0, 0.9, rng) * kind.site,
            season: 0.1 + 0.3 * uniform(rng),
            wander_sd: lognormal(0.3, 0.3, rng),
            wander_days: lognormal(12.0, 0.6, rng),
            exchange: if kind.open {
                lognormal(0.003, 0.6, rng)
            } else {
                0.0
            },
            // 60 % of saturation in air at 25 °C over oil at 45 °C is a fifth of saturation there
            balance: lognormal(0.2 * solubility, 0.3, rng),
            solubility,
            limit,
            drops,
            sinks,
            mid: lognormal(0.45 * limit, 0.4, rng).min(solubility),
            settled: 0.0,
            wander: standard_normal(rng),
            leak: None,
            day: 0.0,
        };
        if !kind.is_paper {
            return oil;
        }
        let balance = lognormal(0.55 * limit, 0.4, rng);
        Self {
            is_paper: true,
            usual: lognormal(limit / 600.0, 0.5, rng),
            season: 0.15 + 0.25 * uniform(rng),
            wander_sd: 0.08,
            wander_days: 10.0,
            exchange: 1.0 / lognormal(14.0, 0.4, rng),
            balance,
            mid: balance,
            ..oil
        }
    }

    /// −1 in mid winter, +1 in mid summer.
    fn summer(&self) -> f64 {
        -(self.day / 365.25 * std::f64::consts::TAU).cos()
    }

    /// Probability that the leak ends within some days, at its age.
    fn ending(&self, days: f64) -> f64 {
        let (least, most) = LEAK_LIFE_DAYS;
        match self.leak {
            Some((_, age)) if age >= least => (days / (most - age).max(days)).min(1.0),
            _ => 0.0,
        }
    }

    /// Some days of rest. `told`: whether a repair was written down meanwhile, None to draw it.
    ///
    /// Gives whether one was, what came in net of what the air took, ppm, and how likely what was told is.
    pub(crate) fn step(
        &mut self,
        days: f64,
        told: Option<bool>,
        rng: &mut Pcg64,
    ) -> (bool, f64, f64) {
        self.day += days;
        let keep = (-days / self.wander_days).exp();
        self.wander = keep * self.wander + (1.0 - keep * keep).sqrt() * standard_normal(rng);
        let moved = (self.season * self.summer() + self.wander_sd * self.wander).exp();
        let share = 1.0 - (-self.exchange * days).exp();
        let ending = self.ending(days);
        let (ended, written, likely) = match told {
            None => {
                let ended = uniform(rng) < ending;
                (ended, ended && uniform(rng) < WRITTEN, 1.0)
            }
            Some(true) => (true, true, WRITTEN * ending),
            Some(false) => {
                let unwritten = 1.0 - WRITTEN * ending;
                let ended = uniform(rng) < (1.0 - WRITTEN) * ending / unwritten;
                (ended, false, unwritten)
            }
        };
        if ended {
            self.leak = None;
        } else if let Some((_, age)) = &mut self.leak {
            *age += days;
        } else if uniform(rng) < LEAKS_PER_YEAR * days / 365.25 {
            self.leak = Some((lognormal(7.0, 0.6, rng), 0.0));
        }
        let leak = self.leak.map_or(1.0, |(factor, _)| factor);
        if self.is_paper {
            // the paper takes up what usually comes in; a leak is more than it can at once
            let leaked = self.usual * (leak - 1.0) * days;
            self.mid += leaked + (self.balance * moved - self.mid) * share;
            return (written, leaked, likely);
        }
        let gained = self.usual * moved * leak * days;
        let sinks = if leak > 1.0 { self.sinks } else { 0.0 };
        let air = self.balance * (1.0 + 0.3 * self.summer());
        let breathed = (air - self.mid) * share;
        self.mid += gained * (1.0 - sinks) + breathed;
        self.settled += gained * sinks;
        let above = (self.mid - self.solubility).max(0.0);
        let dropped = above * -(-self.drops * days).exp_m1();
        let dry = (1.0 - self.mid / self.solubility).max(0.0);
        let dissolved = self.settled * dry * -(-0.08 * days).exp_m1();
        self.mid += dissolved - dropped;
        self.settled += dropped - dissolved;
        (written, gained + breathed, likely)
    }

    /// A share of the oil is new and of this content.
    pub(crate) fn top_up(&mut self, share: f64, ppm: f64) {
        self.mid += share * (ppm - self.mid);
    }

    /// Most of what has settled is drained.
    pub(crate) fn drain(&mut self) {
        self.settled *= 0.1;
    }

    /// Dried to a share of what was there.
    pub(crate) fn dry(&mut self, left: f64) {
        self.mid *= left;
        self.settled *= left;
    }
}
