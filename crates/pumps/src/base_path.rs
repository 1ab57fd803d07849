//! How the base pressure of a failing pump came to where it is: leak-back of wear, a leak, or both.
//!
//! Clearances that open let more gas leak back and carry less, so that the base of a worn pump goes
//! as `S^(−γ)`: γ is 1 where base·S is constant, more where clearances leak more, and 0 where
//! something only stands in the pump's way. A leak adds a pressure of its own, at once or growing,
//! steadily or ever faster. Every way is followed by a Kalman filter from the base of the sound
//! pump, given the speed lost, and weighs what its likelihood says (Bayesian model averaging).
//!
//! State: sound base u, offset of the gauge o, leak k and its growth g per day at the sound speed,
//! and what neighbouring days share a. Observation: `u·e^(γw) + o + k·e^w + a`, w the speed lost.

use drydown_quantity::Stamp;

use crate::filter::Spread;
use crate::monitor::days_of;

/// Standard normal nodes at which ln γ is looked at: first, last and step; wider apart beside a leak,
/// which leaves γ less well known.
const NODES: (f64, f64) = (-2.5, 3.0);
const STEP: f64 = 0.25;
const STEP_BESIDE_LEAK: f64 = 0.6;
/// How likely it is beforehand that lost speed does not lift the base (a restriction).
const NO_LEAK_BACK: f64 = 0.1;
/// How likely beforehand is a leak beside a fall of speed, and without one, once the base's chart
/// raised an alert (common practice).
const LEAK_BESIDE_WEAR: f64 = 0.15;
const LEAK_ALONE: f64 = 0.8;
/// Size of a leak that comes at once, kPa at the sound speed, standard deviation (common practice).
const STEP_KPA: f64 = 5.0;
/// A leak's own wander, kPa at the sound speed after one day: it opens by fits and starts (common practice).
pub(crate) const LEAK_WANDER_KPA: f64 = 0.15;
/// What a gauge's zero may be off, kPa (common practice); where the barometer is assumed, more.
const OFFSET_SD_KPA: f64 = 0.2;
/// What an oil change may do to the base, kPa.
const RENEWED_SD_KPA: f64 = 0.3;
const CLOCK_DAYS: f64 = 100.0;
const MOST_Z: f64 = 3.5;
const LEAST_WEIGHT: f64 = 2e-3;
/// A day's pressure this far back no longer says what is now: points looked at.
const MOST_POINTS: usize = 150;

/// One base pressure and what was known of the level before it came.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BasePoint {
    pub(crate) at: Stamp,
    pub(crate) kpa: f64,
    pub(crate) se: f64,
    pub(crate) level: f64,
    pub(crate) level_sd: f64,
    /// Saturation pressure at the pump's temperature; None where that is not logged.
    pub(crate) sealed_kpa: Option<f64>,
}

/// One way in which the base may have come to where it is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BasePath {
    /// Probability.
    pub(crate) weight: f64,
    pub(crate) gamma: f64,
    /// Means and covariances of the sound pump's base, the leak and its growth per day of its
    /// clock: kPa at the speed of now for the first two as they stand, the growth likewise.
    pub(crate) mean: [f64; 3],
    pub(crate) cov: [[f64; 3]; 3],
    /// Day of the leak's onset, where there is one.
    pub(crate) leak_since: Option<f64>,
    /// Day that the path is told of.
    now: f64,
    pace: f64,
}

impl BasePath {
    /// A base that nothing was seen of but what pumps of its kind hold, kPa.
    pub(crate) fn unseen((kpa, sd): (f64, f64), ln_gamma: f64, now: f64) -> Self {
        Self {
            weight: 1.0,
            gamma: ln_gamma.exp(),
            mean: [kpa, 0.0, 0.0],
            cov: [[sd * sd, 0.0, 0.0], [0.0; 3], [0.0; 3]],
            leak_since: None,
            now,
            pace: 1.0,
        }
    }

