//! One way in which a base pressure may have come, followed by a Kalman filter.
//!
//! State: sound base u, offset of the gauge o, extra pressure k and its growth g per day, and what
//! neighbouring days share a. Observation: what leak-back makes of u (`leak_back`) `+ o + k·h + a`, w the
//! ln speed lost; h is `e^w` for a leak and for clearances, whose gas a slower pump carries away at more
//! pressure, and the saturation pressure at the pump's temperature over that at 40 °C for water in what
//! seals it.

use drydown_physics::saturation;

use crate::base_path::{BasePath, BasePoint, Question};
use crate::filter::Spread;
use crate::leak_back::LeakBack;

/// A leak's own wander, kPa at the sound speed after one day, where it opens by fits and starts (common practice).
pub(crate) const LEAK_WANDER_KPA: f64 = 0.3;
/// The like of what opens smoothly: a gap that is washed out, clearances that wear, water that gathers.
pub(crate) const SMOOTH_KPA: f64 = 0.1;
/// The like of water in what seals a pump where it comes with wet oils and is cooked out by hot ones.
pub(crate) const WET_WANDER_KPA: f64 = 0.5;
/// What a gauge's zero may be off, kPa (common practice); where the barometer is assumed, more.
const OFFSET_SD_KPA: f64 = 0.2;
/// What an oil change may do to the base, kPa.
const RENEWED_SD_KPA: f64 = 0.3;
const CLOCK_DAYS: f64 = 100.0;
const MOST_Z: f64 = 3.5;
/// Saturation pressure of water at 40 °C, kPa (IAPWS-IF97).
const AT_40_KPA: f64 = 7.3844;

/// What lifts a base beside wear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    Leak,
    Wet,
    /// Clearances that open with the days, whether or not anything shows the speed that they take.
    Clearance,
}

/// An extra pressure as it may have come: since a day, at once (standard deviation of its size, kPa),
/// growing (kPa per day, mean and standard deviation) at a pace.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Extra {
    pub(crate) what: What,
    pub(crate) with_saturation: bool,
    pub(crate) goes_with_oil: bool,
    pub(crate) since: f64,
    pub(crate) step_sd: f64,
    pub(crate) growth: Option<(f64, f64)>,
    pub(crate) pace: f64,
    /// Own wander, kPa after one day.
    pub(crate) wander_kpa: f64,
    /// Days in which it goes down to 1/e by itself; None where it stays.
    pub(crate) dries_days: Option<f64>,
    pub(crate) prior: f64,
}

/// What an extra pressure counts for at one point.
fn factor(extra: Option<&Extra>, point: &BasePoint, lost: f64) -> f64 {
    match extra {
        Some(extra) if extra.what == What::Wet => {
            let by_pump = point.sealed_kpa.map(|kpa| kpa / AT_40_KPA);
            let by = by_pump.or(point.by_air);
            by.filter(|_| extra.with_saturation).unwrap_or(1.0)
        }
        _ => lost.exp(),
    }
}

/// Seal water goes with the air by about half of it, from about 20 °C in air of 15 °C (common practice).
const SEAL_DEGC: (f64, f64) = (20.0, 15.0);
const SEAL_PER_AIR: f64 = 0.5;

/// Saturation pressure of the seal water of a pump over that in air of 15 °C, by the air's temperature.
pub(crate) fn seal_by_air(air_degc: f64) -> f64 {
    let (seal, air) = SEAL_DEGC;
    let degc = |air_degc: f64| seal + SEAL_PER_AIR * (air_degc - air).clamp(-30.0, 30.0);
    saturation::pressure_kpa(degc(air_degc)) / saturation::pressure_kpa(degc(air))
}

/// Days of the clock of a growth of some pace between two days.
pub(crate) fn clock(onset: Option<f64>, pace: f64, from: f64, to: f64) -> f64 {
    let Some(onset) = onset.filter(|_| (pace - 1.0).abs() > 1e-9) else {
        return to - from;
    };
    let at = |day: f64| CLOCK_DAYS * ((day - onset).max(0.0) / CLOCK_DAYS).powf(pace);
    at(to) - at(from)
}

const U: usize = 0;
const O: usize = 1;
const K: usize = 2;
const G: usize = 3;
const A: usize = 4;

#[derive(Clone, Copy)]
pub(crate) struct State {
    day: f64,
    x: [f64; 5],
    p: [[f64; 5]; 5],
    spread: Spread,
    leaking: bool,
    renewed: bool,
    /// What the extra pressure was multiplied by at the last point.
    by_extra: f64,
}

