//! Level, wander and recent ingress of one reservoir as one normal law, for a given regime.
//!
//! With the usual rate r known, dC = (r·(1 + u) − κ·(C − C_air))·dt + noise and du = −u/τ·dt + noise
//! are linear, so (C, u) stays normal and moves in closed form over any time (integrated
//! Ornstein-Uhlenbeck process; Gillespie, Phys. Rev. E 54, 1996, equations 2.9 to 2.14). A third
//! component A sums what came in lately, net of what the air or the paper took: the same drift and its
//! bursts, which no treatment takes away again. It may be negative: warm oil dries in dry air.

use drydown_runs::history::Censor;

use crate::law::Law;
use crate::level::Level;
use crate::timeline::Kind;

/// A normal law of level (ppm), wander (a share of the rate) and recent ingress (ppm).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct State {
    pub(crate) level: f64,
    pub(crate) wander: f64,
    pub(crate) recent: f64,
    pub(crate) cov: Covariance,
}

/// The covariances of a state; c level, u wander, a recent ingress.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Covariance {
    pub(crate) cc: f64,
    pub(crate) cu: f64,
    pub(crate) ca: f64,
    pub(crate) uu: f64,
    pub(crate) ua: f64,
    pub(crate) aa: f64,
}

/// What a span of time does to every state; for a rate of 1 ppm/h where a rate comes in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Leap {
    /// Factor on the old level, and what the air adds to it.
    keep: f64,
    air: f64,
    /// What a steady rate adds, per ppm/h, its season included.
    steady: f64,
    /// Factor on the old wander.
    pub(crate) remembered: f64,
    /// ∫u·dt per unit of the present wander, some of it lost to the air.
    pub(crate) reach: f64,
    /// Variance of ∫u·dt from new wander, its covariance with u, the variance of u from new wander.
    pub(crate) fresh_sum: f64,
    fresh_cross: f64,
    fresh: f64,
    /// Days of unrest that are left of it at the end.
    pub(crate) unrest_days: f64,
    /// The level's own unrest, which is no water that came in: covariance of what is left of it with
    /// all of it, days, and the variance of what the exchange made of it, days.
    own_left: f64,
    own_lost: f64,
    /// Whether the recent ingress is being summed.
    pub(crate) sums: f64,
}

impl Leap {
    /// A span of some hours from a time on the timeline. `sums` is 1 within the window of the recent
    /// ingress, else 0.
    pub(crate) fn over((from_h, hours): (f64, f64), law: &Law, sums: f64) -> Self {
        let tau = (24.0 * law.moves.wander_days).max(1e-3);
        let (rho, s2) = ((-hours / tau).exp(), law.moves.wander_sd.powi(2));
        let (keep, total) = law.advance(1.0, hours);
        let (_, air) = law.advance(0.0, hours);
        let season = 1.0 + law.season.mean(from_h, hours);
        let kappa = law.exchange_per_h;
        let (reach, fresh_sum, fresh_cross) = if kappa * hours < 1e-6 {
            without_exchange(hours, tau, (rho, s2))
        } else {
            // two equal time constants have a law of their own: a hundredth apart is near enough
            let gap = match 1.0 / tau - kappa {
                gap if gap.abs() * tau < 0.01 => 0.01 / tau,
                gap => gap,
            };
            let kappa = 1.0 / tau - gap;
            let keep = (-kappa * hours).exp();
            // ∫e^(−cx)·dx
            let span = |c: f64| -(-c * hours).exp_m1() / c;
            let (both, twice) = (span(kappa + 1.0 / tau), span(2.0 / tau));
            let fresh = 2.0 * s2 / tau;
            (
                // ∫e^(−κ(h − t))·e^(−t/τ)·dt
                (keep - rho) / gap,
                (fresh / (gap * gap) * (span(2.0 * kappa) - 2.0 * both + twice)).max(0.0),
                (fresh / gap * (both - twice)).max(0.0),
            )
        };
        let (unrest_h, kept_h) = if kappa * hours < 1e-9 {
            (hours, hours)
        } else {
            let span = |c: f64| -(-c * hours).exp_m1() / c;
            (span(2.0 * kappa), span(kappa))
        };
        Self {
            keep,
            air,
            steady: (total - air) * season,
            remembered: rho,
            reach,
            fresh_sum,
            fresh_cross,
            fresh: s2 * (1.0 - rho * rho),
            unrest_days: unrest_h / 24.0,
            own_left: (unrest_h - kept_h) / 24.0,
            own_lost: (unrest_h - 2.0 * kept_h + hours).max(0.0) / 24.0,
            sums,
        }
    }
}

/// Reach of the present wander, variance of ∫u·dt from new wander and its covariance with u where no
/// water is exchanged.
fn without_exchange(hours: f64, tau: f64, (rho, s2): (f64, f64)) -> (f64, f64, f64) {
    (
        tau * (1.0 - rho),
        s2 * tau * (2.0 * hours - tau * (3.0 - 4.0 * rho + rho * rho)).max(0.0),
        s2 * tau * (1.0 - rho).powi(2),
    )
}