    /// Days of the leak's clock from now until so many days later.
    pub(crate) fn clock_ahead(&self, days: f64) -> f64 {
        clock(self.leak_since, self.pace, self.now, self.now + days)
    }

    /// Pressure held without any gas from the oil, kPa: mean.
    pub(crate) fn kpa(&self) -> f64 {
        self.mean[0] + self.mean[1].max(0.0)
    }
}

fn clock(onset: Option<f64>, pace: f64, from: f64, to: f64) -> f64 {
    let Some(onset) = onset.filter(|_| (pace - 1.0).abs() > 1e-9) else {
        return to - from;
    };
    let at = |day: f64| CLOCK_DAYS * ((day - onset).max(0.0) / CLOCK_DAYS).powf(pace);
    at(to) - at(from)
}

/// What is asked of a base pressure.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Question<'a> {
    /// All points since the pump was made new, in time.
    pub(crate) points: &'a [BasePoint],
    pub(crate) spread: Spread,
    /// Base of a sound pump of the kind, kPa: mean and standard deviation.
    pub(crate) of_kind: (f64, f64),
    /// ln γ beforehand.
    pub(crate) ln_gamma: (f64, f64),
    /// Growth of a leak per day, kPa: mean and standard deviation.
    pub(crate) growth: (f64, f64),
    pub(crate) now: f64,
    /// Day of the first change of any witness.
    pub(crate) onset: Option<f64>,
    /// Day of the base's own alert.
    pub(crate) base_onset: Option<f64>,
    /// Day of the last oil change or mended leak.
    pub(crate) renewed: Option<f64>,
    /// Whether the barometer is assumed, and how well it is then known, kPa.
    pub(crate) place_sd: f64,
}

/// A leak as it may have come: since a day, at once (standard deviation of its size, kPa), growing.
#[derive(Clone, Copy, Debug)]
struct Leak {
    since: f64,
    step_sd: f64,
    growth: Option<(f64, f64)>,
    pace: f64,
    prior: f64,
}

/// The ways in which the base may have come to where it is, by weight. `lost` gives the ln speed lost
/// on a day since the onset.
pub(crate) fn base_paths(ask: &Question<'_>, lost: impl Fn(f64) -> f64) -> Vec<BasePath> {
    let onset = ask.onset.unwrap_or(ask.now);
    let split = ask.points.partition_point(|p| days_of(p.at) < onset);
    let (before, since) = ask.points.split_at(split);
    let level = before
        .last()
        .map_or(ask.of_kind, |point| (point.level, point.level_sd));
    let from = before.last().map_or(onset, |point| days_of(point.at));
    let since = since
        .get(since.len().saturating_sub(MOST_POINTS)..)
        .unwrap_or(since);
    let points: Vec<(f64, f64, &BasePoint)> = since
        .iter()
        .map(|point| {
            let day = days_of(point.at);
            (day, lost(day), point)
        })
        .collect();
    let lost_now = lost(ask.now);
    let leaks = leaks(ask, lost_now);
    let no_leak = 1.0 - leaks.iter().map(|leak| leak.prior).sum::<f64>();
    let mut ways = Vec::new();
    let mut follow = |gamma: f64, prior: f64, leak: Option<&Leak>| {
        let mut state = State::new(level, ask, from);
        let mut ln_likelihood = prior.max(1e-12).ln();
        for (day, lost, point) in &points {
            state.advance(*day, leak, ask);
            ln_likelihood += state.learn(point, gamma, *lost, ask.spread.noise_sd);
        }
        state.advance(ask.now, leak, ask);
        ways.push((ln_likelihood, state.path(gamma, lost_now, leak, ask.now)));
    };
    for (gamma, prior) in gammas(ask.ln_gamma, lost_now, STEP) {
        follow(gamma, prior * no_leak, None);
    }
    for (gamma, prior) in gammas(ask.ln_gamma, lost_now, STEP_BESIDE_LEAK) {
        for leak in &leaks {
            follow(gamma, prior * leak.prior, Some(leak));
        }
    }
    weighed(ways)
}

