//! What the whole fleet teaches: how restless levels are, how good the laboratories, how wet the sites.

use drydown_stats::robust;

use crate::ReservoirsConfig;
use crate::filter::Filtered;
use crate::law::{LevelPrior, Moves};
use crate::posterior::{Posterior, coarse_likelihood, likelihood, likely_range, moments, weigh};
use crate::prior::{Evidence, LnIngress, VAGUE, fit_prior};
use crate::subject::Subject;
use crate::timeline::Kind;

/// The fleet's settings of the level's law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unrest {
    /// Factor on the starting unrest of a level.
    pub(crate) factor: f64,
    /// Factor on the laboratory's configured coefficient of variation.
    pub(crate) lab_factor: f64,
    /// Exchange of water with the air over the oil, 1/d.
    pub(crate) exchange_per_day: f64,
    pub(crate) moves: Moves,
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
const WANDER_SD: [f64; 5] = [0.1, 0.2, 0.3, 0.45, 0.6];
const WANDER_DAYS: [f64; 4] = [7.0, 20.0, 60.0, 180.0];
const LEAKS_PER_YEAR: [f64; 6] = [0.05, 0.15, 0.3, 0.6, 1.2, 2.4];
const LEAK_DAYS: [f64; 3] = [15.0, 40.0, 120.0];
/// Before the data: a third of wander over three weeks, a leak in two or three years that lasts a
/// month or two where nobody mends it (common practice, no source).
const USUAL_MOVES: Moves = Moves {
    wander_sd: 0.3,
    wander_days: 20.0,
    leaks_per_year: 0.4,
    leak_days: 40.0,
};
/// At most so many reservoirs choose the settings: more would not change them.
const CHOOSERS: usize = 80;

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
        .zip(&tables)
        .map(|((subject, ingress), table)| {
            Some(Posterior::new(table.as_ref()?, (*ingress, subject.mass)))
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
            let table = likelihood(&subject.timeline, &law, level);
            *posterior = Some(Posterior::new(&table, (*ingress, subject.mass)));
        }
    }
    Fleet { unrest, posteriors }
}

/// The settings under which the fleet's data are likeliest, with mild preference for the configured.
fn choose_unrest(subjects: &[Subject], config: &ReservoirsConfig) -> Unrest {
    let able: Vec<(&Subject, LevelPrior)> = subjects
        .iter()
        .filter(|subject| subject.timeline.steps.len() > 2)
        .filter_map(|subject| subject.level.map(|level| (subject, level)))
        .collect();
    let usual = usual_moves(subjects);
    let mut best = Unrest {
        factor: 1.0,
        lab_factor: 1.0,
        exchange_per_day: 0.0,
        moves: usual,
    };
    // from all over the register, so that every site has its say
    let every = able.len().div_ceil(CHOOSERS).max(1);
    let choosers: Vec<Chooser<'_>> = able
        .into_iter()
        .step_by(every)
        .map(|(subject, level)| {
            let law = subject.law(best, config);
            let (low, high) = likely_range(&subject.timeline, &law, level);
            Chooser {
                subject,
                level,
                // other settings may make other rates likely
                range: (low - 0.5, high + 0.5),
            }
        })
        .collect();
    let score = |unrest: &Unrest| {
        let mut sum = ln_preference(unrest, usual);
        for chooser in &choosers {
            let subject = chooser.subject;
            let law = subject.law(*unrest, config);
            let table = coarse_likelihood(&subject.timeline, &law, chooser.level, chooser.range);
            sum += weigh(&table, subject.mass.ln_rate(VAGUE)).1;
        }
        sum
    };
    if choosers.is_empty() {
        return best;
    }
    let mut top = score(&best);
    // one setting after the other; the first ones again once the others are set
    for knob in KNOBS.iter().chain(KNOBS.iter().take(4)) {
        let start = best;
        for value in knob.values {
            let mut next = start;
            (knob.set)(&mut next, *value);
            if next == start {
                continue;
            }
            let value = score(&next);
            if value > top {
                top = value;
                best = next;
            }
        }
    }
    best
}

/// Share of leak repairs that somebody writes down; common practice, no source.
const WRITTEN_SHARE: f64 = 0.7;

/// The usual moves, with the leaks a year that the recorded repairs speak for: a Poisson count of the
/// reservoir-years seen, its rate with a gamma prior that is worth one leak. A register without any
/// repair is one that nobody keeps: it says nothing.
fn usual_moves(subjects: &[Subject]) -> Moves {
    let repair = |kind: &Kind| matches!(kind, Kind::NewIngress { keep } if *keep <= 0.0);
    let steps = subjects.iter().flat_map(|subject| &subject.timeline.steps);
    let repairs = steps.filter(|step| repair(&step.kind)).count() as f64;
    let hours: f64 = subjects.iter().map(|subject| subject.timeline.end_h).sum();
    if repairs < 1.0 {
        return USUAL_MOVES;
    }
    let years = WRITTEN_SHARE * hours / (365.25 * 24.0);
    let leaks_per_year = (1.0 + repairs) / (1.0 / USUAL_MOVES.leaks_per_year + years);
    Moves {
        leaks_per_year: leaks_per_year.clamp(0.02, 6.0),
        ..USUAL_MOVES
    }
}

/// A reservoir that helps to choose the settings, and its range of ln rates.
struct Chooser<'a> {
    subject: &'a Subject,
    level: LevelPrior,
    range: (f64, f64),
}

/// Log prior of the settings: each about its usual value by a factor of about two.
fn ln_preference(unrest: &Unrest, usual: Moves) -> f64 {
    let moves = unrest.moves;
    let about = |value: f64, usual: f64, sd: f64| -0.5 * ((value / usual).ln() / sd).powi(2);
    let exchange = if unrest.exchange_per_day > 0.0 {
        -2.0
    } else {
        0.0
    };
    about(unrest.factor, 1.0, 1.0)
        + about(unrest.lab_factor, 1.0, 0.5)
        + exchange
        + about(moves.wander_sd, usual.wander_sd, 0.7)
        + about(moves.wander_days, usual.wander_days, 1.0)
        + about(moves.leaks_per_year, usual.leaks_per_year, 0.4)
        + about(moves.leak_days, usual.leak_days, 0.5)
}

/// One setting that the fleet chooses: its values, and how to set it.
struct Knob {
    values: &'static [f64],
    set: fn(&mut Unrest, f64),
}

const KNOBS: [Knob; 7] = [
    Knob {
        values: &FACTORS,
        set: |unrest, value| unrest.factor = value,
    },
    Knob {
        values: &LEAKS_PER_YEAR,
        set: |unrest, value| unrest.moves.leaks_per_year = value,
    },
    Knob {
        values: &WANDER_SD,
        set: |unrest, value| unrest.moves.wander_sd = value,
    },
    Knob {
        values: &LAB_FACTORS,
        set: |unrest, value| unrest.lab_factor = value,
    },
    Knob {
        values: &WANDER_DAYS,
        set: |unrest, value| unrest.moves.wander_days = value,
    },
    Knob {
        values: &LEAK_DAYS,
        set: |unrest, value| unrest.moves.leak_days = value,
    },
    Knob {
        values: &EXCHANGES_PER_DAY,
        set: |unrest, value| unrest.exchange_per_day = value,
    },
];

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
