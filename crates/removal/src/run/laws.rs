//! Which law the runs of a reservoir follow: one body, a loop and a rest, or one body over settled water.
//!
//! A loop and a rest explain any slow tail a little better than one body does, so that one run's deviance says little:
//! in simulated fleets it names a quarter of the runs on badly mixed reservoirs. Summed over a reservoir's runs, the
//! gains of well-mixed ones fall below zero (two priors are paid for each time) and those of the others add up.
//!
//! Settled water that dissolves leaves a slow tail as well, and its rate lies up to ten times above that of a loop and a
//! rest. What tells them is that it lies under oil that is saturated when the unit comes: a second compartment is there in
//! every run, settled water mostly in those that begin about saturated. Where the runs together do not speak clearly, both
//! laws are kept, and the interval of the rate holds both. A reservoir in which water settles need not hold any as a run
//! begins: each run has that law with a probability.

use drydown_stats::{normal, robust};

use super::model::Model;
use super::rebound::Rebounds;
use crate::config::RunFitConfig;

/// How probable settled water is as a run begins, in a reservoir where it settles: under oil that is about saturated, and
/// under drier oil. Common practice, no source.
const POOL_WET: f64 = 0.85;
const POOL_DRY: f64 = 0.25;
/// How often runs begin about saturated, over settled water and elsewhere: twice as often over it, which is cautious, as
/// oil that was simply left wet begins so too. Common practice, no source.
const WET_OVER_POOL: f64 = 0.70;
const WET_ELSEWHERE: f64 = 0.35;

/// What a loop and a rest are good for as a picture of a badly mixed reservoir, sd of the log rate: real ones have more than
/// two parts, and mix faster while the unit runs. From foreign simulated fleets.
const MIXING_LAW_LOG_SD: f64 = 0.12;

/// What a model's law itself is good for: sd of the log rate that no number of readings takes away.
pub(super) fn law_log_sd(model: &Model<'_>) -> f64 {
    let config = model.config;
    let mut sd = config.law_log_sd;
    if model.points.sensor_at_outlet {
        sd = sd.max(config.outlet_law_log_sd);
    }
    if model.shape.settled {
        sd = sd.max(config.settled_law_log_sd);
    }
    if model.shape.mixing {
        sd = sd.max(MIXING_LAW_LOG_SD);
    }
    sd
}

/// What a reservoir may be to its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    WellMixed,
    TwoCompartments,
    Settled,
}

/// How much less deviance the other laws leave than one body.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gain {
    /// Of a loop and a rest over one body.
    pub(super) two: f64,
    /// The same over the better of one body with an end level that stands or moves.
    pub(super) two_over_best: f64,
    /// Of settled water over one body; None where it was not looked for.
    pub(super) settled: Option<f64>,
    /// The same over the better of one body with an end level that stands or moves.
    pub(super) settled_over_best: Option<f64>,
    /// The run began with oil that was about saturated.
    pub(super) begins_wet: bool,
    /// The most that `two` and `settled` may be by residuals that are the smaller for the law: the rest is what no law holds.
    pub(super) two_most: f64,
    pub(super) settled_most: f64,
}

impl Gain {
    /// The gains as far as they are material.
    fn material(&self) -> Self {
        Self {
            two: self.two.min(self.two_most),
            settled: self.settled.map(|gain| gain.min(self.settled_most)),
            ..*self
        }
    }

    /// What a law with settled water, or with none left of it, gains over one body.
    fn settled_or_none(&self) -> Option<f64> {
        let there = pool_share(self.begins_wet);
        Some(2.0 * normal::ln_add_exp(there.ln() + 0.5 * self.settled?, (1.0 - there).ln()))
    }

    /// How much the run's beginning says for settled water, as a deviance.
    fn beginning(&self) -> f64 {
        let odds = if self.begins_wet {
            WET_OVER_POOL / WET_ELSEWHERE
        } else {
            (1.0 - WET_OVER_POOL) / (1.0 - WET_ELSEWHERE)
        };
        2.0 * odds.ln()
    }
}

