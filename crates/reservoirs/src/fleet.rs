//! What the whole fleet teaches: how restless levels are, how good the laboratories, how wet the sites.

use drydown_stats::robust;

use crate::ReservoirsConfig;
use crate::filter::{Filtered, LevelPrior};
use crate::posterior::{Posterior, coarse_likelihood, likelihood, moments, weigh};
use crate::prior::{Evidence, LnIngress, VAGUE, fit_prior};
use crate::subject::Subject;

/// The fleet's settings of the level's law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unrest {
    /// Factor on the starting unrest of a level.
    pub(crate) factor: f64,
    /// Factor on the laboratory's configured coefficient of variation.
    pub(crate) lab_factor: f64,
    /// Exchange of water with the air over the oil, 1/d.
    pub(crate) exchange_per_day: f64,
}

/// The fleet as fitted.
#[derive(Clone, Debug)]
pub(crate) struct Fleet {
    pub(crate) unrest: Unrest,
    /// Posterior of each reservoir; None where nothing tells its level.
    pub(crate) posteriors: Vec<Option<Posterior>>,
}

const FACTORS: [f64; 7] = [0.15, 0.3, 0.6, 1.0, 1.7, 3.0, 5.0];
const LAB_FACTORS: [f64; 5] = [0.5, 0.7, 1.0, 1.4, 2.0];
const EXCHANGES_PER_DAY: [f64; 4] = [0.0, 0.003, 0.01, 0.03];
/// At most so many reservoirs choose the settings: more would not change them.
const CHOOSERS: usize = 150;

/// Fits the fleet.
pub(crate) fn fit_fleet(
    subjects: &[Subject],
    (n_sites, n_services): (usize, usize),
    config: &ReservoirsConfig,
) -> Fleet {
    let unrest = choose_unrest(subjects, config);
    let tables: Vec<Option<Filtered>> = subjects
        .iter()
        .map(|subject| {
            let level = subject.level?;
            Some(likelihood(
                &subject.timeline,
                &subject.law(unrest, config),
                level,
            ))
        })
        .collect();
    let ingress = fit_ingress(subjects, &tables, (n_sites, n_services));
    let mut posteriors: Vec<Option<Posterior>> = subjects
        .iter()
        .zip(&ingress)
        .map(|(subject, ingress)| {
            let law = subject.law(unrest, config);
            Some(Posterior::new(
                &subject.timeline,
                &law,
                subject.level?,
                (*ingress, subject.mass),
            ))
        })
        .collect();
    let usual = usual_level(subjects, &posteriors);
    for ((subject, ingress), posterior) in subjects.iter().zip(&ingress).zip(&mut posteriors) {
        if let (None, Some((mean, sd))) = (&posterior, usual) {
            let scale = subject.scale_ppm();
            let level = LevelPrior {
                mean_ppm: mean * scale,
                sd_ppm: sd * scale,
            };
            let law = subject.law(unrest, config);
            *posterior = Some(Posterior::new(
                &subject.timeline,
                &law,
                level,
                (*ingress, subject.mass),
            ));
        }
    }
    Fleet { unrest, posteriors }
}

/// The settings under which the fleet's data are likeliest, with mild preference for the configured.
fn choose_unrest(subjects: &[Subject], config: &ReservoirsConfig) -> Unrest {
    let choosers: Vec<(&Subject, LevelPrior)> = subjects
        .iter()
        .filter(|subject| subject.timeline.steps.len() > 2)
        .filter_map(|subject| subject.level.map(|level| (subject, level)))
        .take(CHOOSERS)
        .collect();
    let score = |unrest: Unrest| {
        let mut sum = -0.5 * unrest.factor.ln().powi(2)
            - 0.5 * (unrest.lab_factor.ln() / 0.5).powi(2)
            - if unrest.exchange_per_day > 0.0 {
                2.0
            } else {
                0.0
            };
        for (subject, level) in &choosers {
            let table = coarse_likelihood(&subject.timeline, &subject.law(unrest, config), *level);
            sum += weigh(&table, subject.mass.ln_rate(VAGUE)).1;
        }
        sum
    };
    let mut best = Unrest {
        factor: 1.0,
        lab_factor: 1.0,
        exchange_per_day: 0.0,
    };
    if choosers.is_empty() {
        return best;
    }
    let mut top = score(best);
    let mut consider = |best: &mut Unrest, next: Unrest| {
        let value = score(next);
        if value > top {
            top = value;
            *best = next;
        }
    };
    // one setting after the other, then the first again
    for round in 0..2 {
        let start = best;
        FACTORS.iter().for_each(|f| {
            consider(
                &mut best,
                Unrest {
                    factor: *f,
                    ..start
                },
            )
        });
        if round > 0 {
            break;
        }
        let start = best;
        LAB_FACTORS.iter().for_each(|f| {
            consider(
                &mut best,
                Unrest {
                    lab_factor: *f,
                    ..start
                },
            )
        });
        let start = best;
        EXCHANGES_PER_DAY.iter().for_each(|x| {
            consider(
                &mut best,
                Unrest {
                    exchange_per_day: *x,
                    ..start
                },
            )
        });
    }
    best
}

/// Rounds of expectation propagation between reservoirs and fleet; the third changes nothing visible.
const ROUNDS: usize = 3;

fn fit_ingress(
    subjects: &[Subject],
    tables: &[Option<Filtered>],
    (n_sites, n_services): (usize, usize),
) -> Vec<LnIngress> {
    let ln_mass: Vec<f64> = subjects
        .iter()
        .map(|subject| subject.mass.ln_tonnes)
        .collect();
    let middle = robust::mean(&ln_mass).unwrap_or(0.0);
    let mut ingress = vec![VAGUE; subjects.len()];
    for _ in 0..ROUNDS {
        let evidence: Vec<Evidence> = subjects
            .iter()
            .zip(tables)
            .zip(&ingress)
            .map(|((subject, table), prior)| {
                let own = table
                    .as_ref()
                    .and_then(|table| own_value(subject, table, *prior));
                let (ln_g, var) = own.unwrap_or((0.0, f64::INFINITY));
                Evidence {
                    site: subject.site,
                    service: subject.service,
                    ln_mass: subject.mass.ln_tonnes - middle,
                    ln_g,
                    var,
                }
            })
            .collect();
        ingress = fit_prior(&evidence, n_sites, n_services);
    }
    ingress
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
