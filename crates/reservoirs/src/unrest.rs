//! The settings of the law that a whole kind of reservoir shares, chosen by the fleet's own data.
//!
//! Two kinds: oil that water comes into, and the oil of paper-insulated equipment. The paper holds
//! nearly all the water of such equipment, so its oil settles to a content in balance with the paper,
//! higher when warm, within days to weeks of a treatment, whatever comes in from outside (common
//! practice, no source).

use crate::ReservoirsConfig;
use crate::law::{LEAKS, LEAKS_OVER_PAPER, LevelPrior, Moves};
use crate::likelihood::{coarse_likelihood, likely_range};
use crate::posterior::weigh;
use crate::prior::{LnIngress, VAGUE};
use crate::spread::Spread;
use crate::subject::Subject;
use crate::timeline::Kind;

/// The fleet's settings of the level's law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unrest {
    /// Factor on the starting unrest of a level.
    pub(crate) factor: f64,
    /// Factor on the laboratory's configured coefficient of variation.
    pub(crate) lab_factor: f64,
    /// Exchange of water with the air over the oil or the paper in it, 1/d.
    pub(crate) exchange_per_day: f64,
    /// The season's cosine and sine, relative to the usual rate.
    pub(crate) season: (f64, f64),
    pub(crate) moves: Moves,
}

const FACTORS: [f64; 7] = [0.15, 0.3, 0.6, 1.0, 1.7, 3.0, 5.0];
const LAB_FACTORS: [f64; 5] = [0.5, 0.7, 1.0, 1.4, 2.0];
const AIR_PER_DAY: [f64; 4] = [0.0, 0.003, 0.01, 0.03];
const PAPER_PER_DAY: [f64; 5] = [0.02, 0.04, 0.07, 0.12, 0.25];
const WANDER_SD: [f64; 5] = [0.1, 0.2, 0.3, 0.45, 0.6];
const PAPER_WANDER_SD: [f64; 5] = [0.05, 0.1, 0.2, 0.3, 0.45];
const WANDER_DAYS: [f64; 4] = [7.0, 20.0, 60.0, 180.0];
const LEAKS_PER_YEAR: [f64; 6] = [0.05, 0.15, 0.3, 0.6, 1.2, 2.4];
const LEAK_DAYS: [f64; 3] = [15.0, 40.0, 120.0];
const SEASON: [f64; 5] = [-0.3, -0.15, 0.0, 0.15, 0.3];
/// Spread of the season's two parts between fleets; common practice, no source.
const SEASON_SD: f64 = 0.15;
/// Before the data: a third of wander over three weeks, a leak in two or three years that lasts a
/// month or two where nobody mends it (common practice, no source).
const USUAL_MOVES: Moves = Moves {
    wander_sd: 0.3,
    wander_days: 20.0,
    leaks_per_year: 0.4,
    leak_days: 40.0,
    factors: LEAKS,
};
/// Oil over paper: the balance wanders with load and weather; leaks lift it for a while, more rarely
/// than elsewhere (common practice, no source).
const PAPER_MOVES: Moves = Moves {
    wander_sd: 0.12,
    wander_days: 30.0,
    leaks_per_year: 0.1,
    leak_days: 40.0,
    factors: LEAKS_OVER_PAPER,
};
/// At most so many reservoirs of a kind choose its settings: more would not change them.
const CHOOSERS: usize = 64;

/// A kind of reservoir: its usual settings, what its fleet may change of them.
struct Manner {
    usual: Unrest,
    /// About where the exchange lies, and the spread of its ln; None: there may be none.
    exchange_about: Option<(f64, f64)>,
    knobs: &'static [Knob],
    /// Law of the ln rate before anything was seen.
    vague: fn(&Subject) -> LnIngress,
}

/// The settings of the oil that water comes into.
pub(crate) fn choose_oil(
    subjects: &[Subject],
    config: &ReservoirsConfig,
    spread: &impl Spread,
) -> Unrest {
    let manner = Manner {
        usual: Unrest {
            factor: 1.0,
            lab_factor: 1.0,
            exchange_per_day: 0.0,
            season: (0.0, 0.0),
            moves: usual_moves(subjects),
        },
        exchange_about: None,
        knobs: &OIL_KNOBS,
        vague: |subject| subject.mass.ln_rate(VAGUE),
    };
    let oil = subjects.iter().filter(|subject| !subject.paper);
    choose(oil, &manner, config, spread)
}

