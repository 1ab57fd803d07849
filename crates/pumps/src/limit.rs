//! How long a pump can still hold its limit.
//!
//! With its vent shut a pump holds `P = base + load / S`: its base pressure, and the gas that the
//! oil gives off over its volume flow. The base is leak-back: it grows by `e^(γ·w)` while the speed
//! falls by `e^(−w)`, so that the distance to the limit, on the scale of ln S, is the w at which
//! `base·e^(γ·w) + load/S·e^w` is the limit. Speed wanders with drift; the days until the distance
//! is used up are a first-passage time (`drydown_stats::passage`). Pressures kPa, speeds m³/h,
//! loads kPa·m³/h.

use drydown_physics::vacuum;
use drydown_runs::Run;
use drydown_stats::optimise::brent_root;
use drydown_stats::passage::FirstPassage;

use crate::{DaysStatus, PumpsConfig};

/// Air dissolved in mineral oil, volumes at one atmosphere per volume of oil (common practice).
const DISSOLVED_AIR: f64 = 0.09;
const ATMOSPHERE_KPA: f64 = 101.325;
/// Gas reaches the pump at about this temperature, behind the condenser (common practice).
const GAS_DEGC: f64 = 40.0;
/// Recent runs: so many, and no older than this before the last.
const RECENT_RUNS: usize = 12;
/// Runs that make the load by which the limit will be passed when it comes.
const COMING_RUNS: f64 = 6.0;
const RECENT_DAYS: f64 = 180.0;

/// Gas that a unit's recent runs sent to its pump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Load {
    /// None where no recent run tells of water.
    pub(crate) vapour_kg_per_h: Option<f64>,
    /// Vapour and dissolved air, kPa·m³/h.
    pub(crate) kpa_m3h: f64,
    /// Standard deviation of the load of coming runs about it, kPa·m³/h.
    pub(crate) sd_kpa_m3h: f64,
}

/// Mean load of the recent runs, the last of them last; None where none logged flow or water.
pub(crate) fn load_of_runs(runs: &[&Run], config: &PumpsConfig) -> Option<Load> {
    let last = runs.last()?.ended_at;
    let recent: Vec<&&Run> = runs
        .iter()
        .rev()
        .take_while(|run| last.days_after(run.ended_at) <= RECENT_DAYS)
        .take(RECENT_RUNS)
        .collect();
    let vapour: Vec<f64> = recent
        .iter()
        .filter(|run| run.hours > 0.5)
        .filter_map(|run| Some((run.water_removed_kg? / run.hours).max(0.0)))
        .collect();
    let flows: Vec<f64> = recent.iter().filter_map(|run| run.flow_lpm).collect();
    if vapour.is_empty() && flows.is_empty() {
        return None;
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let vapour_kg_per_h = if vapour.is_empty() {
        0.0
    } else {
        mean(&vapour)
    };
    // kPa·m³/h that one kg/h of water vapour fills.
    let per_kg = 1.0 / vacuum::pump_water_kg_per_h(1.0, 1.0, GAS_DEGC);
    let air = mean(&flows) * 0.06 * DISSOLVED_AIR * ATMOSPHERE_KPA * config.dissolved_air_share;
    let scatter = vapour
        .iter()
        .map(|v| (v - vapour_kg_per_h).powi(2))
        .sum::<f64>();
    let n = vapour.len().max(1) as f64;
    // One run says nothing of the scatter between runs: half its load (common practice).
    let vapour_sd = if vapour.len() < 3 {
        0.5 * vapour_kg_per_h.max(0.2)
    } else {
        (scatter / (n - 1.0) * (1.0 / n + 1.0 / COMING_RUNS)).sqrt()
    };
    Some(Load {
        vapour_kg_per_h: Some(vapour_kg_per_h).filter(|_| !vapour.is_empty()),
        kpa_m3h: vapour_kg_per_h * per_kg + air,
        sd_kpa_m3h: (vapour_sd * per_kg).hypot(0.5 * air),
    })
}

/// Where a pump stands: ln of its speed in m³/h, its base in kPa, each with its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Standing {
    pub(crate) ln_speed: f64,
    pub(crate) ln_speed_sd: f64,
    pub(crate) base_kpa: f64,
    pub(crate) base_sd_kpa: f64,
    /// Covariance of the errors of base and γ.
    pub(crate) base_with_gamma: f64,
    /// Exponent γ of leak-back: mean and standard deviation.
    pub(crate) leak_back: (f64, f64),
}

