//! When a pump no longer holds its limit, over drawn futures.
//!
//! With its vent shut a pump holds `P = base + load/S`: what leaks back and in, and the gas that the
//! oil gives off over its volume flow. Base, leak and speed each have several ways in which they may
//! have come to where they are (`path`, `base_path`); the law of the day on which P passes the limit
//! has no closed form over all of them, and is taken from a fixed set of evenly spread draws.
//! Wander of the speed, and of a leak, counts by its maximum up to a day (reflection principle, textbook).
//! Pressures kPa, speeds m³/h, loads kPa·m³/h.

use drydown_stats::normal;
use drydown_stats::optimise::brent_root;
use drydown_stats::robust;

use crate::base_filter::{LEAK_WANDER_KPA, What};
use crate::base_path::BasePath;
use crate::limit::Load;
use crate::path::Path;

const DRAWS: usize = 512;
const WIDTH: usize = 11;
/// How well a start tells what a pump holds at work: it is colder then, its chamber gives off vapour, and
/// its gauge is not quite right; standard deviation of ln pressure (common practice).
const HELD_LN_SD: f64 = 0.04;
/// Wander of a leak after a day beside its growth, as a share of the leak: a gap opens and sits again as
/// frames are moved and warmed (common practice).
const LEAK_WANDER_SHARE: f64 = 0.03;
/// Square roots of primes: their multiples modulo 1 fill the cube evenly (Kronecker; Weyl 1916).
const ROOTS: [f64; WIDTH] = [
    std::f64::consts::SQRT_2,
    1.732_050_807_568_877,
    2.236_067_977_499_79,
    2.645_751_311_064_591,
    3.316_624_790_355_4,
    3.605_551_275_463_989,
    4.123_105_625_617_661,
    4.358_898_943_540_674,
    4.795_831_523_312_72,
    5.385_164_807_134_505,
    5.567_764_362_830_022,
];

/// Evenly spread draws: two uniform ones that choose the ways, and normal ones.
#[derive(Clone, Debug)]
pub(crate) struct Draws(Vec<Draw>);

#[derive(Clone, Copy, Debug)]
struct Draw {
    speed_way: f64,
    base_way: f64,
    level: f64,
    drift: f64,
    wander: f64,
    /// Exponentials of mean one, for the maximum of the wander of speed and leak.
    beyond: f64,
    load: f64,
    opens: f64,
    opens_beyond: f64,
    beside: f64,
    base: [f64; 3],
}

impl Draws {
    pub(crate) fn new() -> Self {
        let draw = |n: usize| {
            let u = ROOTS.map(|root| ((n as f64 + 0.5) * root).fract().clamp(1e-6, 1.0 - 1e-6));
            let [a, b, level, drift, wander, load, k0, k1, k2, opens, beside] = u;
            Draw {
                speed_way: a,
                base_way: b,
                level: normal::quantile(level),
                drift: normal::quantile(drift),
                wander: normal::quantile(wander),
                beyond: exponential(wander + level),
                load: normal::quantile(load),
                opens: normal::quantile(opens),
                opens_beyond: exponential(opens + level),
                beside: normal::quantile(beside),
                base: [k0, k1, k2].map(normal::quantile),
            }
        };
        Self((0..DRAWS).map(draw).collect())
    }
}

/// Exponential of mean one from uniforms of the same draw, rotated: it need not be as even as they.
fn exponential(of: f64) -> f64 {
    -(of + 0.618_033_988_7).fract().clamp(1e-6, 1.0).ln()
}

/// Maximum up to a time of a Brownian motion that ends at `end`, its standard deviation by then `sd`, for
/// an exponential of mean one.
fn most(end: f64, sd: f64, beyond: f64) -> f64 {
    0.5 * (end + (end * end + 2.0 * sd * sd * beyond).sqrt())
}

/// What a pump's future hangs on.
#[derive(Debug)]
pub(crate) struct Outlook {
    pub(crate) speed: Vec<Path>,
    /// Ways of the base, by the number that each way of the speed names.
    pub(crate) bases: Vec<Vec<BasePath>>,
    /// What turns ln relative speed into ln m³/h.
    pub(crate) ln_m3h: f64,
    pub(crate) load: Load,
    pub(crate) diffusion_sd: f64,
}

/// Share of futures that pass the limit at once, and by the horizon; days of those that pass.
pub(crate) struct Passing {
    pub(crate) at_once: f64,
    pub(crate) by_horizon: f64,
    days: Vec<f64>,
}