fn pool_share(begins_wet: bool) -> f64 {
    if begins_wet { POOL_WET } else { POOL_DRY }
}

/// The laws of a reservoir for one of its runs: where water settles, there may be none as the run begins.
pub(super) fn of_run(
    kept: &Kept,
    gain: Option<f64>,
    begins_wet: bool,
    config: &RunFitConfig,
) -> Kept {
    let most = config.mixing_deviance;
    let there = pool_share(begins_wet);
    // A third of what the deviance says, as between laws.
    let odds = there / (1.0 - there) * (gain.unwrap_or(0.0).clamp(-most, most) / 6.0).exp();
    let there = odds / (1.0 + odds);
    let mut out: Kept = Vec::new();
    let mut add = |kind: Kind, share: f64| match out.iter_mut().find(|one| one.0 == kind) {
        Some(one) => one.1 += share,
        None => out.push((kind, share)),
    };
    for (kind, share) in kept {
        if *kind == Kind::Settled {
            add(Kind::Settled, share * there);
            add(Kind::WellMixed, share * (1.0 - there));
        } else {
            add(*kind, *share);
        }
    }
    out.sort_by(|a, b| b.1.total_cmp(&a.1));
    out
}

/// The laws that a reservoir's runs leave open, the one that a row names first, each with its share of the rate.
pub(super) type Kept = Vec<(Kind, f64)>;

/// Sums of clearly less than this mean that a reservoir is well mixed and dry at its bottom, whatever more runs would say.
pub(super) fn is_plain(gains: &[Gain], config: &RunFitConfig) -> bool {
    let far = -far(config);
    let looked = gains.iter().any(|gain| gain.settled.is_some());
    sum(gains.iter().map(|gain| gain.two), config) < far
        && (!looked || sum(gains.iter().filter_map(|gain| gain.settled), config) < far)
}

/// Sums further apart than this speak clearly: three times what names a reservoir.
fn far(config: &RunFitConfig) -> f64 {
    3.0 * config.mixing_deviance_together
}

/// The laws that the gains of a reservoir's runs leave open; never empty.
///
/// A law is named for what it gains by more than no law holds. Where the rest of its gain alone speaks for it, one body
/// comes first, and the other has as large a share.
pub(super) fn keep(gains: &[Gain], rests: &Rebounds, config: &RunFitConfig) -> Kept {
    let material: Vec<Gain> = gains.iter().map(Gain::material).collect();
    let named = keep_by(&material, rests.shown, config);
    if named != [(Kind::WellMixed, 1.0)] {
        return named;
    }
    let doubted = keep_by(gains, false, config);
    if doubted == named {
        if rests.doubt <= 0.0 {
            return named;
        }
        // The runs say nothing of a law, the rests between them might.
        let by_rests = vec![(Kind::TwoCompartments, 1.0)];
        return mixed_with(by_rests, 1.0 - rests.doubt.min(0.5));
    }
    mixed_with(doubted, 0.5)
}

/// One body with its share, and other laws with the rest.
fn mixed_with(others: Kept, well_mixed: f64) -> Kept {
    let mut out = vec![(Kind::WellMixed, well_mixed)];
    for (kind, share) in others {
        let share = (1.0 - well_mixed) * share;
        match out.iter_mut().find(|one| one.0 == kind) {
            Some(one) => one.1 += share,
            None => out.push((kind, share)),
        }
    }
    out
}