impl State {
    /// A level and the stationary wander, independent.
    pub(crate) fn new(level: f64, var: f64, law: &Law) -> Self {
        Self {
            level,
            wander: 0.0,
            recent: 0.0,
            cov: Covariance {
                cc: var,
                cu: 0.0,
                ca: 0.0,
                uu: law.moves.wander_sd.powi(2),
                ua: 0.0,
                aa: 0.0,
            },
        }
    }

    /// Time passes at a usual rate, ppm/h.
    pub(crate) fn advance(&mut self, rate_per_h: f64, leap: &Leap, law: &Law) {
        let r = rate_per_h;
        let (k, rho) = (leap.keep, leap.remembered);
        // what the level gained less its own unrest is what came in
        let (g, lost) = (r * leap.reach, k - 1.0);
        let Covariance {
            cc,
            cu,
            ca,
            uu,
            ua,
            aa,
        } = self.cov;
        let (own, bursts) = law.diffusion_per_day(r);
        let cross = r * leap.fresh_cross;
        let sum = r * r * leap.fresh_sum + bursts * leap.unrest_days;
        let gained = lost * self.level + leap.air + r * leap.steady + g * self.wander;
        if leap.sums > 0.0 {
            self.recent += gained;
            self.cov.ca = k * ca
                + g * ua
                + k * lost * cc
                + (k + lost) * g * cu
                + g * g * uu
                + sum
                + own * leap.own_left;
            self.cov.ua = rho * (ua + lost * cu + g * uu) + cross;
            self.cov.aa = aa
                + 2.0 * (lost * ca + g * ua)
                + lost * (lost * cc + 2.0 * g * cu)
                + g * g * uu
                + sum
                + own * leap.own_lost;
        } else {
            self.cov.ca = k * ca + g * ua;
            self.cov.ua = rho * ua;
        }
        self.level += gained;
        self.wander *= rho;
        self.cov.cc = k * k * cc + 2.0 * k * g * cu + g * g * uu + sum + own * leap.unrest_days;
        self.cov.cu = rho * (k * cu + g * uu) + cross;
        self.cov.uu = rho * rho * uu + leap.fresh;
    }

    /// The state after a step that tells or moves the level, and the gain in log-likelihood.
    pub(crate) fn take(&mut self, kind: &Kind, rate_per_h: f64, law: &Law) -> f64 {
        let before = Level {
            mean: self.level,
            var: self.cov.cc.max(1e-6),
        };
        let (after, gain) = before.take(kind, rate_per_h, law);
        let after = Level {
            var: after.var.max(1e-6),
            ..after
        };
        match *kind {
            Kind::Sample { .. } | Kind::RunStart { .. } => self.learn(before, after),
            Kind::RunEnd { .. } => self.replace(after, 0.0),
            Kind::Dried { left, .. } => self.replace(after, left),
            Kind::Mix { share, .. } => self.replace(after, 1.0 - share),
            Kind::Drain { .. } => self.replace(after, 1.0),
            Kind::NewIngress { .. } => {}
        }
        gain
    }

    /// Wander and recent ingress follow the level by their regressions on it.
    pub(crate) fn learn(&mut self, before: Level, after: Level) {
        let (per_u, per_a) = (self.cov.cu / before.var, self.cov.ca / before.var);
        let (moved, lost) = (after.mean - before.mean, before.var - after.var);
        self.level = after.mean;
        self.wander += per_u * moved;
        self.recent += per_a * moved;
        let cov = &mut self.cov;
        cov.cc = after.var;
        cov.uu = (cov.uu - per_u * per_u * lost).max(0.0);
        cov.aa = (cov.aa - per_a * per_a * lost).max(0.0);
        cov.ua -= per_u * per_a * lost;
        cov.cu = per_u * after.var;
        cov.ca = per_a * after.var;
    }

    /// The level became another one that keeps this share of the old.
    fn replace(&mut self, after: Level, share: f64) {
        self.level = after.mean;
        self.cov.cc = after.var;
        self.cov.cu *= share;
        self.cov.ca *= share;
    }

    /// The state if a sample tells of a change that nobody wrote down: its own value, nothing else.
    pub(crate) fn changed_to(mut self, kind: &Kind, law: &Law) -> Self {
        let Kind::Sample {
            ppm,
            censor,
            extra_cv,
            ..
        } = *kind
        else {
            return self;
        };
        let cv2 = law.lab_cv * law.lab_cv + extra_cv * extra_cv;
        let noise = (law.lab_floor_ppm * law.lab_floor_ppm + cv2 * ppm * ppm).sqrt();
        let (mean, sd) = match censor {
            Censor::Exact => (law.visible.all_ppm(ppm), noise),
            Censor::Below => (0.5 * ppm, 0.3 * ppm),
            Censor::Above => (1.5 * ppm, 0.5 * ppm),
        };
        let mean = if mean.is_finite() { mean } else { ppm };
        self.replace(Level { mean, var: sd * sd }, 0.0);
        self
    }

