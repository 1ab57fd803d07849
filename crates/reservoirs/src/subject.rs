//! One reservoir as the estimators see it: timeline, mass, limits, what a sample shows.

use std::collections::BTreeMap;

use drydown_physics::solubility::{self, Solubility};
use drydown_quantity::Stamp;
use drydown_runs::history::{Oil, Reservoir, VolumeBasis};
use drydown_stats::robust;

use crate::ReservoirsConfig;

use crate::history::ReservoirHistory;
use crate::law::{Law, LevelPrior, Season, Strange, Visible};
use crate::limits::{WaterLimit, water_limit};
use crate::posterior::Mass;
use crate::prior::Groups;
use crate::saturation::{Saturation, holds};
use crate::service::to_service;
use crate::settled::{Settled, settled};
use crate::timeline::{Kind, Timeline, to_timeline, usually_left};
use crate::unrest::Unrest;

/// What the estimators need of one reservoir.
#[derive(Clone, Debug)]
pub(crate) struct Subject {
    pub(crate) timeline: Timeline,
    pub(crate) mass: Mass,
    pub(crate) oil_kg: Option<f64>,
    pub(crate) visible: Visible,
    pub(crate) saturation: Option<Saturation>,
    /// What a sample from the bottom tells of water there; nothing over paper.
    pub(crate) settled: Option<Settled>,
    /// Water in balance with the air; None where the breather keeps the air away or S is unknown.
    pub(crate) air_ppm: Option<f64>,
    /// Solubility at the coldest place of the oil.
    pub(crate) coldest_solubility_ppm: Option<f64>,
    pub(crate) limit: Option<WaterLimit>,
    /// Whether the oil follows its paper.
    pub(crate) paper: bool,
    /// Level before the data, from the first value seen; None where none was.
    pub(crate) level: Option<LevelPrior>,
    pub(crate) site: usize,
    pub(crate) service: usize,
}

/// Density where the oil register has none, kg/m³: a middling mineral oil, common practice.
const USUAL_KGM3: f64 = 870.0;
/// A middling water limit, ppm; common practice.
const USUAL_SCALE_PPM: f64 = 200.0;

