//! Every reservoir of the register with its risk, ranked.

use drydown_quantity::Stamp;
use drydown_stats::rng;

use crate::ReservoirsConfig;
use crate::driver::{Facts, render_driver};
use crate::fleet::{Fleet, fit_fleet};
use crate::history::ReservoirHistory;
use crate::law::{Law, Limit, SIZES};
use crate::outlook::Outlook;
use crate::posterior::Posterior;
use crate::rank::{Rank, Standing, to_ranks};
use crate::rows::ReservoirRisk;
use crate::scenario::{Aheads, ROUGH};
use crate::settled::Settled;
use crate::spread::{InTurn, Spread};
use crate::subject::{Subject, to_subjects};
use crate::trend::{Trend, acid_trend, cleanliness_trends};
use crate::unassessed::Unassessed;
use crate::visits::{self, Due, SOON_DAYS};

/// One reservoir's numbers before the ranks.
struct Judged {
    row: ReservoirRisk,
    standing: Standing,
    due: Due,
}

/// The risk of every reservoir over the horizon if no unit is sent, in the order of their ranks.
///
/// Every history gives one row; where nothing is known the numbers are None and the driver says what
/// is missing. The same input gives the same rows in whatever order the histories come.
#[must_use]
pub fn assess(
    histories: &[ReservoirHistory<'_>],
    as_of: Stamp,
    config: &ReservoirsConfig,
) -> Vec<ReservoirRisk> {
    assess_with(histories, as_of, config, &InTurn)
}

/// The same, with the work on the reservoirs laid out as the caller likes.
#[must_use]
pub fn assess_with(
    histories: &[ReservoirHistory<'_>],
    as_of: Stamp,
    config: &ReservoirsConfig,
    spread: &impl Spread,
) -> Vec<ReservoirRisk> {
    let mut ordered: Vec<ReservoirHistory<'_>> = histories.to_vec();
    ordered.sort_by(|a, b| a.reservoir.reservoir_id.cmp(&b.reservoir.reservoir_id));
    let (subjects, groups) = to_subjects(&ordered, as_of, config);
    let fleet = fit_fleet(&subjects, groups, config, spread);
    let case = |idx: usize| {
        Some(Case {
            history: ordered.get(idx)?,
            subject: subjects.get(idx)?,
            fleet: &fleet,
            config,
            as_of,
        })
    };
    let posterior = |idx: usize| fleet.posteriors.get(idx)?.as_ref();
    let waters: Vec<Option<Water>> = spread.map(ordered.len(), |idx| {
        let (case, posterior) = (case(idx)?, posterior(idx)?);
        let law = fleet.law(case.subject, config);
        Some(case.water(posterior, &law))
    });
    let unassessed = Unassessed::new(
        subjects
            .iter()
            .zip(&waters)
            .filter_map(|(subject, water)| Some((subject.paper, water.as_ref()?)))
            .filter_map(|(paper, water)| Some((paper, water.p_limit?, water.p_free?))),
    );
    let judged = spread.map(ordered.len(), |idx| {
        let water = waters.get(idx)?.as_ref();
        Some(case(idx)?.judge(posterior(idx), water, &unassessed))
    });
    let mut rows = Vec::with_capacity(judged.len());
    let mut standings = Vec::with_capacity(judged.len());
    let mut due = Vec::with_capacity(judged.len());
    for judged in judged.into_iter().flatten() {
        rows.push(judged.row);
        standings.push(judged.standing);
        due.push(judged.due);
    }
    for (row, days) in rows
        .iter_mut()
        .zip(visits::spread(&due, groups.sites, config.horizon_days))
    {
        row.next_sample_by = Some(as_of.plus_days(days).day());
    }
    for (row, Rank { rank, lower, upper }) in rows.iter_mut().zip(to_ranks(&standings, spread)) {
        row.rank = rank;
        row.rank_lower_90 = lower;
        row.rank_upper_90 = upper;
    }
    rows.sort_by_key(|row| row.rank);
    rows
}

/// What it takes to judge one reservoir.
struct Case<'a> {
    history: &'a ReservoirHistory<'a>,
    subject: &'a Subject,
    fleet: &'a Fleet,
    config: &'a ReservoirsConfig,
    as_of: Stamp,
}

impl Case<'_> {
    fn judge(
        &self,
        posterior: Option<&Posterior>,
        water: Option<&Water>,
        unassessed: &Unassessed,
    ) -> Judged {
        let horizon = self.config.horizon_days;
        let law = self.fleet.law(self.subject, self.config);
        let dirt = cleanliness_trends(
            self.history,
            self.subject.visible.solubility_ppm,
            self.as_of,
        );
        let acid = acid_trend(self.history, self.as_of);
        let p_dirt = dirt
            .iter()
            .map(|trend| trend.probability(horizon))
            .reduce(f64::max);
        let p_acid = acid.map(|trend| trend.probability(horizon));
        let paper = self.subject.paper;
        let p_water = water.and_then(|water| water.p_limit);
        let p_free = water.and_then(|water| water.p_free);
        // what nobody can assess is no "no": it counts as it does elsewhere in the fleet
        let stands_for =
            |p_limit: Option<f64>| water.and_then(|_| unassessed.free_water(paper, p_limit));
        let counted = p_free.or_else(|| stands_for(p_water));
        let risk = self.risk([counted, p_water, p_dirt, p_acid]);
        let facts = Facts {
            subject: self.subject,
            paper,
            p_water,
            p_free,
            p_cleanliness: p_dirt,
            p_acid,
            sample_ppm: water.map(|water| water.sample_ppm),
            all_ppm: water.map(|water| water.all_ppm),
            rise_ppm_per_day: water.map(|water| water.rise_ppm_per_day),
            leak: water.map(|water| water.leak),
            horizon_days: horizon,
        };
        let ingress = water
            .filter(|_| !paper && self.subject.oil_kg.is_some())
            .map(|w| w.ingress);
        let excess = water.and_then(|water| water.excess_ppm_days);
        let limit = self.subject.limit.as_ref();
        let row = ReservoirRisk {
            reservoir_id: self.history.reservoir.reservoir_id.clone(),
            rank: 0,
            rank_lower_90: 0,
            rank_upper_90: 0,
            risk,
            p_water_limit: p_water,
            p_free_water: p_free,
            p_cleanliness_limit: p_dirt,
            p_acid_limit: p_acid,
            expected_excess_ppm_days: excess,
            ingress_g_per_h: ingress.map(|(median, _, _)| median),
            ingress_lower_90: ingress.map(|(_, lower, _)| lower),
            ingress_upper_90: ingress.map(|(_, _, upper)| upper),
            water_sample_ppm: water.map(|water| water.sample_ppm.0),
            water_sample_lower_90: water.map(|water| water.sample_ppm.1),
            water_sample_upper_90: water.map(|water| water.sample_ppm.2),
            water_all_ppm: water.map(|water| water.all_ppm),
            driver: render_driver(&facts),
            next_sample_by: None,
            horizon_days: horizon,
            n_samples: self.subject.timeline.n_samples,
            n_run_ends: self.subject.timeline.n_run_ends,
            water_limit_ppm: limit.map(|limit| limit.ppm),
            water_limit_is_default: limit.is_some_and(|limit| limit.default_for.is_some()),
        };
        let variance = |p: Option<f64>| p.map_or(0.0, |p| p * (1.0 - p));
        let due = Due {
            site: self.subject.site,
            days: self.next_sample_days(posterior, &law, water),
            worth: variance(p_free) + variance(p_water) + variance(p_dirt) + variance(p_acid),
        };
        let standing = Standing {
            risk,
            excess: excess.unwrap_or(0.0),
            id: row.reservoir_id.clone(),
            draws: self.draw_risks(posterior, &law, (&dirt, acid), &stands_for),
        };
        Judged { row, standing, due }
    }

    /// The water limit of a sample, and what the oil holds where it is coldest.
    fn limits(&self) -> (Option<Limit>, Option<Limit>) {
        let bias = self.config.lab_bias;
        // where the readings of the saturation are kept apart, they make up most of its spread
        let cv = match self.subject.saturation {
            Some(_) => 0.3 * self.config.solubility_cv,
            None => self.config.solubility_cv,
        };
        let limit = self.subject.limit.as_ref();
        (
            limit.map(|limit| Limit::Shown(limit.ppm, bias)),
            self.subject
                .coldest_solubility_ppm
                .map(|ppm| Limit::Held(ppm, bias.hypot(cv))),
        )
    }

    /// Probability of free water where some may lie there already.
    fn with_settled(&self, p: f64) -> f64 {
        let lies = self.subject.settled.map_or(0.0, Settled::lies);
        1.0 - (1.0 - p) * (1.0 - lies)
    }

    fn water(&self, posterior: &Posterior, law: &Law) -> Water {
        let horizon = self.config.horizon_days;
        let outlook = Outlook { posterior, law };
        let (limit, free) = self.limits();
        let shown = |p: f64| posterior.shown_quantile_ppm(p, law);
        let ingress = |p: f64| {
            // nothing is said of it over paper
            if self.subject.paper {
                return f64::NAN;
            }
            posterior.ingress_quantile_g_per_h(p)
        };
        let ingress = (ingress(0.5), ingress(0.05), ingress(0.95));
        let comes_in = posterior
            .cells()
            .map(|cell| cell.weight * cell.rate_now_per_h().ln())
            .sum::<f64>()
            .exp();
        let lost = posterior
            .cells()
            .map(|cell| cell.weight * cell.lost_per_h())
            .sum::<f64>();
        let net = comes_in - lost;
        // what came in of late and what comes in now need not agree: then neither is said
        let rise = if ingress.0 * net < 0.0 { 0.0 } else { net };
        Water {
            p_limit: limit.map(|limit| outlook.passage(limit, horizon)),
            p_free: free
                .map(|limit| outlook.passage(limit, horizon))
                .map(|p| self.with_settled(p)),
            excess_ppm_days: self
                .subject
                .limit
                .as_ref()
                .map(|limit| outlook.excess_ppm_days(limit.ppm, horizon)),
            sample_ppm: (shown(0.5), shown(0.05), shown(0.95)),
            all_ppm: self.subject.settled.map_or_else(
                || posterior.level_quantile_ppm(0.5),
                |settled| posterior.all_quantile_ppm(0.5, law, settled.amounts()),
            ),
            ingress,
            rise_ppm_per_day: 24.0 * rise,
            leak: leak(posterior),
        }
    }

    /// Criticality times the weighted probabilities, in the order free water, limit, dirt, acid.
    fn risk(&self, probabilities: [Option<f64>; 4]) -> f64 {
        let weights = self.config.weights;
        let weights = [
            weights.free_water,
            weights.water_limit,
            weights.cleanliness,
            weights.acid,
        ];
        let sum: f64 = probabilities
            .iter()
            .zip(weights)
            .map(|(p, w)| w * p.unwrap_or(0.0))
            .sum();
        self.history.reservoir.criticality.unwrap_or(1.0) * sum
    }

    /// Risk given draws of level, ingress, dirt and acid: how far the present knowledge leaves it open.
    fn draw_risks(
        &self,
        posterior: Option<&Posterior>,
        law: &Law,
        (dirt, acid): (&[Trend], Option<Trend>),
        stands_for: &impl Fn(Option<f64>) -> Option<f64>,
    ) -> Vec<f64> {
        let horizon = self.config.horizon_days;
        let id = self.history.reservoir.reservoir_id.as_str();
        let mut rng = rng::seeded(self.config.seed, id);
        let (limit, free) = self.limits();
        let ahead = Aheads::new(law, horizon, ROUGH);
        (0..self.config.rank_draws)
            .map(|_| {
                let [level, slope, acid_level, acid_slope] =
                    std::array::from_fn(|_| rng::standard_normal(&mut rng));
                let (mut p_limit, mut p_free) = (None, None);
                if let Some((posterior, cell)) =
                    posterior.and_then(|law| Some((law, law.draw(&mut rng)?)))
                {
                    let outlook = Outlook { posterior, law };
                    let given = |limit| outlook.cell_passage(&cell, limit, &ahead);
                    (p_limit, p_free) = (limit.map(given), free.map(given));
                    p_free = p_free.map(|p| self.with_settled(p));
                }
                // the sizes are counted in one bottle: they move together
                let p_dirt = dirt
                    .iter()
                    .map(|trend| trend.probability_given(level, slope, horizon))
                    .reduce(f64::max);
                let p_acid =
                    acid.map(|trend| trend.probability_given(acid_level, acid_slope, horizon));
                let counted = p_free.or_else(|| stands_for(p_limit));
                self.risk([counted, p_limit, p_dirt, p_acid])
            })
            .collect()
    }

    /// Days within which a sample is due: a limit would else be passed unnoticed too likely.
    ///
    /// A week where no sample was ever taken or a limit is already in doubt; at the latest the horizon.
    fn next_sample_days(
        &self,
        posterior: Option<&Posterior>,
        law: &Law,
        water: Option<&Water>,
    ) -> f64 {
        let horizon = self.config.horizon_days;
        let soon = SOON_DAYS.min(horizon);
        let days = match posterior {
            Some(posterior) if self.subject.timeline.n_samples > 0 => {
                let (limit, free) = self.limits();
                let ppm = |limit: &Limit| limit.threshold(law.visible).ppm;
                let lowest = limit
                    .into_iter()
                    .chain(free)
                    .min_by(|a, b| ppm(a).total_cmp(&ppm(b)));
                let chances = water.map(|water| (water.p_limit, water.p_free));
                let (limit, free) = chances.unwrap_or_default();
                let highest = limit.unwrap_or(0.0).max(free.unwrap_or(0.0));
                lowest
                    .filter(|_| highest >= 0.5 * self.config.unnoticed_probability)
                    .and_then(|lowest| {
                        let unnoticed = self.config.unnoticed_probability;
                        Outlook { posterior, law }.days_until(lowest, unnoticed, horizon)
                    })
                    .unwrap_or(horizon)
            }
            _ => soon,
        };
        days.max(soon)
    }
}

/// What the usual ingress is multiplied by if there is a leak now (geometric mean), and its probability.
fn leak(posterior: &Posterior) -> (f64, f64) {
    let leaks = posterior
        .cells()
        .filter(|cell| SIZES.get(cell.mode).is_some_and(|size| *size > 0.0));
    let (p, ln) = leaks.fold((0.0, 0.0), |(p, ln), cell| {
        let factor = cell.factor.max(1.0);
        (p + cell.weight, ln + cell.weight * factor.ln())
    });
    let factor = if p > 0.0 { f64::exp(ln / p) } else { 1.0 };
    (factor, p)
}

/// What the water of one reservoir comes to.
struct Water {
    p_limit: Option<f64>,
    p_free: Option<f64>,
    excess_ppm_days: Option<f64>,
    sample_ppm: (f64, f64, f64),
    all_ppm: f64,
    ingress: (f64, f64, f64),
    rise_ppm_per_day: f64,
    leak: (f64, f64),
}
