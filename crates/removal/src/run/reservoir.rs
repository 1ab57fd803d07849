//! The runs of one reservoir together: how it mixes is a property of the reservoir, and no run tells it alone.
//!
//! So is water that settled in it. Which laws its runs leave open is decided in `laws.rs`; here they are fitted.

use drydown_quantity::Stamp;
use drydown_runs::history::SamplePoint;
use drydown_stats::robust;

use super::fit::{
    Fit, can_tell_mixing, finish, fit_drift, fit_settled, fit_two_compartments, fit_well_mixed,
};
use super::join::join;
use super::laws::{Gain, Kept, Kind, is_plain, keep, of_run};
use super::model::{MixingPriors, Prior, USUAL_MIXING};
use super::paper::{Following, following, holds_paper};
use super::points::{Points, to_points};
use super::rebound::{Rebounds, gaps, reach_next_starts, rebounds};
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

/// The laws fitted to one run, without intervals. All but the first only where the run was looked at further.
pub(super) struct Fits<'a> {
    well_mixed: Fit<'a>,
    /// The oil was about saturated as the run began, or a sample of the bottom found free water.
    pub(super) begins_wet: bool,
    /// Deviance of the law of one body with an end level that moves.
    drift: Option<f64>,
    pub(super) two: Option<Fit<'a>>,
    pub(super) settled: Option<Fit<'a>>,
}

impl Fits<'_> {
    fn look_further(&mut self, may_hold_settled: bool) {
        if !can_tell_mixing(&self.well_mixed) {
            return;
        }
        self.drift = Some(fit_drift(&self.well_mixed).deviance);
        self.two = Some(fit_two_compartments(&self.well_mixed, USUAL_MIXING));
        if may_hold_settled && knows_solubility(&self.well_mixed) {
            self.settled = Some(fit_settled(&self.well_mixed));
        }
    }

    pub(super) fn gain(&self) -> Option<Gain> {
        let fit = self.two.as_ref()?;
        let two = fit.deviance;
        let plain = self.well_mixed.deviance;
        let best = plain.min(self.drift.unwrap_or(f64::INFINITY));
        Some(Gain {
            two: plain - two,
            two_most: material_gain(&self.well_mixed, fit),
            settled_over_best: self.settled.as_ref().map(|settled| best - settled.deviance),
            two_over_best: best - two,
            begins_wet: self.begins_wet,
            settled: self
                .settled
                .as_ref()
                .map(|settled| plain - settled.deviance),
            settled_most: self.settled.as_ref().map_or(f64::INFINITY, |settled| {
                material_gain(&self.well_mixed, settled)
            }),
        })
    }
}

/// The most deviance that a law may gain over one body: what its residuals are the smaller for, where no law is better
/// than half of a sensor's own scale (about 1 % of the reading).
///
/// A quiet sensor shows what no law holds: oil whose temperature lags, a sensor's own curve, vapour that falls with the
/// load. A second exponential takes some of it for mixing, and by the sensor's noise alone that gains without end.
fn material_gain(plain: &Fit<'_>, other: &Fit<'_>) -> f64 {
    const LAW_SD: f64 = 0.5;
    /// Bins that speak at most: neighbours share what the law does not hold.
    const N_MOST: f64 = 40.0;
    let of = |fit: &Fit<'_>| fit.model.misfit(&fit.theta);
    let (Some((plain, n)), Some((other, _))) = (of(plain), of(other)) else {
        return f64::INFINITY;
    };
    n.min(N_MOST) * ((plain + LAW_SD * LAW_SD) / (other + LAW_SD * LAW_SD)).ln()
}

/// Whether the law with settled water can be written for a run.
fn knows_solubility(fit: &Fit<'_>) -> bool {
    let mut steps = fit.model.points.steps.iter();
    steps.all(|step| step.tank_solubility_ppm.is_finite())
}

/// Whether water may lie under the oil as a run begins: oil at rest over settled water is about saturated.
fn begins_wet(input: &RunInput<'_>, fit: &Fit<'_>) -> bool {
    /// A sensor's zero and the register's solubility leave no more than this (common practice, no source).
    const ABOUT_SATURATED: f64 = 0.8;
    const CLEARLY_ABOVE: f64 = 1.1;
    let Some(first) = fit.model.points.steps.first() else {
        return false;
    };
    let by_bottom = |start: Stamp| {
        input.samples.iter().any(|sample| {
            sample.sample_point == Some(SamplePoint::ReservoirBottom)
                && sample.taken_at.is_some_and(|taken| taken <= start)
                && sample
                    .water_ppm
                    .is_some_and(|water| water > CLEARLY_ABOVE * first.tank_solubility_ppm)
        })
    };
    let start_ppm = fit.model.values(&fit.theta).start_ppm;
    start_ppm > ABOUT_SATURATED * first.tank_solubility_ppm || by_bottom(input.run.started_at)
}

/// Settled water is looked for where this share of a reservoir's runs began wet: oil dried not long before need not have.
const WET_SHARE: f64 = 0.1;

