//! What the whole fleet teaches: how restless levels are, how good the laboratories, how wet the sites.

use drydown_stats::robust;

use crate::ReservoirsConfig;
use crate::filter::Filtered;
use crate::law::{Law, LevelPrior};
use crate::likelihood::likelihood;
use crate::posterior::{Posterior, moments, weigh};
use crate::prior::{Evidence, Groups, LnIngress, VAGUE, fit_prior};
use crate::spread::Spread;
use crate::subject::Subject;
use crate::unrest::{PAPER_BALANCE, Unrest, choose_oil, choose_paper};

/// The fleet as fitted.
#[derive(Clone, Debug)]
pub(crate) struct Fleet {
    oil: Unrest,
    paper: Unrest,
    /// Posterior of each reservoir; None where nothing tells its level.
    pub(crate) posteriors: Vec<Option<Posterior>>,
}

impl Fleet {
    /// The law of one reservoir's water.
    pub(crate) fn law(&self, subject: &Subject, config: &ReservoirsConfig) -> Law {
        subject.law(unrest_of(subject, &self.oil, &self.paper), config)
    }
}

fn unrest_of<'a>(subject: &Subject, oil: &'a Unrest, paper: &'a Unrest) -> &'a Unrest {
    if subject.paper { paper } else { oil }
}

/// Fits the fleet.
pub(crate) fn fit_fleet(
    subjects: &[Subject],
    groups: Groups,
    config: &ReservoirsConfig,
    spread: &impl Spread,
) -> Fleet {
    let oil = choose_oil(subjects, config, spread);
    let paper = choose_paper(subjects, config, spread);
    let law = |subject: &Subject| subject.law(unrest_of(subject, &oil, &paper), config);
    let tables: Vec<Option<Filtered>> = spread.map(subjects.len(), |idx| {
        let subject = subjects.get(idx)?;
        Some(likelihood(&subject.timeline, &law(subject), subject.level?))
    });
    let ingress = fit_ingress(subjects, &tables, groups, &paper);
    let posterior_of = |idx: usize, table: &Filtered| {
        let (subject, ingress) = (subjects.get(idx)?, ingress.get(idx)?);
        Some(Posterior::new(
            table,
            (*ingress, subject.mass),
            (&law(subject), config.lab_bias),
        ))
    };
    let mut posteriors = spread.map(subjects.len(), |idx| {
        posterior_of(idx, tables.get(idx)?.as_ref()?)
    });
    let usual = usual_level(subjects, &posteriors);
    let records_h = subjects
        .iter()
        .map(|subject| subject.timeline.end_h)
        .fold(0.0, f64::max);
    for (idx, (subject, posterior)) in subjects.iter().zip(&mut posteriors).enumerate() {
        if let (None, Some((mean, sd))) = (&posterior, usual) {
            let scale = subject.scale_ppm();
            let level = LevelPrior {
                mean_ppm: mean * scale,
                sd_ppm: sd * scale,
            };
            let mut table = likelihood(&subject.timeline, &law(subject), level);
            if subject.timeline.steps.is_empty() && !subject.paper {
                let mut unseen = subject.clone();
                unseen.timeline.begin_earlier(UNWATCHED * records_h);
                let left_alone = likelihood(&unseen.timeline, &law(&unseen), level);
                table = table.or(left_alone, NOBODY_LOOKED);
            }
            *posterior = posterior_of(idx, &table);
        }
    }
    Fleet {
        oil,
        paper,
        posteriors,
    }
}

/// Probability that a reservoir which nobody sampled or dried in the fleet's records was not looked after by
/// others either (common practice, no source).
const NOBODY_LOOKED: f64 = 0.2;
/// Share of the records over which water then came into it: it was last dry at a time that nobody wrote down,
/// on average half of them ago.
const UNWATCHED: f64 = 0.5;
/// Rounds of expectation propagation between reservoirs and fleet; the third changes nothing visible.
const ROUNDS: usize = 3;