impl Standing {
    /// Pressure held with the vent shut under a load, kPa.
    pub(crate) fn holds_kpa(&self, load: &Load) -> f64 {
        (self.base_kpa + load.kpa_m3h / self.ln_speed.exp()).max(0.1)
    }
}

/// How a path moves per day: drift towards the limit (mean, standard deviation) and diffusion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Motion {
    pub(crate) drift: (f64, f64),
    /// Covariance of the errors of level and drift, both towards the limit.
    pub(crate) level_drift: f64,
    pub(crate) diffusion_sd: f64,
}

impl Motion {
    /// Standard deviation of the drift that gives the path its own variance where it is expected
    /// to meet the limit, t = distance/drift days from now: the variance of `level + drift·t` is
    /// `σ² + 2tc + t²w²`, while a first passage takes the two as independent.
    pub(crate) fn drift_sd_over(&self, distance: f64) -> f64 {
        let (drift, sd) = self.drift;
        let days = distance / drift;
        if !days.is_finite() || days <= 0.0 {
            return sd;
        }
        (sd * sd + 2.0 * self.level_drift / days).max(0.0).sqrt()
    }
}

/// Days to the limit in the form of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Days {
    pub(crate) p10: Option<f64>,
    pub(crate) p50: Option<f64>,
    pub(crate) p90: Option<f64>,
    pub(crate) status: DaysStatus,
    /// The limit is passed already.
    pub(crate) passed: bool,
}

impl Days {
    pub(crate) const fn none(status: DaysStatus) -> Self {
        Self {
            p10: None,
            p50: None,
            p90: None,
            status,
            passed: false,
        }
    }

    /// The one that comes first.
    pub(crate) fn sooner(self, other: Self) -> Self {
        let key = |days: &Self| {
            (
                !days.passed,
                days.p50
                    .or(days.p10.map(|d| d + 365.0))
                    .unwrap_or(f64::INFINITY),
            )
        };
        if key(&other) < key(&self) {
            other
        } else {
            self
        }
    }
}

/// Loss of ln speed after which the pump no longer holds the limit, and its standard deviation
/// apart from that of the speed (first order). Negative where the limit is passed.
fn distance(standing: &Standing, load: &Load, limit_kpa: f64) -> (f64, f64) {
    // No pump holds less than this, and an offset of the gauge may show less.
    let base = standing.base_kpa.max(0.1);
    let gas = load.kpa_m3h.max(0.0) / standing.ln_speed.exp();
    let (gamma, gamma_sd) = standing.leak_back;
    let held = |w: f64| base * (gamma * w).exp() + gas * w.exp();
    let far = 20.0;
    let lost = brent_root(|w| held(w).ln() - limit_kpa.ln(), -far, far, 1e-6).unwrap_or(far);
    let leak_back = base * (gamma * lost).exp();
    let slope = gamma * leak_back + gas * lost.exp();
    let by_base = standing.base_sd_kpa * (gamma * lost).exp();
    let by_load = load.sd_kpa_m3h / standing.ln_speed.exp() * lost.exp();
    let by_gamma = gamma_sd * lost * leak_back;
    let together = 2.0 * (gamma * lost).exp() * lost * leak_back * standing.base_with_gamma;
    let own = by_base.powi(2) + by_load.powi(2) + by_gamma.powi(2);
    (lost, (own + together).max(0.0).sqrt() / slope)
}

/// Days until falling speed reaches the limit.
pub(crate) fn days_by_speed(
    standing: &Standing,
    load: &Load,
    motion: &Motion,
    config: &PumpsConfig,
) -> Days {
    let (distance, distance_sd) = distance(standing, load, config.limit_kpa);
    let path = FirstPassage {
        distance,
        distance_sd: distance_sd.hypot(standing.ln_speed_sd),
        drift_mean: motion.drift.0,
        drift_sd: motion.drift_sd_over(distance),
        diffusion_sd: motion.diffusion_sd,
    };
    days_of_path(&path, config)
}