impl Passing {
    /// Days by which the limit is passed with a probability; None past the horizon.
    pub(crate) fn quantile(&self, p: f64) -> Option<f64> {
        if self.by_horizon < p {
            return None;
        }
        // The futures that pass later fill the rest of the law.
        robust::quantile_sorted(&self.days, (p / self.by_horizon).min(1.0))
    }
}

impl Outlook {
    /// Pressure held now with the vent shut, kPa: mean over the ways.
    pub(crate) fn holds_kpa(&self) -> f64 {
        let of = |way: &Path| -> f64 {
            let base = self.bases_of(way).iter();
            let base: f64 = base.map(|way| way.weight * way.kpa()).sum();
            base + self.load.kpa_m3h * (-way.level.0 - self.ln_m3h).exp()
        };
        let held: f64 = self.speed.iter().map(|way| way.weight * of(way)).sum();
        held.max(0.1)
    }

    /// Ways of the base that go with a way of the speed.
    fn bases_of(&self, speed: &Path) -> &[BasePath] {
        self.bases.get(speed.bases).map_or(&[], Vec::as_slice)
    }

    /// When the limit is passed, within so many days.
    pub(crate) fn passing(&self, limit_kpa: f64, horizon: f64, draws: &Draws) -> Passing {
        let futures: Vec<Future<'_>> = draws.0.iter().filter_map(|d| self.future(d)).collect();
        let n = futures.len().max(1) as f64;
        let over = |future: &Future<'_>, days: f64| future.held(days) - limit_kpa;
        let at_once = futures.iter().filter(|f| over(f, 0.0) > 0.0).count() as f64 / n;
        let mut days: Vec<f64> = futures
            .iter()
            .filter(|f| over(f, horizon) > 0.0)
            .map(|f| {
                if over(f, 0.0) > 0.0 {
                    0.0
                } else {
                    brent_root(|days| over(f, days), 0.0, horizon, 0.05).unwrap_or(horizon)
                }
            })
            .collect();
        days.sort_unstable_by(f64::total_cmp);
        Passing {
            at_once,
            by_horizon: days.len() as f64 / n,
            days,
        }
    }

    fn future(&self, draw: &Draw) -> Option<Future<'_>> {
        let speed = chosen(&self.speed, |way| way.weight, draw.speed_way)?;
        let base = chosen(self.bases_of(speed), |way| way.weight, draw.base_way)?;
        let (level, level_sd) = speed.level;
        let (drift, drift_sd) = speed.drift;
        // The drift given the level, whose errors go together.
        let slope = speed.level_drift / (level_sd * level_sd).max(1e-18);
        let left = (drift_sd * drift_sd - slope * slope * level_sd * level_sd).max(0.0);
        let away = level_sd * draw.level;
        let fall = -(drift + slope * away + left.sqrt() * draw.drift);
        let [tight, leak, growth] = drawn(base, draw.base);
        let load = (self.load.kpa_m3h + self.load.sd_kpa_m3h * draw.load).max(0.0);
        Some(Future {
            speed,
            base,
            level: level + away,
            fall,
            tight: tight.max(0.1),
            leak,
            growth,
            opens_sd: if base.beside.is_some_and(|what| what != What::Clearance) {
                LEAK_WANDER_KPA.hypot(LEAK_WANDER_SHARE * leak)
            } else {
                0.0
            },
            opens: (draw.opens, draw.opens_beyond),
            beside: (HELD_LN_SD * draw.beside).exp(),
            gas: load * (-(level + away) - self.ln_m3h).exp(),
            wander_sd: self.diffusion_sd.hypot(speed.wander_sd),
            wander: draw.wander,
            beyond: draw.beyond,
        })
    }
}

/// One of some ways, by a uniform number.
fn chosen<T>(ways: &[T], weight: impl Fn(&T) -> f64, share: f64) -> Option<&T> {
    let mut below = 0.0;
    ways.iter()
        .find(|way| {
            below += weight(way);
            share <= below
        })
        .or(ways.last())
}

/// Sound base, leak and growth from three standard normal numbers (Cholesky).
fn drawn(way: &BasePath, z: [f64; 3]) -> [f64; 3] {
    let c = &way.cov;
    let a = c[0][0].max(0.0).sqrt();
    let over = |cell: f64, by: f64| if by > 1e-12 { cell / by } else { 0.0 };
    let (b0, c0) = (over(c[1][0], a), over(c[2][0], a));
    let b1 = (c[1][1] - b0 * b0).max(0.0).sqrt();
    let c1 = over(c[2][1] - c0 * b0, b1);
    let c2 = (c[2][2] - c0 * c0 - c1 * c1).max(0.0).sqrt();
    let [z0, z1, z2] = z;
    let [m0, m1, m2] = way.mean;
    [
        m0 + a * z0,
        m1 + b0 * z0 + b1 * z1,
        m2 + c0 * z0 + c1 * z1 + c2 * z2,
    ]
}

