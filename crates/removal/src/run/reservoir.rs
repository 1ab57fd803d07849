//! The runs of one reservoir together: how it mixes is a property of the reservoir, and no run tells it alone.
//!
//! A loop and a rest explain any slow tail a little better than one body does, so that one run's deviance says little:
//! in simulated fleets it names a quarter of the runs on badly mixed reservoirs. Summed over a reservoir's runs, the
//! gains of well-mixed ones fall below zero (two priors are paid for each time) and those of badly mixed ones add up.

use drydown_stats::robust;

use super::fit::{Fit, can_tell_mixing, finish, fit_drift, fit_two_compartments, fit_well_mixed};
use super::model::{MixingPriors, Prior, USUAL_MIXING};
use super::points::{Points, to_points};
use super::solve::inverse_diagonal;
use super::{RunInput, convert, free_water_at_start, priors, status};
use crate::config::RunFitConfig;
use crate::rows::{RemovalRun, RunStatus};

/// What one run shows by itself.
pub(super) enum Look<'a> {
    /// There is nothing to fit, and why.
    Unfit(RunStatus, String),
    Fitted(Box<Fits<'a>>),
}

/// The laws fitted to one run, without intervals. The second and third only where the run was looked at further.
pub(super) struct Fits<'a> {
    well_mixed: Fit<'a>,
    /// Deviance of the law of one body with an end level that moves.
    drift: Option<f64>,
    two: Option<Fit<'a>>,
}

impl Fits<'_> {
    fn look_further(&mut self) {
        if can_tell_mixing(&self.well_mixed) {
            self.drift = Some(fit_drift(&self.well_mixed).deviance);
            self.two = Some(fit_two_compartments(&self.well_mixed, USUAL_MIXING));
        }
    }

    fn gain(&self) -> Option<Gain> {
        let two = self.two.as_ref()?.deviance;
        let best = self
            .well_mixed
            .deviance
            .min(self.drift.unwrap_or(f64::INFINITY));
        Some(Gain {
            over_plain: self.well_mixed.deviance - two,
            over_best: best - two,
        })
    }
}

/// How much less deviance the two compartments leave than one body, and than the better of one body with an end level
/// that stands or moves.
#[derive(Clone, Copy, Debug)]
struct Gain {
    over_plain: f64,
    over_best: f64,
}

/// How a reservoir mixes, as its runs together show it.
#[derive(Clone, Debug)]
pub(super) enum Verdict {
    WellMixed,
    /// Badly; for each run, what the others tell of loop and exchange.
    Badly(Vec<MixingPriors>),
}

/// Fits all runs of one reservoir; rows in the order of the runs. Never fails: what cannot be told is a status.
///
/// Whether it is well mixed is decided once for all of them; where it is not, every run is fitted with a loop and a
/// rest, and share and exchange are lent from run to run.
#[must_use]
pub fn fit_reservoir(inputs: &[RunInput<'_>], config: &RunFitConfig) -> Vec<RemovalRun> {
    let points: Vec<Points> = inputs
        .iter()
        .map(|input| to_points(input, config))
        .collect();
    let mut looks: Vec<Look<'_>> = inputs
        .iter()
        .zip(&points)
        .map(|(input, points)| look_first(input, points, config))
        .collect();
    look_for_mixing(&mut looks, config);
    let verdict = judge(&looks, config);
    inputs
        .iter()
        .zip(&points)
        .zip(looks)
        .enumerate()
        .map(|(idx, ((input, points), look))| {
            let mixing = match &verdict {
                Verdict::WellMixed => None,
                Verdict::Badly(each) => each.get(idx).copied(),
            };
            settle(input, points, look, Some(mixing), config)
        })
        .collect()
}

/// Fits the other laws to the runs, from all over the reservoir's time, until enough of them say that it is well mixed.
///
/// The sum that decides (see [`are_badly_mixed`]) then lies so far down that no few runs lift it. Looking at all runs of
/// well-mixed reservoirs takes most of the time of an analysis, and changes nothing.
fn look_for_mixing(looks: &mut [Look<'_>], config: &RunFitConfig) {
    /// The inverse of the golden ratio: multiples of it are spread evenly whatever their number.
    const SPREAD: f64 = 0.618_033_988_749_894_9;
    const N_MIN: usize = 5;
    let mut order: Vec<usize> = (0..looks.len()).collect();
    let place = |idx: &usize| (*idx as f64 * SPREAD).fract();
    order.sort_by(|a, b| place(a).total_cmp(&place(b)));
    let mut gains = Vec::new();
    for idx in order {
        let Some(Look::Fitted(fits)) = looks.get_mut(idx) else {
            continue;
        };
        fits.look_further();
        gains.extend(fits.gain());
        if gains.len() >= N_MIN
            && sum_of_gains(&gains, config) < -3.0 * config.mixing_deviance_together
        {
            return;
        }
    }
}

/// Fits all laws to a run.
pub(super) fn look<'a>(
    input: &RunInput<'_>,
    points: &'a Points,
    config: &'a RunFitConfig,
) -> Look<'a> {
    let mut look = look_first(input, points, config);
    if let Look::Fitted(fits) = &mut look {
        fits.look_further();
    }
    look
}

/// Fits the law of one body to a run.
fn look_first<'a>(input: &RunInput<'_>, points: &'a Points, config: &'a RunFitConfig) -> Look<'a> {
    if let Some((status, why)) = status::check_before(input, points) {
        return Look::Unfit(status, why);
    }
    let free_water = free_water_at_start(points);
    let well_mixed = fit_well_mixed(points, priors(input, config), free_water, config);
    Look::Fitted(Box::new(Fits {
        well_mixed,
        drift: None,
        two: None,
    }))
}

