//! Whether a run can tell its removal rate: one named rule after the other.

use super::convert::to_regime;
use super::fit::Fit;
use super::model::{Priors, RATE_MAX, RATE_MIN, Shape};
use super::points::Points;
use super::{RunInput, Verdict};
use crate::config::RunFitConfig;
use crate::rows::{Regime, RunStatus};

/// Flags of the runs stage that leave no curve to fit.
const SPOILING_FLAGS: [&str; 2] = ["refilled", "clock_jump"];

/// What can be said before any fit: a status and why.
pub(super) fn check_before(input: &RunInput<'_>, points: &Points) -> Option<(RunStatus, String)> {
    let spoiled = input
        .run
        .flags
        .iter()
        .find(|flag| SPOILING_FLAGS.contains(&flag.as_str()));
    if let Some(flag) = spoiled {
        return Some((RunStatus::Spoiled, format!("the run is flagged {flag}")));
    }
    let exact = points
        .sensor
        .iter()
        .filter(|point| point.says.is_level())
        .count();
    let reservoir_nodes = || {
        let mut nodes: Vec<usize> = points
            .lab
            .iter()
            .filter(|point| !point.outlet)
            .map(|point| point.node)
            .collect();
        nodes.sort_unstable();
        nodes.dedup();
        nodes.len()
    };
    if exact >= 6 || reservoir_nodes() >= 2 {
        return None;
    }
    if exact == 0 && !points.sensor.is_empty() {
        return Some((
            RunStatus::Saturated,
            "the sensor stood at its top throughout".into(),
        ));
    }
    let stuck = points.left_out.get("sensor stuck").copied().unwrap_or(0);
    if 2 * stuck > points.n_bins && stuck > 0 {
        return Some((RunStatus::Spoiled, "the sensor was stuck".into()));
    }
    Some((
        RunStatus::NotIdentified,
        format!(
            "{exact} usable bins (6 needed) and samples at {} times (2 needed)",
            reservoir_nodes()
        ),
    ))
}

/// The status of a fitted run.
pub(super) fn judge(fit: &Fit<'_>, priors: Priors, config: &RunFitConfig) -> Verdict {
    let verdict = |status, why: String| Verdict { status, why };
    let values = fit.model.values(&fit.theta);
    let rate = values.law.rate_per_h;
    let end = end_ppm(fit);
    let drop = values.start_ppm - end;
    let noise = noise_ppm(fit, end);
    if rate <= 1.5 * RATE_MIN || drop <= 0.0 {
        if drop.abs() < 3.0 * noise {
            return flat(
                values.start_ppm,
                priors,
                format!("water moved {drop:.0} ppm, scatter {noise:.0} ppm"),
            );
        }
        return verdict(RunStatus::OnBoundary, "water did not fall".into());
    }
    if to_regime(fit) == Regime::Capacity {
        return verdict(
            RunStatus::OneSided,
            "capped to its end: the rate is at least the lower end".into(),
        );
    }
    if rate >= 0.8 * RATE_MAX {
        return verdict(RunStatus::OnBoundary, "dry between two points".into());
    }
    let spread = interval_sd(fit);
    match (fit.ln_rate_lower, fit.ln_rate_upper) {
        _ if spread.is_none_or(|sd| sd > config.ln_rate_se_max) => {
            if drop < 3.0 * noise {
                return flat(
                    values.start_ppm,
                    priors,
                    format!("water fell {drop:.0} ppm, scatter {noise:.0} ppm"),
                );
            }
            verdict(
                RunStatus::NotIdentified,
                doubt(fit)
                    .unwrap_or("rate and end level cannot be told apart")
                    .into(),
            )
        }
        (Some(_), Some(_)) => verdict(RunStatus::Identified, String::new()),
        (None, Some(_)) => verdict(RunStatus::OneSided, "the lower end is open".into()),
        (Some(_), None) => verdict(RunStatus::OneSided, "the upper end is open".into()),
        (None, None) => verdict(RunStatus::NotIdentified, "both ends are open".into()),
    }
}