impl State {
    pub(crate) fn new((level, level_sd): (f64, f64), ask: &Question<'_>, day: f64) -> Self {
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
            by_extra: 1.0,
        }
    }

    /// The filter after some points (day, ln speed lost, base) and now, and their log likelihood.
    pub(crate) fn through(
        mut self,
        points: &[(f64, f64, &BasePoint)],
        back: LeakBack,
        extra: Option<&Extra>,
        ask: &Question<'_>,
    ) -> (Self, f64) {
        let mut ln_likelihood = 0.0;
        for (day, lost, point) in points {
            self.advance(*day, extra, ask);
            ln_likelihood += self.learn(point, (back, *lost), extra);
        }
        self.advance(ask.now, extra, ask);
        (self, ln_likelihood)
    }

    fn advance(&mut self, day: f64, leak: Option<&Extra>, ask: &Question<'_>) {
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
            if leak.is_some_and(|extra| extra.goes_with_oil && self.leaking) {
                // New oil is dry, until what wets it has done so again.
                self.p[K][K] += self.x[K] * self.x[K];
            }
        }
        self.step_to(day, leak);
    }

    /// Extra pressure as the last point would show it at 40 °C, kPa.
    pub(crate) fn extra_kpa(&self) -> f64 {
        self.x[K]
    }

    /// The like as the last point showed it, kPa.
    pub(crate) fn shown_kpa(&self) -> f64 {
        self.x[K] * self.by_extra
    }

    fn step_to(&mut self, day: f64, leak: Option<&Extra>) {
        let days = day - self.day;
        if days.is_nan() || days <= 0.0 {
            return;
        }
        let worked = leak.map_or(0.0, |leak| {
            clock(Some(leak.since), leak.pace, self.day, day)
        });
        self.day = day;
        let phi = self.spread.phi_per_day.clamp(0.0, 0.9999).powf(days);
        let dries = leak.and_then(|leak| leak.dries_days);
        let left = dries.map_or(1.0, |by| (-days / by).exp());
        self.x[K] = left * self.x[K] + worked * self.x[G];
        self.x[A] *= phi;
        let p = &mut self.p;
        for j in 0..5 {
            let grown = p[G].get(j).copied().unwrap_or(0.0);
            if let Some(cell) = p[K].get_mut(j) {
                *cell = left * *cell + worked * grown;
            }
        }
        for row in p.iter_mut() {
            row[K] = left * row[K] + worked * row[G];
            row[A] *= phi;
        }
        for cell in &mut p[A] {
            *cell *= phi;
        }
        p[A][A] += self.spread.shared_sd.powi(2) * (1.0 - phi * phi);
        p[U][U] += self.spread.diffusion_sd.powi(2) * days;
        if let Some(extra) = leak.filter(|_| self.leaking) {
            p[K][K] += extra.wander_kpa.powi(2) * days;
        }
    }

    /// Takes one base pressure in; log likelihood of it.
    fn learn(
        &mut self,
        point: &BasePoint,
        (back, lost): (LeakBack, f64),
        extra: Option<&Extra>,
    ) -> f64 {
        let noise_sd = self.spread.noise_sd;
        let by_extra = factor(extra, point, lost);
        self.by_extra = by_extra;
        let h = [back.factor(lost), 1.0, by_extra, 0.0, 1.0];
        let dot = |row: &[f64; 5]| row.iter().zip(h).map(|(a, b)| a * b).sum::<f64>();
        let with_y = self.p.map(|row| dot(&row));
        let variance = dot(&with_y) + noise_sd * noise_sd + point.se * point.se;
        let sd = variance.max(1e-12).sqrt();
        let z = ((point.kpa - back.added_kpa(lost) - dot(&self.x)) / sd).clamp(-MOST_Z, MOST_Z);
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
    pub(crate) fn path(
        &self,
        back: LeakBack,
        lost: f64,
        leak: Option<&Extra>,
        now: f64,
    ) -> BasePath {
        let by_extra = match leak.map(|extra| extra.what) {
            Some(What::Wet) => self.by_extra,
            _ => lost.exp(),
        };
        let by = [back.factor(lost), by_extra, by_extra];
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
            back,
            lost,
            mean,
            cov,
            beside: leak.map(|leak| leak.what),
            leak_since: leak.map(|leak| leak.since),
            now,
            pace: leak.map_or(1.0, |leak| leak.pace),
        }
    }
}
