//! What the runs on a reservoir tell of water that comes back to its oil, for the next run on it.

use super::RunInput;
use super::laws::{Gain, Kind, keep, of_run};
use super::made::Fits;
use super::model::{Prior, USUAL_DISSOLVING, USUAL_MIXING, USUAL_POOL};
use super::reservoir::{
    BETWEEN_RUNS, Told, lend, look_at_all, mixing_told, points_of_all, rests_between, told,
};
use crate::config::RunFitConfig;

/// Mean and standard deviation of a quantity on the scale that its field's name says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LawTerm {
    pub mean: f64,
    pub sd: f64,
}

/// Settled water that dissolves while the oil is dried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettledLaw {
    /// Probability that a run begins over some, 0..1.
    pub probability: f64,
    /// Log of how much there is as a run begins, ppm of the oil.
    pub ln_pool_ppm: LawTerm,
    /// Log of the share of the gap to saturation that dissolves an hour while all of it is there.
    pub ln_dissolving_per_h: LawTerm,
}

/// A loop that passes the unit, and a rest that exchanges oil with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MixingLaw {
    /// Probability that the reservoir mixes so, 0..1.
    pub probability: f64,
    /// Logit of the share of the oil in the loop.
    pub loop_share_logit: LawTerm,
    /// Log of the oil exchanged, share of the volume an hour.
    pub ln_exchange_per_h: LawTerm,
}

/// What brings water back to a reservoir's oil beyond ingress; both empty where its runs show neither.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ReservoirReturns {
    pub settled: Option<SettledLaw>,
    pub mixing: Option<MixingLaw>,
}

/// Last runs that say how much water settles: what settled two years ago says little of now.
const LAST_RUNS: usize = 5;
/// Sd of the log of the settled water between runs of one reservoir, and of how fast it dissolves (common practice, no source).
const POOL_BETWEEN_RUNS: f64 = 0.7;

/// What the runs of one reservoir tell of its next: `inputs` by start. Laws are those that [`crate::fit_reservoir`] leaves open.
#[must_use]
pub fn fit_returns(inputs: &[RunInput<'_>], config: &RunFitConfig) -> ReservoirReturns {
    let points = points_of_all(inputs, config);
    let looks = look_at_all(inputs, &points, config);
    let fits: Vec<&Fits<'_>> = looks.iter().filter_map(|look| look.fits()).collect();
    let gains: Vec<Gain> = fits.iter().filter_map(|fits| fits.gain()).collect();
    let rests = rests_between(inputs, &looks, config);
    let kept = keep(&gains, &rests, config);
    let share = |wanted: Kind| {
        let of_kind = kept.iter().find(|(kind, _)| *kind == wanted);
        of_kind.map(|(_, share)| *share)
    };
    let last = || fits.iter().rev().take(LAST_RUNS);
    let settled = share(Kind::Settled).map(|_| {
        let there: f64 = last()
            .flat_map(|fits| {
                let gain = fits.gain().and_then(|gain| gain.settled);
                of_run(&kept, gain, fits.begins_wet(), config)
            })
            .filter(|(kind, _)| *kind == Kind::Settled)
            .map(|(_, share)| share)
            .sum();
        let of = |fits: &&Fits<'_>| fits.settled().and_then(told);
        SettledLaw {
            probability: there / last().count().max(1) as f64,
            ln_pool_ppm: term(USUAL_POOL, POOL_BETWEEN_RUNS, last().filter_map(of), 1),
            ln_dissolving_per_h: term(USUAL_DISSOLVING, BETWEEN_RUNS, last().filter_map(of), 0),
        }
    });
    let mixing = share(Kind::TwoCompartments).map(|probability| {
        let told = mixing_told(&looks, &rests);
        let all = || told.iter().flatten().copied();
        MixingLaw {
            probability,
            loop_share_logit: term(USUAL_MIXING.loop_share_logit, BETWEEN_RUNS, all(), 0),
            ln_exchange_per_h: term(USUAL_MIXING.ln_exchange, BETWEEN_RUNS, all(), 1),
        }
    });
    ReservoirReturns { settled, mixing }
}

/// One of two unknowns for a new run, after the runs that told it.
fn term(
    prior: Prior,
    between_runs: f64,
    runs: impl Iterator<Item = [Told; 2]>,
    place: usize,
) -> LawTerm {
    let law = lend(
        prior,
        between_runs,
        runs.filter_map(|both| both.get(place).copied()),
    );
    LawTerm {
        mean: law.mean,
        sd: law.sd,
    }
}