    /// A new time of ingress begins: fresh wander, nothing summed yet.
    pub(crate) fn renew(&mut self, law: &Law) {
        *self = Self::new(self.level, self.cov.cc, law);
    }
}

/// The normal law with the moments of a mixture of several, and their weight together; None without any weight.
pub(crate) fn merge_all<const N: usize>(parts: [(f64, State); N]) -> Option<(f64, State)> {
    let live = || parts.iter().filter(|(weight, _)| *weight > 0.0);
    let total: f64 = live().map(|(weight, _)| weight).sum();
    let (_, first) = live().next()?;
    let (mut level, mut wander, mut recent) = (0.0, 0.0, 0.0);
    for (weight, state) in live() {
        let share = weight / total;
        level += share * (state.level - first.level);
        wander += share * (state.wander - first.wander);
        recent += share * (state.recent - first.recent);
    }
    let (level, wander, recent) = (
        first.level + level,
        first.wander + wander,
        first.recent + recent,
    );
    let mut cov = Covariance::default();
    for (weight, state) in live() {
        let share = weight / total;
        let (c, u, a) = (
            state.level - level,
            state.wander - wander,
            state.recent - recent,
        );
        cov.cc += share * (state.cov.cc + c * c);
        cov.cu += share * (state.cov.cu + c * u);
        cov.ca += share * (state.cov.ca + c * a);
        cov.uu += share * (state.cov.uu + u * u);
        cov.ua += share * (state.cov.ua + u * a);
        cov.aa += share * (state.cov.aa + a * a);
    }
    let state = State {
        level,
        wander,
        recent,
        cov,
    };
    Some((total, state))
}

/// The normal law with the moments of a mixture of two, and their weight together.
pub(crate) fn merge(a: (f64, State), b: (f64, State)) -> (f64, State) {
    let total = a.0 + b.0;
    if b.0 <= 0.0 || b.0.is_nan() {
        return a;
    }
    if a.0 <= 0.0 || a.0.is_nan() {
        return b;
    }
    let (p, q) = (a.0 / total, b.0 / total);
    let (s, t) = (a.1, b.1);
    let (dc, du, da) = (t.level - s.level, t.wander - s.wander, t.recent - s.recent);
    let mix = |x: f64, y: f64, spread: f64| p * x + q * y + p * q * spread;
    let cov = Covariance {
        cc: mix(s.cov.cc, t.cov.cc, dc * dc),
        cu: mix(s.cov.cu, t.cov.cu, dc * du),
        ca: mix(s.cov.ca, t.cov.ca, dc * da),
        uu: mix(s.cov.uu, t.cov.uu, du * du),
        ua: mix(s.cov.ua, t.cov.ua, du * da),
        aa: mix(s.cov.aa, t.cov.aa, da * da),
    };
    let state = State {
        level: s.level + q * dc,
        wander: s.wander + q * du,
        recent: s.recent + q * da,
        cov,
    };
    (total, state)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::law::{LEAKS, Moves, Season, Strange, Visible};

    fn law(exchange_per_day: f64) -> Law {
        Law {
            visible: Visible {
                solubility_ppm: f64::INFINITY,
                factor: 1.0,
                emulsified_share: 0.3,
            },
            saturation: None,
            unrest: 1.0,
            scale: 1.0,
            lab_cv: 0.1,
            lab_floor_ppm: 5.0,
            exchange_per_h: exchange_per_day / 24.0,
            air_ppm: 30.0,
            moves: Moves {
                wander_sd: 0.4,
                wander_days: 20.0,
                leaks_per_year: 0.4,
                leak_days: 40.0,
                factors: LEAKS,
            },
            season: Season::default(),
            strange: Strange {
                ln_ppm: 4.0,
                ln_sd: 1.0,
            },
        }
    }

    #[test]
    fn one_leap_is_the_sum_of_many() {
        for exchange_per_day in [0.0, 0.003, 0.07, 0.3] {
            let law = law(exchange_per_day);
            let start = State::new(100.0, 50.0, &law);
            let (mut once, mut often) = (start, start);
            once.advance(0.1, &Leap::over((0.0, 960.0), &law, 1.0), &law);
            for step in 0..40 {
                let from_h = 24.0 * f64::from(step);
                often.advance(0.1, &Leap::over((from_h, 24.0), &law, 1.0), &law);
            }
            for (a, b) in [
                (once.recent, often.recent),
                (once.cov.ca, often.cov.ca),
                (once.cov.ua, often.cov.ua),
                (once.cov.aa, often.cov.aa),
                (once.level, often.level),
                (once.cov.cc, often.cov.cc),
                (once.cov.cu, often.cov.cu),
                (once.cov.uu, often.cov.uu),
            ] {
                assert!(
                    (a - b).abs() < 1e-6 * b.abs(),
                    "{exchange_per_day}: {a} {b}"
                );
            }
        }
    }
}