/// Days until rising base pressure reaches the limit at the present speed.
pub(crate) fn days_by_base(
    standing: &Standing,
    load: &Load,
    motion: &Motion,
    config: &PumpsConfig,
) -> Days {
    let load_sd_kpa = load.sd_kpa_m3h / standing.ln_speed.exp();
    let distance = config.limit_kpa - standing.holds_kpa(load);
    let path = FirstPassage {
        distance,
        distance_sd: standing.base_sd_kpa.hypot(load_sd_kpa),
        drift_mean: motion.drift.0,
        drift_sd: motion.drift_sd_over(distance),
        diffusion_sd: motion.diffusion_sd,
    };
    days_of_path(&path, config)
}

fn days_of_path(path: &FirstPassage, config: &PumpsConfig) -> Days {
    let passed = path.distance <= 0.0;
    let by_horizon = path.cdf(config.horizon_days);
    if by_horizon.is_nan() {
        return Days::none(DaysStatus::Unjudged);
    }
    if by_horizon < 0.1 {
        return Days::none(DaysStatus::Beyond);
    }
    let quantile = |p: f64| quantile_days(path, p, config.horizon_days, by_horizon);
    Days {
        p10: quantile(0.1),
        p50: quantile(0.5),
        p90: quantile(0.9),
        status: DaysStatus::Within,
        passed,
    }
}

/// Days by which the limit is reached with a probability, to a twentieth of a day; None past the
/// horizon.
fn quantile_days(path: &FirstPassage, p: f64, horizon: f64, by_horizon: f64) -> Option<f64> {
    if by_horizon < p {
        return None;
    }
    if path.cdf(0.0) >= p {
        return Some(0.0);
    }
    brent_root(|days| path.cdf(days) - p, 0.0, horizon, 0.05)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn level_and_drift_wrong_together_widen_the_path_as_they_should() {
        let motion = Motion {
            drift: (0.01, 0.002),
            level_drift: 1e-4,
            diffusion_sd: 0.0,
        };
        // At 50 days: σ² + 2·50·1e-4 + 50²·0.002² = σ² + 0.01 + 0.01.
        let sd = motion.drift_sd_over(0.5);
        assert!((sd * 50.0 - 0.02f64.sqrt()).abs() < 1e-12, "{sd}");
        assert!((motion.drift_sd_over(-0.5) - 0.002).abs() < 1e-15);
    }

    fn standing(leak_back: (f64, f64)) -> Standing {
        Standing {
            ln_speed: 30f64.ln(),
            ln_speed_sd: 0.0,
            base_kpa: 4.0,
            base_sd_kpa: 0.0,
            base_with_gamma: 0.0,
            leak_back,
        }
    }

    #[test]
    fn the_distance_is_where_the_held_pressure_meets_the_limit() {
        let load = Load {
            vapour_kg_per_h: None,
            kpa_m3h: 60.0,
            sd_kpa_m3h: 0.0,
        };
        // With γ = 1 pressure goes as 1/S: ln(limit / held), held 4 + 60/30 = 6 kPa.
        let (plain, sd) = distance(&standing((1.0, 0.0)), &load, 40.37);
        assert!((plain - (40.37f64 / 6.0).ln()).abs() < 1e-5, "{plain}");
        assert!(sd.abs() < 1e-12);
        // Faster leak-back comes to the limit earlier, and not knowing γ makes the distance vague.
        let (fast, sd) = distance(&standing((1.5, 0.3)), &load, 40.37);
        let held = 4.0 * (1.5 * fast).exp() + 2.0 * fast.exp();
        assert!((held - 40.37).abs() < 1e-3 && fast < plain && sd > 0.1);
        // A γ one standard deviation higher moves the distance by the sd.
        let (faster, _) = distance(&standing((1.5 + 0.03, 0.3)), &load, 40.37);
        assert!(((fast - faster) / (0.1 * sd) - 1.0).abs() < 0.05);
    }
}