/// γ and its probability beforehand. Where no speed is lost it does not matter what it is.
fn gammas((mean, sd): (f64, f64), lost_now: f64, step: f64) -> Vec<(f64, f64)> {
    let (first, last) = NODES;
    let lost = lost_now > 0.02;
    let step = if lost { step } else { 1.0 };
    let n = ((last - first) / step) as usize;
    let nodes = (0..=n).map(|k| {
        let z = first + step * k as f64;
        ((mean + sd * z).exp(), (-0.5 * z * z).exp())
    });
    let nodes: Vec<(f64, f64)> = nodes.collect();
    let total: f64 = nodes.iter().map(|(_, weight)| weight).sum();
    let (leaks_back, none) = if lost {
        (1.0 - NO_LEAK_BACK, Some((0.0, NO_LEAK_BACK)))
    } else {
        (1.0, None)
    };
    nodes
        .into_iter()
        .map(|(gamma, weight)| (gamma, leaks_back * weight / total))
        .chain(none)
        .collect()
}

/// Leaks that the base's own alert may mean.
fn leaks(ask: &Question<'_>, lost_now: f64) -> Vec<Leak> {
    let mut leaks = Vec::new();
    let Some(onset) = ask.base_onset else {
        return leaks;
    };
    let any = if lost_now > 0.05 {
        LEAK_BESIDE_WEAR
    } else {
        LEAK_ALONE
    };
    let mut leak = |since: f64, step_sd: f64, growth, pace: f64, share: f64| {
        leaks.push(Leak {
            since,
            step_sd,
            growth,
            pace,
            prior: any * share,
        });
    };
    leak(onset, STEP_KPA, None, 1.0, 0.35);
    leak(onset, STEP_KPA, Some(ask.growth), 1.0, 0.15);
    for since in [onset - 30.0, onset - 10.0, onset] {
        for (pace, share) in [(0.5, 0.05), (1.0, 0.08), (2.0, 0.11 / 3.0)] {
            leak(since, 0.0, Some(ask.growth), pace, share);
        }
    }
    leaks
}

const U: usize = 0;
const O: usize = 1;
const K: usize = 2;
const G: usize = 3;
const A: usize = 4;

#[derive(Clone, Copy)]
struct State {
    day: f64,
    x: [f64; 5],
    p: [[f64; 5]; 5],
    spread: Spread,
    leaking: bool,
    renewed: bool,
}

impl State {
    fn new((level, level_sd): (f64, f64), ask: &Question<'_>, day: f64) -> Self {
        let spread = ask.spread;
        let offset = OFFSET_SD_KPA.hypot(ask.place_sd);
        let mut p = [[0.0; 5]; 5];
        // The level that was seen is that of pump and gauge together.
        p[U][U] = level_sd * level_sd + offset * offset;
        p[O][O] = offset * offset;
        (p[U][O], p[O][U]) = (-offset * offset, -offset * offset);
        p[A][A] = spread.shared_sd.powi(2);
        Self {
            day,
            x: [level, 0.0, 0.0, 0.0, 0.0],
            p,
            spread,
            leaking: false,
            renewed: false,
        }
    }

    fn advance(&mut self, day: f64, leak: Option<&Leak>, ask: &Question<'_>) {
        if let Some(leak) = leak.filter(|leak| !self.leaking && leak.since <= day) {
            self.step_to(leak.since, None);
            self.leaking = true;
            self.p[K][K] = leak.step_sd.powi(2);
            if let Some((mean, sd)) = leak.growth {
                self.x[G] = mean;
                self.p[G][G] = sd * sd;
            }
        }
        if let Some(at) = ask.renewed.filter(|at| !self.renewed && *at <= day) {
            self.step_to(at, leak);
            self.renewed = true;
            self.p[U][U] += RENEWED_SD_KPA.powi(2);
        }
        self.step_to(day, leak);
    }