/// The settings of the oil of paper-insulated equipment.
pub(crate) fn choose_paper(
    subjects: &[Subject],
    config: &ReservoirsConfig,
    spread: &impl Spread,
) -> Unrest {
    let manner = Manner {
        usual: Unrest {
            factor: 0.3,
            lab_factor: 1.0,
            exchange_per_day: 0.07,
            season: (0.0, 0.0),
            moves: PAPER_MOVES,
        },
        exchange_about: Some((0.07, 0.7)),
        knobs: &PAPER_KNOBS,
        vague: |subject| LnIngress {
            mean: subject.ln_balanced_rate(0.07),
            ..PAPER_BALANCE
        },
    };
    let paper = subjects.iter().filter(|subject| subject.paper);
    choose(paper, &manner, config, spread)
}

/// Law of the ln of the content in balance with the paper over half the water limit, before any
/// data; common practice, no source.
pub(crate) const PAPER_BALANCE: LnIngress = LnIngress {
    mean: 0.0,
    var: 0.64,
};

/// The settings under which the data are likeliest, with mild preference for the usual.
fn choose<'a>(
    subjects: impl Iterator<Item = &'a Subject>,
    manner: &Manner,
    config: &ReservoirsConfig,
    spread: &impl Spread,
) -> Unrest {
    let able: Vec<(&Subject, LevelPrior)> = subjects
        .filter(|subject| subject.timeline.steps.len() > 2)
        .filter_map(|subject| subject.level.map(|level| (subject, level)))
        .collect();
    let mut best = manner.usual;
    if able.is_empty() {
        return best;
    }
    // from all over the register, so that every site has its say
    let n = able.len().min(CHOOSERS);
    let chosen: Vec<(&Subject, LevelPrior)> = (0..n)
        .filter_map(|idx| able.get(idx * able.len() / n).copied())
        .collect();
    let choosers: Vec<Chooser<'_>> = spread
        .map(chosen.len(), |idx| {
            let (subject, level) = *chosen.get(idx)?;
            let law = subject.law(&manner.usual, config);
            let (low, high) = likely_range(&subject.timeline, &law, level);
            Some(Chooser {
                subject,
                level,
                vague: (manner.vague)(subject),
                // other settings may make other rates likely
                range: (low - 0.5, high + 0.5),
            })
        })
        .into_iter()
        .flatten()
        .collect();
    let score = |unrest: &Unrest| {
        let evidence = spread.map(choosers.len(), |idx| {
            choosers
                .get(idx)
                .map_or(0.0, |chooser| chooser.evidence(unrest, config))
        });
        ln_preference(unrest, manner, choosers.len()) + evidence.iter().sum::<f64>()
    };
    let mut top = score(&best);
    // one setting after the other; the first ones again once the others are set
    for knob in manner.knobs.iter().chain(manner.knobs.iter().take(4)) {
        let start = best;
        // from where the setting stands, up or down as long as it gets better
        let stands = (knob.get)(&start);
        let here = knob.values.partition_point(|value| *value < stands);
        let mut try_value = |value: &f64| {
            let mut next = start;
            (knob.set)(&mut next, *value);
            if next == start {
                return true;
            }
            let value = score(&next);
            let better = value > top;
            if better {
                top = value;
                best = next;
            }
            better
        };
        let (lower, upper) = knob.values.split_at(here);
        let _ = upper.iter().all(&mut try_value);
        let _ = lower.iter().rev().all(&mut try_value);
    }
    best
}

/// What an exchange with the air must explain, nats per reservoir, before a fleet is thought to have one:
/// breathing is usually small, and settled water that dissolves again after a run, or a sensor that is
/// off, looks a little like it in every record. Chosen on invented fleets with and without exchange, and on half of each.
const EXCHANGE_ASKS: f64 = 0.05;
/// Share of leak repairs that somebody writes down; common practice, no source.
const WRITTEN_SHARE: f64 = 0.7;

/// The usual moves, with the leaks a year that the recorded repairs speak for: a Poisson count of the
/// reservoir-years seen, its rate with a gamma prior that is worth one leak. A register without any
/// repair is one that nobody keeps: it says nothing.
fn usual_moves(subjects: &[Subject]) -> Moves {
    let repair = |kind: &Kind| matches!(kind, Kind::NewIngress { keep } if *keep <= 0.0);
    let oil = || subjects.iter().filter(|subject| !subject.paper);
    let steps = oil().flat_map(|subject| &subject.timeline.steps);
    let repairs = steps.filter(|step| repair(&step.kind)).count() as f64;
    let hours: f64 = oil().map(|subject| subject.timeline.end_h).sum();
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
    vague: LnIngress,
    range: (f64, f64),
}