struct Future<'a> {
    speed: &'a Path,
    base: &'a BasePath,
    /// ln speed now.
    level: f64,
    fall: f64,
    tight: f64,
    leak: f64,
    growth: f64,
    /// Wander of the leak after a day, kPa.
    opens_sd: f64,
    /// Where it ends, in standard deviations, and how far beyond it came on the way.
    opens: (f64, f64),
    /// Pressure of the load's gas at the speed of now, kPa.
    gas: f64,
    /// Factor by which the pump holds another pressure than this says.
    beside: f64,
    wander_sd: f64,
    wander: f64,
    beyond: f64,
}

impl Future<'_> {
    /// Most that is held up to so many days from now, kPa.
    fn held(&self, days: f64) -> f64 {
        let sd = self.wander_sd * days.max(0.0).sqrt();
        let worn = self.speed.lost_ahead(self.fall, self.level, days);
        let end = worn + sd * self.wander;
        let lost = most(end, sd, self.beyond);
        let grown = self.growth * self.base.clock_ahead(days);
        let opened = if self.opens_sd > 0.0 {
            let sd = self.opens_sd * days.max(0.0).sqrt();
            most(grown + sd * self.opens.0, sd, self.opens.1)
        } else {
            grown
        };
        let leak = (self.leak + opened).max(0.0);
        let by = lost.exp();
        let base = self.base;
        let tight = self.tight * base.back.factor_of_more(base.lost, lost)
            + base.back.added_kpa(base.lost + lost);
        self.beside * (tight + (leak + self.gas) * by)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::path::tests::known;

    fn outlook(base: BasePath) -> Outlook {
        Outlook {
            // 30 m³/h that loses a hundredth a day.
            speed: vec![known(0.0, 0.01)],
            bases: vec![vec![base]],
            ln_m3h: 30f64.ln(),
            load: Load {
                vapour_kg_per_h: None,
                kpa_m3h: 60.0,
                sd_kpa_m3h: 0.0,
            },
            diffusion_sd: 0.0,
        }
    }

    #[test]
    fn the_limit_is_passed_where_the_held_pressure_meets_it() {
        // γ = 1: pressure goes as 1/S, 4 + 60/30 = 6 kPa now, and ln(limit/6) is a hundredth a day.
        let plain = outlook(BasePath::unseen((4.0, 0.0), 0.0, 0.0));
        assert!((plain.holds_kpa() - 6.0).abs() < 1e-12);
        let passing = plain.passing(40.37, 365.0, &Draws::new());
        let expected = 100.0 * (40.37f64 / 6.0).ln();
        assert!((passing.quantile(0.5).unwrap() - expected).abs() < 0.5);
        // Between the tenths 2·1.2816 times what a start does not tell, a hundredth a day.
        let width = passing.quantile(0.9).unwrap() - passing.quantile(0.1).unwrap();
        assert!((width - 256.3 * HELD_LN_SD).abs() < 1.0, "{width}");
        assert!(passing.at_once < 1e-12);
        // Already above the limit: at once.
        let passing = plain.passing(5.0, 365.0, &Draws::new());
        assert!(passing.at_once > 0.999 && passing.quantile(0.5) == Some(0.0));
        // Beyond the horizon there is no day.
        assert_eq!(
            plain.passing(400.0, 365.0, &Draws::new()).quantile(0.1),
            None
        );
    }

    #[test]
    fn wander_passes_by_its_maximum() {
        // No fall: the law is that of a Brownian motion's maximum, 2·Φ(−a/(σ√t)) (textbook).
        let mut outlook = outlook(BasePath::unseen((4.0, 0.0), 0.0, 0.0));
        outlook.speed = vec![known(0.0, 0.0)];
        outlook.diffusion_sd = 0.1;
        let passing = outlook.passing(40.37, 365.0, &Draws::new());
        let away = (40.37f64 / 6.0).ln() / (0.1 * 365f64.sqrt());
        let law = 2.0 * normal::cdf(-away);
        assert!(
            (passing.by_horizon - law).abs() < 0.03,
            "{} {law}",
            passing.by_horizon
        );
    }
}