fn keep_by(gains: &[Gain], by_rests: bool, config: &RunFitConfig) -> Kept {
    let two = by_rests || are_badly_mixed(gains, config);
    let beginnings = gains.iter().filter(|gain| gain.settled.is_some());
    let over_plain = sum(gains.iter().filter_map(Gain::settled_or_none), config)
        + beginnings.map(Gain::beginning).sum::<f64>();
    let settled = holds_settled(gains, over_plain, config);
    let looked = gains.iter().any(|gain| gain.settled.is_some());
    if !two && !settled {
        return vec![(Kind::WellMixed, 1.0)];
    }
    if !looked {
        return vec![(Kind::TwoCompartments, 1.0)];
    }
    // No run says more than half of what it would have to show alone.
    let most = 0.5 * config.mixing_deviance;
    let over_two: f64 = gains
        .iter()
        .filter_map(|gain| {
            Some((gain.settled_or_none()? - gain.two).clamp(-most, most) + gain.beginning())
        })
        .sum();
    if two && over_two < -far(config) {
        return vec![(Kind::TwoCompartments, 1.0)];
    }
    if over_two > far(config) {
        return if over_plain > far(config) || two {
            vec![(Kind::Settled, 1.0)]
        } else {
            vec![(Kind::Settled, 0.5), (Kind::WellMixed, 0.5)]
        };
    }
    // Deviances of laws none of which is exact: a third of what they say.
    let share = 1.0 / (1.0 + (-over_two / config.mixing_deviance_together).exp());
    let (settled, other) = ((Kind::Settled, share), 1.0 - share);
    if two {
        vec![(Kind::TwoCompartments, other), settled]
    } else {
        vec![settled, (Kind::TwoCompartments, other)]
    }
}

/// Whether these runs show settled water: more than what names a badly mixed reservoir, as free water that the
/// solubility's constants misplace looks like it, and not told better by an end level that moves.
fn holds_settled(gains: &[Gain], over_plain: f64, config: &RunFitConfig) -> bool {
    if let [only] = gains {
        return only.settled_over_best.is_some_and(|gain| gain > 0.0)
            && only
                .settled
                .is_some_and(|gain| gain > config.mixing_deviance);
    }
    let most = 0.5 * config.mixing_deviance;
    let over_best: f64 = gains
        .iter()
        .filter_map(|gain| Some(gain.settled_over_best?.clamp(-most, most)))
        .sum();
    over_best > 0.0 && over_plain > 2.0 * config.mixing_deviance_together
}

/// Whether these runs show a loop and a rest.
///
/// No run counts for more than it would have to show alone, so that one wild run decides nothing, and each pays an
/// allowance for what no law fits exactly. A source that dries up (a wet head space) leaves a slow tail too: the usual run
/// must not be told clearly better by an end level that moves.
fn are_badly_mixed(gains: &[Gain], config: &RunFitConfig) -> bool {
    const CLEARLY: f64 = 1.0;
    let over_best: Vec<f64> = gains.iter().map(|gain| gain.two_over_best).collect();
    let usual = robust::median(&over_best).unwrap_or(f64::NEG_INFINITY);
    if usual < -CLEARLY {
        return false;
    }
    if let [only] = gains {
        return only.two > config.mixing_deviance;
    }
    sum(gains.iter().map(|gain| gain.two), config) > config.mixing_deviance_together
}