/// The row of a run under what is known of its reservoir: outer None where no other run was looked at, inner None where
/// it is well mixed.
pub(super) fn settle(
    input: &RunInput<'_>,
    points: &Points,
    look: Look<'_>,
    mixing: Option<Option<MixingPriors>>,
    config: &RunFitConfig,
) -> RemovalRun {
    let fits = match look {
        Look::Unfit(status, why) => return convert::without_fit(input, points, status, &why),
        Look::Fitted(fits) => *fits,
    };
    let alone = fits
        .gain()
        .is_some_and(|gain| are_badly_mixed(&[gain], config));
    let fit = match mixing {
        // Free water leaves by a law of its own, which knows no loop and rest.
        Some(Some(lent)) if !fits.well_mixed.model.shape.free_water => {
            fit_two_compartments(&fits.well_mixed, lent)
        }
        None if alone => fits.two.unwrap_or(fits.well_mixed),
        _ => fits.well_mixed,
    };
    let priors = fit.model.priors;
    let fit = finish(fit);
    let verdict = status::judge(&fit, priors, config);
    let verdict = status::check_possible(input, &fit, verdict, config);
    convert::to_row(input, points, &fit, &verdict, config)
}

/// Whether these runs show a loop and a rest.
///
/// No run counts for more than it would have to show alone, so that one wild run decides nothing, and each pays an
/// allowance for what no law fits exactly. A source that dries up (settled water, a wet head space) leaves a slow tail
/// too: the usual run must not be told clearly better by an end level that moves.
fn are_badly_mixed(gains: &[Gain], config: &RunFitConfig) -> bool {
    const CLEARLY: f64 = 1.0;
    let most = config.mixing_deviance;
    let over_best: Vec<f64> = gains.iter().map(|gain| gain.over_best).collect();
    let usual = robust::median(&over_best).unwrap_or(f64::NEG_INFINITY);
    if usual < -CLEARLY {
        return false;
    }
    if let [only] = gains {
        return only.over_plain > most;
    }
    sum_of_gains(gains, config) > config.mixing_deviance_together
}

fn sum_of_gains(gains: &[Gain], config: &RunFitConfig) -> f64 {
    let most = config.mixing_deviance;
    gains
        .iter()
        .map(|gain| (gain.over_plain - config.mixing_allowance).clamp(-0.5 * most, most))
        .sum()
}

/// How the reservoir mixes, and what each run learns of it from the others.
fn judge(looks: &[Look<'_>], config: &RunFitConfig) -> Verdict {
    let gains: Vec<Gain> = looks
        .iter()
        .filter_map(|look| match look {
            Look::Fitted(fits) => fits.gain(),
            Look::Unfit(..) => None,
        })
        .collect();
    if !are_badly_mixed(&gains, config) {
        return Verdict::WellMixed;
    }
    let told: Vec<Option<[Told; 2]>> = looks
        .iter()
        .map(|look| match look {
            Look::Fitted(fits) => told(fits.two.as_ref()?),
            Look::Unfit(..) => None,
        })
        .collect();
    let each = (0..looks.len())
        .map(|idx| {
            let others = || {
                told.iter()
                    .enumerate()
                    .filter(|(other, _)| *other != idx)
                    .filter_map(|(_, told)| told.as_ref())
            };
            MixingPriors {
                loop_share_logit: lend(
                    USUAL_MIXING.loop_share_logit,
                    others().map(|[share, _]| *share),
                ),
                ln_exchange: lend(
                    USUAL_MIXING.ln_exchange,
                    others().map(|[_, exchange]| *exchange),
                ),
            }
        })
        .collect();
    Verdict::Badly(each)
}

/// An unknown as a run's fit has it, prior included.
#[derive(Clone, Copy, Debug)]
struct Told {
    value: f64,
    variance: f64,
}

/// Loop share and exchange as one run tells them: the last two of its unknowns.
fn told(fit: &Fit<'_>) -> Option<[Told; 2]> {
    let n = fit.theta.len();
    let one = |idx: usize| {
        let variance = inverse_diagonal(&fit.information, idx)?;
        (variance.is_finite() && variance > 0.0).then_some(Told {
            value: *fit.theta.get(idx)?,
            variance,
        })
    };
    Some([one(n.checked_sub(2)?)?, one(n.checked_sub(1)?)?])
}

/// The prior after other runs of the reservoir: each adds what it tells beyond the prior.
fn lend(prior: Prior, others: impl Iterator<Item = Told>) -> Prior {
    /// Sd between runs of one reservoir: levels, temperatures and ports differ. Common practice, no source.
    const BETWEEN_RUNS: f64 = 0.3;
    let own = 1.0 / (prior.sd * prior.sd);
    let (mut precision, mut weighted) = (own, own * prior.mean);
    let values: Vec<(f64, f64)> = others
        .filter_map(|told| {
            let beyond = 1.0 / told.variance - own;
            let mean = (told.value / told.variance - own * prior.mean) / beyond;
            (beyond > 0.05 * own && mean.is_finite())
                .then_some((mean, 1.0 / (1.0 / beyond + BETWEEN_RUNS * BETWEEN_RUNS)))
        })
        .collect();
    let middle = robust::median(&values.iter().map(|one| one.0).collect::<Vec<f64>>());
    for (mean, weight) in values {
        // Far from the others' middle a run counts for less.
        let off = (mean - middle.unwrap_or(mean)) * weight.sqrt();
        let weight = weight * robust::huber_weight(off, 1.345);
        precision += weight;
        weighted += weight * mean;
    }
    Prior {
        mean: weighted / precision,
        sd: (1.0 / precision).sqrt().hypot(BETWEEN_RUNS).min(prior.sd),
    }
}