impl Chooser<'_> {
    /// Log likelihood of its data under some settings, the rate integrated out.
    fn evidence(&self, unrest: &Unrest, config: &ReservoirsConfig) -> f64 {
        let law = self.subject.law(unrest, config);
        let table = coarse_likelihood(&self.subject.timeline, &law, self.level, self.range);
        weigh(&table, self.vague).1
    }
}

/// Log prior of the settings: each about its usual value by a factor of about two.
fn ln_preference(unrest: &Unrest, manner: &Manner, n: usize) -> f64 {
    let (moves, usual) = (unrest.moves, manner.usual.moves);
    let about = |value: f64, usual: f64, sd: f64| -0.5 * ((value / usual).ln() / sd).powi(2);
    let exchange = match manner.exchange_about {
        Some((usual, sd)) => about(unrest.exchange_per_day, usual, sd),
        None if unrest.exchange_per_day > 0.0 => -EXCHANGE_ASKS * n as f64,
        None => 0.0,
    };
    let season = unrest.season.0.hypot(unrest.season.1) / SEASON_SD;
    about(unrest.factor, manner.usual.factor, 1.0) + about(unrest.lab_factor, 1.0, 0.5) + exchange
        - 0.5 * season * season
        + about(moves.wander_sd, usual.wander_sd, 0.7)
        + about(moves.wander_days, usual.wander_days, 1.0)
        + about(moves.leaks_per_year, usual.leaks_per_year, 0.4)
        + about(moves.leak_days, usual.leak_days, 0.5)
}

/// One setting that the fleet chooses: its values, ascending, and how to read and set it.
#[derive(Clone, Copy)]
struct Knob {
    values: &'static [f64],
    get: fn(&Unrest) -> f64,
    set: fn(&mut Unrest, f64),
}

const FACTOR: Knob = Knob {
    values: &FACTORS,
    get: |unrest| unrest.factor,
    set: |unrest, value| unrest.factor = value,
};
const LEAK_RATE: Knob = Knob {
    values: &LEAKS_PER_YEAR,
    get: |unrest| unrest.moves.leaks_per_year,
    set: |unrest, value| unrest.moves.leaks_per_year = value,
};
const WANDER: Knob = Knob {
    values: &WANDER_SD,
    get: |unrest| unrest.moves.wander_sd,
    set: |unrest, value| unrest.moves.wander_sd = value,
};
const PAPER_WANDER: Knob = Knob {
    values: &PAPER_WANDER_SD,
    ..WANDER
};
const LAB: Knob = Knob {
    values: &LAB_FACTORS,
    get: |unrest| unrest.lab_factor,
    set: |unrest, value| unrest.lab_factor = value,
};
const WANDER_TIME: Knob = Knob {
    values: &WANDER_DAYS,
    get: |unrest| unrest.moves.wander_days,
    set: |unrest, value| unrest.moves.wander_days = value,
};
const LEAK_LIFE: Knob = Knob {
    values: &LEAK_DAYS,
    get: |unrest| unrest.moves.leak_days,
    set: |unrest, value| unrest.moves.leak_days = value,
};
const AIR: Knob = Knob {
    values: &AIR_PER_DAY,
    get: |unrest| unrest.exchange_per_day,
    set: |unrest, value| unrest.exchange_per_day = value,
};
const PAPER: Knob = Knob {
    values: &PAPER_PER_DAY,
    get: |unrest| unrest.exchange_per_day,
    set: |unrest, value| unrest.exchange_per_day = value,
};
const SEASON_COS: Knob = Knob {
    values: &SEASON,
    get: |unrest| unrest.season.0,
    set: |unrest, value| unrest.season.0 = value,
};
const SEASON_SIN: Knob = Knob {
    values: &SEASON,
    get: |unrest| unrest.season.1,
    set: |unrest, value| unrest.season.1 = value,
};
const OIL_KNOBS: [Knob; 9] = [
    FACTOR,
    LEAK_RATE,
    WANDER,
    LAB,
    WANDER_TIME,
    LEAK_LIFE,
    AIR,
    SEASON_COS,
    SEASON_SIN,
];
const PAPER_KNOBS: [Knob; 8] = [
    PAPER,
    PAPER_WANDER,
    FACTOR,
    LEAK_RATE,
    LAB,
    WANDER_TIME,
    SEASON_COS,
    SEASON_SIN,
];