fn sum(gains: impl Iterator<Item = f64>, config: &RunFitConfig) -> f64 {
    let most = config.mixing_deviance;
    gains
        .map(|gain| (gain - config.mixing_allowance).clamp(-0.5 * most, most))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(gains: &[(f64, Option<f64>)]) -> Vec<Kind> {
        let gains: Vec<Gain> = gains
            .iter()
            .map(|(two, settled)| Gain {
                two: *two,
                two_over_best: *two,
                settled: *settled,
                settled_over_best: *settled,
                begins_wet: settled.is_some(),
                two_most: f64::INFINITY,
                settled_most: f64::INFINITY,
            })
            .collect();
        let kept = keep(&gains, &Rebounds::default(), &RunFitConfig::documented());
        assert!((kept.iter().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-12);
        kept.into_iter().map(|one| one.0).collect()
    }

    /// The same gains of both laws in every run, of which so many begin about saturated.
    fn share_of_settled(n_wet: usize, n_dry: usize) -> f64 {
        let gains: Vec<Gain> = (0..n_wet + n_dry)
            .map(|idx| Gain {
                two: 9.0,
                two_over_best: 9.0,
                settled: Some(9.0),
                settled_over_best: Some(9.0),
                begins_wet: idx < n_wet,
                two_most: f64::INFINITY,
                settled_most: f64::INFINITY,
            })
            .collect();
        keep(&gains, &Rebounds::default(), &RunFitConfig::documented())
            .iter()
            .filter(|one| one.0 == Kind::Settled)
            .map(|one| one.1)
            .sum()
    }

    #[test]
    fn a_gain_that_is_not_material_names_no_law_but_is_held_by_the_interval() {
        let gains = |two_most: f64| {
            let gain = Gain {
                two: 20.0,
                two_over_best: 20.0,
                settled: None,
                settled_over_best: None,
                begins_wet: false,
                two_most,
                settled_most: f64::INFINITY,
            };
            keep(
                &[gain; 8],
                &Rebounds::default(),
                &RunFitConfig::documented(),
            )
        };
        assert_eq!(gains(8.0), vec![(Kind::TwoCompartments, 1.0)]);
        assert_eq!(
            gains(0.5),
            vec![(Kind::WellMixed, 0.5), (Kind::TwoCompartments, 0.5)]
        );
    }

    #[test]
    fn the_more_runs_begin_dry_the_less_is_it_settled_water() {
        assert!(share_of_settled(6, 0) > 0.6);
        assert!(share_of_settled(1, 6) < 0.2);
        assert!(share_of_settled(2, 20) < 1e-9);
    }

    #[test]
    fn a_run_over_settled_water_has_that_law_by_its_beginning_and_its_gain() {
        let config = RunFitConfig::documented();
        let settled = |gain: Option<f64>, begins_wet: bool| {
            let shares = of_run(&vec![(Kind::Settled, 1.0)], gain, begins_wet, &config);
            assert!((shares.iter().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-12);
            shares
                .iter()
                .filter(|one| one.0 == Kind::Settled)
                .map(|one| one.1)
                .sum::<f64>()
        };
        assert!((settled(None, true) - POOL_WET).abs() < 1e-12);
        assert!((settled(None, false) - POOL_DRY).abs() < 1e-12);
        assert!(settled(Some(12.0), false) > 0.6 && settled(Some(-12.0), true) < 0.5);
        let plain = of_run(&vec![(Kind::WellMixed, 1.0)], None, true, &config);
        assert_eq!(plain, vec![(Kind::WellMixed, 1.0)]);
    }

    #[test]
    fn the_laws_that_gains_leave_open() {
        use Kind::{Settled, TwoCompartments, WellMixed};
        let cases = [
            ("no run", vec![], vec![WellMixed]),
            ("no gain", vec![(-3.0, Some(-3.0)); 6], vec![WellMixed]),
            (
                "never saturated",
                vec![(9.0, None); 6],
                vec![TwoCompartments],
            ),
            (
                "a second compartment",
                vec![(15.0, Some(5.0)); 6],
                vec![TwoCompartments],
            ),
            ("settled water", vec![(5.0, Some(15.0)); 6], vec![Settled]),
            (
                "one no better than the other",
                vec![(9.0, Some(9.0)); 6],
                vec![TwoCompartments, Settled],
            ),
            (
                "one run alone",
                vec![(20.0, Some(90.0))],
                vec![TwoCompartments, Settled],
            ),
            (
                "settled water, hardly seen",
                vec![(-4.0, Some(4.5)); 6],
                vec![Settled, WellMixed],
            ),
        ];
        for (name, gains, expected) in cases {
            assert_eq!(kept(&gains), expected, "{name}");
        }
    }
}