    fn step_to(&mut self, day: f64, leak: Option<&Leak>) {
        let days = day - self.day;
        if days.is_nan() || days <= 0.0 {
            return;
        }
        let worked = leak.map_or(0.0, |leak| {
            clock(Some(leak.since), leak.pace, self.day, day)
        });
        self.day = day;
        let phi = self.spread.phi_per_day.clamp(0.0, 0.9999).powf(days);
        self.x[K] += worked * self.x[G];
        self.x[A] *= phi;
        let p = &mut self.p;
        for j in 0..5 {
            let grown = p[G].get(j).copied().unwrap_or(0.0);
            if let Some(cell) = p[K].get_mut(j) {
                *cell += worked * grown;
            }
        }
        for row in p.iter_mut() {
            row[K] += worked * row[G];
            row[A] *= phi;
        }
        for cell in &mut p[A] {
            *cell *= phi;
        }
        p[A][A] += self.spread.shared_sd.powi(2) * (1.0 - phi * phi);
        p[U][U] += self.spread.diffusion_sd.powi(2) * days;
        if self.leaking {
            p[K][K] += LEAK_WANDER_KPA.powi(2) * days;
        }
    }

    /// Takes one base pressure in; log likelihood of it.
    fn learn(&mut self, point: &BasePoint, gamma: f64, lost: f64, noise_sd: f64) -> f64 {
        let h = [(gamma * lost).exp(), 1.0, lost.exp(), 0.0, 1.0];
        let dot = |row: &[f64; 5]| row.iter().zip(h).map(|(a, b)| a * b).sum::<f64>();
        let with_y = self.p.map(|row| dot(&row));
        let variance = dot(&with_y) + noise_sd * noise_sd + point.se * point.se;
        let sd = variance.max(1e-12).sqrt();
        let z = ((point.kpa - dot(&self.x)) / sd).clamp(-MOST_Z, MOST_Z);
        for (x, c) in self.x.iter_mut().zip(with_y) {
            *x += c / sd * z;
        }
        for (row, a) in self.p.iter_mut().zip(with_y) {
            for (cell, b) in row.iter_mut().zip(with_y) {
                *cell -= a * b / variance;
            }
        }
        -0.5 * z * z - sd.ln()
    }

    /// What is left of it for what is to come, at the speed of now.
    fn path(&self, gamma: f64, lost: f64, leak: Option<&Leak>, now: f64) -> BasePath {
        let by = [(gamma * lost).exp(), lost.exp(), lost.exp()];
        let rows = [U, K, G];
        let at = |i: usize, j: usize| {
            let row = self.p.get(i).copied().unwrap_or_default();
            row.get(j).copied().unwrap_or(0.0)
        };
        let mut mean = [self.x[U], self.x[K], self.x[G]];
        let mut cov = rows.map(|i| rows.map(|j| at(i, j)));
        for ((x, row), a) in mean.iter_mut().zip(&mut cov).zip(by) {
            *x *= a;
            for (cell, b) in row.iter_mut().zip(by) {
                *cell *= a * b;
            }
        }
        BasePath {
            weight: 1.0,
            gamma,
            mean,
            cov,
            leak_since: leak.map(|leak| leak.since),
            now,
            pace: leak.map_or(1.0, |leak| leak.pace),
        }
    }
}