/// The subjects of a fleet, and how many sites and services there are.
pub(crate) fn to_subjects(
    histories: &[ReservoirHistory<'_>],
    as_of: Stamp,
    config: &ReservoirsConfig,
) -> (Vec<Subject>, Groups) {
    let mut sites: BTreeMap<String, usize> = BTreeMap::new();
    let mut services: BTreeMap<String, usize> = BTreeMap::new();
    let masses: Vec<f64> = histories
        .iter()
        .filter_map(|row| oil_kg(row.reservoir, row.oil))
        .collect();
    let usual_kg = robust::median(&masses).unwrap_or(1000.0);
    let left = usually_left(histories);
    for row in histories {
        let site = row.reservoir.site_id.as_ref().map_or("", |id| id.as_str());
        let next = sites.len();
        sites.entry(site.to_owned()).or_insert(next);
        let next = services.len();
        services
            .entry(row.reservoir.service.clone().unwrap_or_default())
            .or_insert(next);
    }
    let mut subjects: Vec<Subject> = histories
        .iter()
        .map(|row| {
            let site = row.reservoir.site_id.as_ref().map_or("", |id| id.as_str());
            let service = row.reservoir.service.clone().unwrap_or_default();
            let group = (
                sites.get(site).copied().unwrap_or(0),
                services.get(&service).copied().unwrap_or(0),
            );
            to_subject(row, group, (usual_kg, as_of, left), config)
        })
        .collect();
    for paper in [false, true] {
        temper_first_levels(&mut subjects, paper);
    }
    let groups = Groups {
        sites: sites.len(),
        services: services.len(),
    };
    (subjects, groups)
}

fn to_subject(
    history: &ReservoirHistory<'_>,
    (site, service): (usize, usize),
    (usual_kg, as_of, left): (f64, Stamp, (f64, f64)),
    config: &ReservoirsConfig,
) -> Subject {
    let reservoir = history.reservoir;
    let oil_kg = oil_kg(reservoir, history.oil);
    let timeline = to_timeline(history, oil_kg, (as_of, left), config);
    let pair = history.oil.and_then(pair_of);
    let warmth = to_service(history);
    let solubility_ppm = pair.map(|pair| solubility::ppm(pair.a, pair.b_k, warmth.degc));
    let coldest = reservoir.coldest_oil_degc;
    let sd = match reservoir.volume_basis {
        _ if oil_kg.is_none() => 1.0,
        Some(VolumeBasis::Dip) => 0.05,
        Some(VolumeBasis::Nameplate) => 0.20,
        Some(VolumeBasis::Guess) | None => 0.35,
    };
    let paper = reservoir.paper_insulated == Some(true);
    // what oil settles to over paper does not go with its mass
    let mass = if paper {
        Mass {
            ln_tonnes: 0.0,
            sd: 0.0,
        }
    } else {
        Mass {
            ln_tonnes: (oil_kg.unwrap_or(usual_kg) / 1000.0).ln(),
            sd,
        }
    };
    let limit = water_limit(reservoir, history.oil);
    let visible = Visible {
        solubility_ppm: solubility_ppm.unwrap_or(f64::INFINITY),
        factor: 1.0,
        emulsified_share: config.emulsified_share,
    };
    // paper takes up what its oil cannot hold
    let saturation = Saturation::new(
        visible,
        (
            limit.as_ref().map(|limit| limit.ppm),
            // where nobody ever looked it may be anywhere
            if timeline.steps.is_empty() {
                f64::INFINITY
            } else {
                timeline.highest_ppm()
            },
        ),
        (history.oil, warmth),
    )
    .filter(|_| !paper);
    Subject {
        mass,
        oil_kg,
        visible,
        saturation,
        settled: holds(visible, (history.oil, warmth))
            .filter(|_| !paper)
            .and_then(|holds| settled(history, (holds.ppm, holds.ln_sd), config.lab_cv)),
        air_ppm: pair.filter(|_| breathes(reservoir)).map(|pair| {
            solubility::air_equilibrium_ppm(pair, warmth.degc, config.air_degc, config.air_humidity)
        }),
        coldest_solubility_ppm: pair
            .zip(coldest)
            .map(|(pair, t_degc)| solubility::ppm(pair.a, pair.b_k, t_degc)),
        limit,
        paper,
        level: first_level(&timeline),
        timeline,
        site,
        service,
    }
}

impl Subject {
    /// The law of this reservoir's water under the fleet's settings of its kind.
    pub(crate) fn law(&self, unrest: &Unrest, config: &ReservoirsConfig) -> Law {
        let exchanges = self.paper || self.air_ppm.is_some();
        let lab_floor_ppm = if self.paper {
            config.insulating_floor_ppm
        } else {
            config.lab_floor_ppm
        };
        Law {
            visible: self
                .saturation
                .map_or(self.visible, |saturation| saturation.likelier(self.visible)),
            saturation: self.saturation,
            unrest: unrest.factor,
            // liquids that hold less water move less
            scale: self.scale_ppm() / USUAL_SCALE_PPM,
            lab_cv: config.lab_cv * unrest.lab_factor,
            lab_floor_ppm,
            exchange_per_h: if exchanges {
                unrest.exchange_per_day / 24.0
            } else {
                0.0
            },
            air_ppm: self.air_ppm.filter(|_| !self.paper).unwrap_or(0.0),
            moves: unrest.moves,
            season: Season {
                cos: unrest.season.0,
                sin: unrest.season.1,
                origin_h: self.timeline.origin_h,
                now_h: self.timeline.end_h,
            },
            // other reservoirs read about half their limit, which may be far from this one's
            strange: Strange {
                ln_ppm: (0.5 * self.scale_ppm()).ln(),
                ln_sd: 1.2,
            },
        }
    }

    /// ln of the rate (ppm/h) that stands for half the scale in balance with the paper.
    pub(crate) fn ln_balanced_rate(&self, exchange_per_day: f64) -> f64 {
        (0.5 * self.scale_ppm() * exchange_per_day / 24.0).ln()
    }

    /// A content to measure levels by: the limit, else some 200 ppm.
    pub(crate) fn scale_ppm(&self) -> f64 {
        self.limit
            .as_ref()
            .map_or(USUAL_SCALE_PPM, |limit| limit.ppm)
            .max(1.0)
    }
}

/// Mass of the oil, kg.
fn oil_kg(reservoir: &Reservoir, oil: Option<&Oil>) -> Option<f64> {
    let density = oil
        .and_then(|oil| oil.density_15c_kgm3)
        .unwrap_or(USUAL_KGM3);
    reservoir
        .volume_l
        .filter(|litres| *litres > 0.0)
        .map(|litres| litres * density / 1000.0)
}

fn pair_of(oil: &Oil) -> Option<Solubility> {
    Some(Solubility {
        a: oil.solubility_a?,
        b_k: oil.solubility_b_k?,
    })
}

/// A sealed or drying breather keeps the air's water away.
fn breathes(reservoir: &Reservoir) -> bool {
    let text = reservoir.breather.as_deref().unwrap_or("").to_lowercase();
    !["desic", "seal", "nitrogen", "bladder", "membrane", "silica"]
        .iter()
        .any(|word| text.contains(word))
}

/// Reservoirs of a kind from which on its first levels say where another's may lie.
const FEWEST_FIRST: usize = 8;
/// A first value lies at most so many standard deviations of its prior from the middle of the fleet:
/// what is far from the others is believed, for the prior then is wide.
const FARTHEST_FIRST: f64 = 1.5;

/// The first levels of a kind of reservoir under a common law: a high first value is partly an error
/// of the laboratory (regression to the mean).
fn temper_first_levels(subjects: &mut [Subject], paper: bool) {
    let of_kind = |subject: &&Subject| subject.paper == paper && subject.limit.is_some();
    let ratio = |subject: &Subject| Some(subject.level?.mean_ppm / subject.scale_ppm());
    let firsts: Vec<f64> = subjects.iter().filter(of_kind).filter_map(ratio).collect();
    if firsts.len() < FEWEST_FIRST {
        return;
    }
    let (Some(middle), Some(mad)) = (robust::median(&firsts), robust::mad(&firsts)) else {
        return;
    };
    for subject in subjects.iter_mut() {
        let scale = subject.scale_ppm();
        let Some(first) = subject.level.filter(|_| of_kind(&&*subject)) else {
            continue;
        };
        let mean_ppm = middle * scale;
        let apart = (first.mean_ppm - mean_ppm).abs() / FARTHEST_FIRST;
        subject.level = Some(LevelPrior {
            mean_ppm,
            sd_ppm: (mad.max(0.2 * middle) * scale).max(apart),
        });
    }
}

/// A wide level around the first value that was seen.
fn first_level(timeline: &Timeline) -> Option<LevelPrior> {
    use drydown_runs::history::Censor;
    timeline.steps.iter().find_map(|step| {
        let seen = match step.kind {
            Kind::Sample {
                ppm,
                censor: Censor::Exact,
                ..
            }
            | Kind::RunStart { ppm, .. } => ppm,
            Kind::RunEnd { ppm, .. } => ppm,
            _ => return None,
        };
        Some(LevelPrior {
            mean_ppm: seen,
            sd_ppm: 2.0 * seen + 100.0,
        })
    })
}