fn may_hold_settled(looks: &[Look<'_>]) -> bool {
    let wet: Vec<bool> = looks
        .iter()
        .filter_map(|look| match look {
            Look::Fitted(fits) => Some(fits.begins_wet),
            Look::Unfit(..) => None,
        })
        .collect();
    let n_wet = wet.iter().filter(|wet| **wet).count();
    n_wet > 0 && n_wet as f64 >= WET_SHARE * wet.len() as f64
}

/// What is known of a reservoir from its runs.
#[derive(Clone, Debug)]
pub(super) struct Verdict {
    kept: Kept,
    /// For each run, what the others tell of loop and exchange; empty where no law kept has them.
    lent: Vec<MixingPriors>,
}

/// Fits all runs of one reservoir; rows in the order of the runs. Never fails: what cannot be told is a status.
///
/// Which laws are left open is decided once for all of them. Where it is a loop and a rest, share and exchange are lent
/// from run to run; where it is more than one, the interval of a rate holds what each of them gives.
#[must_use]
pub fn fit_reservoir(inputs: &[RunInput<'_>], config: &RunFitConfig) -> Vec<RemovalRun> {
    let points = points_of_all(inputs, config);
    let looks = look_at_all(inputs, &points, config);
    let verdict = judge(inputs, &looks, config);
    let paper = paper_between(inputs, &looks);
    inputs
        .iter()
        .zip(&points)
        .zip(looks)
        .enumerate()
        .map(|(idx, ((input, points), look))| {
            let lent = verdict.lent.get(idx).copied().unwrap_or(USUAL_MIXING);
            let mut row = settle(input, points, look, Some((&verdict.kept, lent)), config);
            if let Some(following) = paper {
                following.take_out(&mut row, config);
            }
            row
        })
        .collect()
}

/// The points of all runs of a reservoir, each up to the next start.
pub(super) fn points_of_all(inputs: &[RunInput<'_>], config: &RunFitConfig) -> Vec<Points> {
    let mut points: Vec<Points> = inputs
        .iter()
        .map(|input| to_points(input, config))
        .collect();
    reach_next_starts(inputs, &mut points);
    points
}

/// What the rests between a reservoir's runs say of its mixing; nothing where paper gives its water back to the oil.
pub(super) fn rests_between(
    inputs: &[RunInput<'_>],
    looks: &[Look<'_>],
    config: &RunFitConfig,
) -> Rebounds {
    if inputs.iter().any(holds_paper) {
        return Rebounds::default();
    }
    rebounds(&gaps(inputs, &plain_fits(looks)), inputs.len(), config)
}

/// What the rests between a reservoir's runs tell of its paper; None where it has none.
fn paper_between(inputs: &[RunInput<'_>], looks: &[Look<'_>]) -> Option<Following> {
    let paper = inputs.iter().any(holds_paper);
    paper.then(|| following(&gaps(inputs, &plain_fits(looks))))
}

/// The fits of one body; None where a run had nothing to fit.
fn plain_fits<'a, 'b>(looks: &'b [Look<'a>]) -> Vec<Option<&'b Fit<'a>>> {
    looks
        .iter()
        .map(|look| match look {
            Look::Fitted(fits) => Some(&fits.well_mixed),
            Look::Unfit(..) => None,
        })
        .collect()
}

/// Looks at the runs of one reservoir as far as it takes to say which laws they leave open.
pub(super) fn look_at_all<'a>(
    inputs: &[RunInput<'_>],
    points: &'a [Points],
    config: &'a RunFitConfig,
) -> Vec<Look<'a>> {
    let mut looks: Vec<Look<'a>> = inputs
        .iter()
        .zip(points)
        .map(|(input, points)| look_first(input, points, config))
        .collect();
    look_for_mixing(&mut looks, config);
    looks
}

/// Fits the other laws to the runs, from all over the reservoir's time, until enough of them say that it is well mixed.
///
/// The sums that decide (see [`keep`]) then lie so far down that no few runs lift them. Looking at all runs of
/// well-mixed reservoirs takes most of the time of an analysis, and changes nothing.
fn look_for_mixing(looks: &mut [Look<'_>], config: &RunFitConfig) {
    /// The inverse of the golden ratio: multiples of it are spread evenly whatever their number.
    const SPREAD: f64 = 0.618_033_988_749_894_9;
    const N_MIN: usize = 5;
    let mut order: Vec<usize> = (0..looks.len()).collect();
    let place = |idx: &usize| (*idx as f64 * SPREAD).fract();
    order.sort_by(|a, b| place(a).total_cmp(&place(b)));
    let settled = may_hold_settled(looks);
    let mut gains = Vec::new();
    for idx in order {
        let Some(Look::Fitted(fits)) = looks.get_mut(idx) else {
            continue;
        };
        fits.look_further(settled);
        gains.extend(fits.gain());
        if gains.len() >= N_MIN && is_plain(&gains, config) {
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
        let settled = fits.begins_wet;
        fits.look_further(settled);
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
        begins_wet: begins_wet(input, &well_mixed),
        well_mixed,
        drift: None,
        two: None,
        settled: None,
    }))
}

/// The row of a run under what is known of its reservoir; None where no other run was looked at.
pub(super) fn settle(
    input: &RunInput<'_>,
    points: &Points,
    look: Look<'_>,
    known: Option<(&Kept, MixingPriors)>,
    config: &RunFitConfig,
) -> RemovalRun {
    let fits = match look {
        Look::Unfit(status, why) => return convert::without_fit(input, points, status, &why),
        Look::Fitted(fits) => *fits,
    };
    let gains: Vec<Gain> = fits.gain().into_iter().collect();
    let alone = keep(&gains, &Rebounds::default(), config);
    let (kept, lent) = known.unwrap_or((&alone, USUAL_MIXING));
    let gain = fits.gain().and_then(|gain| gain.settled);
    let fit = join(
        of_run(kept, gain, fits.begins_wet, config)
            .iter()
            .map(|(kind, share)| (finish(fit_kind(&fits, *kind, lent)), *share))
            .collect(),
    )
    .unwrap_or_else(|| finish(fits.well_mixed));
    let verdict = status::judge(&fit, fit.model.priors, config);
    let verdict = status::check_possible(input, &fit, verdict, config);
    convert::to_row(input, points, &fit, &verdict, config)
}

/// The fit of one kind of law to a run, or the law of one body where the run cannot have it.
fn fit_kind<'a>(fits: &Fits<'a>, kind: Kind, lent: MixingPriors) -> Fit<'a> {
    let plain = &fits.well_mixed;
    match kind {
        // Free water leaves by a law of its own, which knows no loop and rest.
        Kind::TwoCompartments if !plain.model.shape.free_water => fit_two_compartments(plain, lent),
        Kind::Settled if knows_solubility(plain) => {
            fits.settled.clone().unwrap_or_else(|| fit_settled(plain))
        }
        _ => plain.clone(),
    }
}

/// How the reservoir mixes, and what each run learns of it from the others.
fn judge(inputs: &[RunInput<'_>], looks: &[Look<'_>], config: &RunFitConfig) -> Verdict {
    let rests = rests_between(inputs, looks, config);
    let gains: Vec<Gain> = looks
        .iter()
        .filter_map(|look| match look {
            Look::Fitted(fits) => fits.gain(),
            Look::Unfit(..) => None,
        })
        .collect();
    let kept = keep(&gains, &rests, config);
    if kept.iter().all(|(kind, _)| *kind != Kind::TwoCompartments) {
        let lent = Vec::new();
        return Verdict { kept, lent };
    }
    let told = mixing_told(looks, &rests);
    let lent = (0..looks.len())
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
                    BETWEEN_RUNS,
                    others().map(|[share, _]| *share),
                ),
                ln_exchange: lend(
                    USUAL_MIXING.ln_exchange,
                    BETWEEN_RUNS,
                    others().map(|[_, exchange]| *exchange),
                ),
                next: rests.of(idx),
            }
        })
        .collect();
    Verdict { kept, lent }
}

