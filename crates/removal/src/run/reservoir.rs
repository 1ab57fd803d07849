//! The runs of one reservoir together: how it mixes is a property of the reservoir, and no run tells it alone.
//!
//! So is water that settled in it. Which laws its runs leave open is decided in `laws.rs`; here they are fitted.

use drydown_stats::robust;

use super::fit::{Fit, can_tell_mixing};
use super::join::join;
use super::laws::{Gain, Kept, Kind, is_plain, keep, of_run};
use super::made::Look;
use super::model::{MixingPriors, Prior, USUAL_MIXING};
use super::paper::{Following, following, holds_paper};
use super::points::{Points, to_points};
use super::rebound::{Rebounds, gaps, next_starts, rebounds};
use super::solve::inverse_diagonal;
use super::states::{Case, Cases};
use super::{RunInput, convert, status};
use crate::config::RunFitConfig;
use crate::rows::RemovalRun;

/// Settled water is looked for where this share of a reservoir's runs began wet: oil dried not long before need not have.
const WET_SHARE: f64 = 0.1;

fn may_hold_settled(looks: &[Look<'_>]) -> bool {
    let wet: Vec<bool> = looks
        .iter()
        .filter_map(|look| Some(look.fits()?.begins_wet()))
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
    fit_reservoir_at(&[inputs], config)
        .pop()
        .unwrap_or_default()
}

/// The rows of [`fit_reservoir`] for one reservoir as it was known at several times.
///
/// Each state holds the runs that were known, with their samples. A run of which the same was known at two times, by views
/// of the same rows, is fitted once.
#[must_use]
pub fn fit_reservoir_at(states: &[&[RunInput<'_>]], config: &RunFitConfig) -> Vec<Vec<RemovalRun>> {
    let Cases { cases, of_state } = Cases::of(states, config);
    let first: Vec<Look<'_>> = cases
        .iter()
        .map(|case| Look::first(case.input, &case.points, config))
        .collect();
    states
        .iter()
        .zip(&of_state)
        .map(|(inputs, places)| {
            let cases: Vec<(&Case<'_>, Look<'_>)> = places
                .iter()
                .filter_map(|place| Some((cases.get(*place)?, first.get(*place)?.clone())))
                .collect();
            let (cases, mut looks): (Vec<&Case<'_>>, Vec<Look<'_>>) = cases.into_iter().unzip();
            look_for_mixing(&mut looks, config);
            to_rows(inputs, &cases, looks, config)
        })
        .collect()
}

/// The rows of a reservoir's runs from how they look.
fn to_rows(
    inputs: &[RunInput<'_>],
    cases: &[&Case<'_>],
    looks: Vec<Look<'_>>,
    config: &RunFitConfig,
) -> Vec<RemovalRun> {
    let verdict = judge(inputs, &looks, config);
    let paper = paper_between(inputs, &looks);
    inputs
        .iter()
        .zip(cases)
        .zip(looks)
        .enumerate()
        .map(|(idx, ((input, case), look))| {
            let lent = verdict.lent.get(idx).copied().unwrap_or(USUAL_MIXING);
            let known = Some((&verdict.kept, lent));
            let mut row = settle(input, &case.points, look, known, config);
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
    for (points, hours) in points.iter_mut().zip(next_starts(inputs)) {
        if let Some(hours) = hours {
            points.reach(hours);
        }
    }
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
        .map(|look| Some(look.fits()?.well_mixed()))
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
        .map(|(input, points)| Look::first(input, points, config))
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
    let mut look = Look::first(input, points, config);
    if let Look::Fitted(fits) = &mut look {
        let settled = fits.begins_wet();
        fits.look_further(settled);
    }
    look
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
        Look::Fitted(fits) => fits,
    };
    let gains: Vec<Gain> = fits.gain().into_iter().collect();
    let alone = keep(&gains, &Rebounds::default(), config);
    let (kept, lent) = known.unwrap_or((&alone, USUAL_MIXING));
    let gain = fits.gain().and_then(|gain| gain.settled);
    let fit = join(
        of_run(kept, gain, fits.begins_wet(), config)
            .iter()
            .map(|(kind, share)| (fits.finished(*kind, lent), *share))
            .collect(),
    )
    .unwrap_or_else(|| fits.finished(Kind::WellMixed, lent));
    let verdict = status::judge(&fit, fit.model.priors, config);
    let verdict = status::check_possible(input, &fit, verdict, config);
    convert::to_row(input, points, &fit, &verdict, config)
}

/// How the reservoir mixes, and what each run learns of it from the others.
fn judge(inputs: &[RunInput<'_>], looks: &[Look<'_>], config: &RunFitConfig) -> Verdict {
    let rests = rests_between(inputs, looks, config);
    let gains: Vec<Gain> = looks
        .iter()
        .filter_map(|look| look.fits()?.gain())
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
            let fits = look.fits()?;
            match rests.of(idx) {
                Some(next) if can_tell_mixing(fits.well_mixed()) => {
                    let mixing = MixingPriors {
                        next: Some(next),
                        ..USUAL_MIXING
                    };
                    told(&fits.two_under(mixing))
                }
                _ => told(fits.two()?),
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