/// The fleet's law of each reservoir's ln ingress; for paper-insulated equipment of the rate that
/// stands for its content in balance with the paper.
fn fit_ingress(
    subjects: &[Subject],
    tables: &[Option<Filtered>],
    groups: Groups,
    paper: &Unrest,
) -> Vec<LnIngress> {
    let oil = |subject: &&Subject| !subject.paper;
    let masses = subjects.iter().filter(oil).map(|s| s.mass.ln_tonnes);
    let middle = robust::mean(&masses.collect::<Vec<f64>>()).unwrap_or(0.0);
    let of_paper = |subject: &Subject| subject.ln_balanced_rate(paper.exchange_per_day);
    let mut ingress: Vec<LnIngress> = subjects
        .iter()
        .map(|subject| match subject.paper {
            true => shifted(PAPER_BALANCE, of_paper(subject)),
            false => VAGUE,
        })
        .collect();
    for _ in 0..ROUNDS {
        let evidence = |of_kind: bool| -> Vec<Evidence> {
            let rows = subjects.iter().zip(tables).zip(&ingress);
            rows.map(|((subject, table), prior)| {
                let table = table.as_ref().filter(|_| subject.paper == of_kind);
                let own = table.and_then(|table| own_value(subject, table, *prior));
                let (ln_g, var) = own.unwrap_or((0.0, f64::INFINITY));
                let (offset, ln_mass) = if of_kind {
                    (of_paper(subject), 0.0)
                } else {
                    (0.0, subject.mass.ln_tonnes - middle)
                };
                Evidence {
                    site: subject.site,
                    service: subject.service,
                    ln_mass,
                    ln_g: ln_g - offset,
                    var,
                }
            })
            .collect()
        };
        let oil = fit_prior(&evidence(false), groups, VAGUE);
        let paper = if subjects.iter().any(|subject| subject.paper) {
            fit_prior(&evidence(true), groups, PAPER_BALANCE)
        } else {
            oil.clone()
        };
        ingress = subjects
            .iter()
            .zip(oil.into_iter().zip(paper))
            .map(|(subject, (oil, paper))| match subject.paper {
                true => shifted(paper, of_paper(subject)),
                false => oil,
            })
            .collect();
    }
    ingress
}

fn shifted(law: LnIngress, by: f64) -> LnIngress {
    LnIngress {
        mean: law.mean + by,
        ..law
    }
}

/// What a reservoir's own data say of ln g: the normal that turns the prior into the posterior.
fn own_value(subject: &Subject, table: &Filtered, prior: LnIngress) -> Option<(f64, f64)> {
    let rate = subject.mass.ln_rate(prior);
    let (weights, _) = weigh(table, rate);
    let (mean, var) = moments(&table.ln_rate, &weights);
    let step = table.ln_rate.get(1)? - table.ln_rate.first()?;
    let precision = 1.0 / var.max(step * step / 12.0) - 1.0 / rate.var;
    if !(precision.is_finite() && precision > 0.02 / rate.var) {
        return None;
    }
    let own_mean = (mean * (precision + 1.0 / rate.var) - rate.mean / rate.var) / precision;
    Some((
        own_mean + subject.mass.ln_tonnes,
        1.0 / precision + subject.mass.sd.powi(2),
    ))
}

/// Mean and spread of level over scale in the reservoirs that were seen.
fn usual_level(subjects: &[Subject], posteriors: &[Option<Posterior>]) -> Option<(f64, f64)> {
    let ratios: Vec<f64> = subjects
        .iter()
        .zip(posteriors)
        .filter_map(|(subject, posterior)| {
            Some(posterior.as_ref()?.level_mean_ppm() / subject.scale_ppm())
        })
        .collect();
    let mean = robust::mean(&ratios)?;
    let sd = robust::variance(&ratios)
        .map_or(mean, f64::sqrt)
        .max(0.3 * mean);
    Some((mean, sd))
}

#[cfg(test)]
mod tests {
    use crate::world::{Making, World, world};

    /// Upper end of the water in a reservoir that nobody sampled or dried, with the fleet's last days of records.
    fn upper_end_of_unseen(days: f64) -> f64 {
        let mut world: World = world(Making {
            seed: 11,
            n: 24,
            unrest: 0.3,
            informative: false,
            moving: false,
        });
        let id = world.registers.reservoirs[5].reservoir_id.clone();
        let from = world.as_of.plus_days(-days);
        world.samples.retain(|sample| {
            sample.reservoir_id.as_ref() != Some(&id) && sample.taken_at.is_some_and(|at| at > from)
        });
        world
            .runs
            .retain(|run| run.reservoir_id.as_ref() != Some(&id) && run.started_at > from);
        let rows = world.rows();
        let row = rows.iter().find(|row| row.reservoir_id == id).unwrap();
        assert_eq!((row.n_samples, row.n_run_ends), (0, 0));
        assert!(row.water_sample_lower_90.unwrap() < 100.0, "{row:?}");
        row.water_sample_upper_90.unwrap()
    }

    #[test]
    fn a_reservoir_may_be_the_wetter_the_longer_nobody_looked() {
        let (short, long) = (upper_end_of_unseen(90.0), upper_end_of_unseen(400.0));
        assert!(long > 1.1 * short, "{short} {long}");
    }
}