/// Log weights to probabilities, the likeliest first.
fn weighed(mut ways: Vec<(f64, BasePath)>) -> Vec<BasePath> {
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    let top = ways.first().map_or(0.0, |way| way.0);
    ways.retain(|way| way.0 > top + LEAST_WEIGHT.ln());
    let total: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    ways.into_iter()
        .map(|(ln_weight, path)| BasePath {
            weight: (ln_weight - top).exp() / total,
            ..path
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPREAD: Spread = Spread {
        noise_sd: 0.12,
        shared_sd: 0.05,
        phi_per_day: 0.6,
        diffusion_sd: 0.005,
        drift_mean: 0.0,
        drift_sd: 1e-3,
    };

    /// Base pressures every other day of 160 days, the onset on day 80, with a course of the base
    /// since, kPa.
    fn points(course: impl Fn(f64) -> f64) -> Vec<BasePoint> {
        let point = |k: u32| {
            let since = (f64::from(k) - 80.0).max(0.0);
            BasePoint {
                at: Stamp::from_micros(0).plus_days(f64::from(k)),
                kpa: course(since) + 0.1 * (f64::from(k) * 1.7).sin(),
                se: 0.05,
                level: 4.0,
                level_sd: 0.1,
                sealed_kpa: None,
            }
        };
        (0..160).step_by(2).map(point).collect()
    }

    fn ways(points: &[BasePoint], lost_per_day: f64, base_onset: Option<f64>) -> Vec<BasePath> {
        let ask = Question {
            points,
            spread: SPREAD,
            of_kind: (3.0, 2.0),
            ln_gamma: (0.3, 0.4),
            growth: (0.05, 0.1),
            now: 160.0,
            onset: Some(80.0),
            base_onset,
            renewed: None,
            place_sd: 0.0,
        };
        base_paths(&ask, |day| lost_per_day * (day - 80.0).max(0.0))
    }

    fn mean(ways: &[BasePath], of: impl Fn(&BasePath) -> f64) -> f64 {
        ways.iter().map(|way| way.weight * of(way)).sum()
    }

    #[test]
    fn the_exponent_of_leak_back_is_learnt_from_the_pump_itself() {
        for gamma in [1.0, 1.7, 2.5] {
            let worn = points(|since| 4.0 * (gamma * 0.01 * since).exp());
            let found = ways(&worn, 0.01, Some(95.0));
            assert!(
                (mean(&found, |way| way.gamma) / gamma - 1.0).abs() < 0.2,
                "{gamma}"
            );
            let now = 4.0 * (gamma * 0.8f64).exp();
            assert!(
                (mean(&found, BasePath::kpa) / now - 1.0).abs() < 0.1,
                "{gamma}"
            );
        }
        // Nothing seen since the onset leaves it as vague as it was.
        let found = ways(&points(|_| 4.0)[..40], 0.01, None);
        let gamma = mean(&found, |way| way.gamma);
        let sd = mean(&found, |way| (way.gamma - gamma).powi(2)).sqrt();
        assert!((1.0..1.6).contains(&gamma) && sd > 0.4, "{gamma} {sd}");
    }

    #[test]
    fn a_restriction_lifts_no_base_and_a_leak_is_no_wear() {
        let still = ways(&points(|_| 4.0), 0.01, None);
        assert!(mean(&still, |way| way.gamma) < 0.1);
        // A leak that grows by 0.1 kPa a day with the speed as it was.
        let leak = ways(&points(|since| 4.0 + 0.1 * since), 0.0, Some(85.0));
        assert!((mean(&leak, |way| way.mean[1]) - 8.0).abs() < 0.6);
        let ahead = mean(&leak, |way| {
            way.mean[1] + way.mean[2] * way.clock_ahead(50.0)
        });
        assert!((ahead - 13.0).abs() < 2.0, "{ahead}");
    }

    #[test]
    fn a_leak_beside_wear_is_seen_as_both() {
        let both = points(|since| {
            let worn = 4.0 * (1.3 * 0.005 * since).exp();
            let leak: f64 = if since > 20.0 { 6.0 } else { 0.0 };
            worn + leak * (0.005 * since).exp()
        });
        let found = ways(&both, 0.005, Some(101.0));
        let leaking = mean(&found, |way| f64::from(u8::from(way.leak_since.is_some())));
        assert!(leaking > 0.95, "{leaking}");
        let leak = mean(&found, |way| way.mean[1]);
        assert!((leak - 6.0 * 0.4f64.exp()).abs() < 2.0, "{leak}");
    }
}