/// The laws that the reservoir's runs leave open, where they are more than one.
pub(super) fn doubt(fit: &Fit<'_>) -> Option<&'static str> {
    if fit.joined.is_empty() {
        return None;
    }
    let any = |of: fn(&Shape) -> bool| of(&fit.model.shape) || fit.joined.iter().any(of);
    Some(
        match (any(|shape| shape.mixing), any(|shape| shape.settled)) {
            (true, true) => {
                "bad mixing and settled water that dissolves cannot be told apart: the interval holds both"
            }
            (true, false) => "whether the oil mixes badly cannot be told: the interval holds both",
            _ => "whether settled water dissolves cannot be told: the interval holds both",
        },
    )
}

/// Takes back a rate that cannot be: a unit dries no more oil than it pumps, so that the rate times volume over flow is
/// below 1 but for an error of the volume. Where even the lower end lies above what such an error explains, the
/// sensor did not follow the oil (a fault, or the wrong reservoir), and the number is worth nothing.
pub(super) fn check_possible(
    input: &RunInput<'_>,
    fit: &Fit<'_>,
    verdict: Verdict,
    config: &RunFitConfig,
) -> Verdict {
    let positive = |value: Option<f64>| value.filter(|value| *value > 0.0);
    let volume_l = positive(input.reservoir.and_then(|reservoir| reservoir.volume_l));
    let flow_lpm = positive(input.run.flow_lpm);
    let (Some(volume_l), Some(flow_lpm), Some(lower)) = (volume_l, flow_lpm, fit.ln_rate_lower)
    else {
        return verdict;
    };
    let least_share = lower.exp() * volume_l / 60.0 / flow_lpm;
    if verdict.status != RunStatus::Identified || least_share <= config.per_pass_impossible {
        return verdict;
    }
    Verdict {
        status: RunStatus::Spoiled,
        why: format!(
            "at least {least_share:.1} times the oil pumped would have been dried: the water values do not follow the oil"
        ),
    }
}

/// A run without a fall: at its floor already, or too short or too noisy to show one.
fn flat(start_ppm: f64, priors: Priors, why: String) -> Verdict {
    let floor_at_most = (priors.ln_end.mean + priors.ln_end.sd).exp();
    let status = if start_ppm <= floor_at_most {
        RunStatus::AtFloor
    } else {
        RunStatus::NoContrast
    };
    Verdict { status, why }
}

/// Spread of ln k: from the closed ends where there are any, else the curvature.
pub(super) fn interval_sd(fit: &Fit<'_>) -> Option<f64> {
    const NORMAL_95: f64 = 1.644_853_626_951_472_6;
    let best = fit.theta.first().copied()?;
    match (fit.ln_rate_lower, fit.ln_rate_upper) {
        (Some(lower), Some(upper)) => Some((upper - lower) / (2.0 * NORMAL_95)),
        (Some(lower), None) => Some((best - lower) / NORMAL_95),
        (None, Some(upper)) => Some((upper - best) / NORMAL_95),
        (None, None) => fit.ln_rate_se,
    }
}

/// Water at the end of the fitted curve, ppm.
pub(super) fn end_ppm(fit: &Fit<'_>) -> f64 {
    let values = fit.model.values(&fit.theta);
    let mut water = Vec::new();
    super::curve::path(
        &values.law,
        &fit.model.points.steps,
        values.start_ppm,
        &mut water,
    );
    water
        .get(fit.model.points.end_node)
        .copied()
        .unwrap_or(values.start_ppm)
}

/// Scatter of one value near a level, ppm.
pub(super) fn noise_ppm(fit: &Fit<'_>, level_ppm: f64) -> f64 {
    let config = fit.model.config;
    if fit.model.points.sensor.is_empty() {
        return config.lab_sd_ppm.hypot(config.lab_cv * level_ppm);
    }
    fit.model.noise.sigma * config.sensor_sd_ppm.hypot(config.sensor_cv * level_ppm)
}