/// What each run tells of loop and exchange by itself, with the reading at the next start where there is one.
pub(super) fn mixing_told(looks: &[Look<'_>], rests: &Rebounds) -> Vec<Option<[Told; 2]>> {
    looks
        .iter()
        .enumerate()
        .map(|(idx, look)| {
            let Look::Fitted(fits) = look else {
                return None;
            };
            match rests.of(idx) {
                Some(next) if can_tell_mixing(&fits.well_mixed) => {
                    let mixing = MixingPriors {
                        next: Some(next),
                        ..USUAL_MIXING
                    };
                    told(&fit_two_compartments(&fits.well_mixed, mixing))
                }
                _ => told(fits.two.as_ref()?),
            }
        })
        .collect()
}

/// Sd of a loop's unknowns between runs of one reservoir: levels, temperatures and ports differ. Common practice, no source.
pub(super) const BETWEEN_RUNS: f64 = 0.3;

/// An unknown as a run's fit has it, prior included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Told {
    value: f64,
    variance: f64,
}

/// The last two of a run's unknowns as it tells them: loop share and exchange, or what dissolves and how much there is.
pub(super) fn told(fit: &Fit<'_>) -> Option<[Told; 2]> {
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
pub(super) fn lend(prior: Prior, between_runs: f64, others: impl Iterator<Item = Told>) -> Prior {
    let own = 1.0 / (prior.sd * prior.sd);
    let (mut precision, mut weighted) = (own, own * prior.mean);
    let values: Vec<(f64, f64)> = others
        .filter_map(|told| {
            let beyond = 1.0 / told.variance - own;
            let mean = (told.value / told.variance - own * prior.mean) / beyond;
            (beyond > 0.05 * own && mean.is_finite())
                .then_some((mean, 1.0 / (1.0 / beyond + between_runs * between_runs)))
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
        sd: (1.0 / precision).sqrt().hypot(between_runs).min(prior.sd),
    }
}
