//! Running hours of one unit on one job as draws: everything uncertain is drawn together.

use drydown_physics::drying::{DryingLoop, DryingTime, floor_ppm};
use drydown_physics::flow::{Hose, suction_limit_lpm};
use drydown_physics::heat::heater_water_kg_per_h;
use drydown_physics::vacuum::pump_water_kg_per_h;
use drydown_physics::viscosity::{Walther, typical_walther};
use drydown_physics::{kelvin, solubility};
use drydown_runs::history::Oil;
use drydown_stats::rng::{self, Pcg64};

use crate::config::PlanningConfig;
use crate::feed::{Source, Stretch, Water, draw_source};
use crate::job::{Candidate, Job, WarmthBasis};
use crate::reached::floor_below;
use crate::warm_up::{WarmUp, Warmth};

/// Normal quantile of 0.95: an end of a 90 % interval.
const Z_95: f64 = 1.644_853_626_951_472_6;
/// Flow of the unit whose suction hose the configuration describes, L/min (20 gal/min).
const HOSE_FLOW_LPM: f64 = 75.708_236;
/// Gas at the vacuum pump's inlet, °C (common practice, no source).
const GAS_DEGC: f64 = 40.0;

/// One possible course of a job.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Course {
    /// Running hours; infinite where the target is not reached.
    pub(crate) hours: f64,
    /// Spent while the oil warms (it dries meanwhile), then at capacity, then in decline.
    pub(crate) heating_h: f64,
    pub(crate) capacity_h: f64,
    pub(crate) decline_h: f64,
    /// Where the decline settles, and how much of that is ingress, ppm.
    pub(crate) steady_ppm: f64,
    pub(crate) by_ingress_ppm: f64,
    /// Where the oil comes to once the settled water that is left has dissolved, ppm; the target where there is none.
    pub(crate) comes_back_to_ppm: f64,
}

/// What is the same for every unit in one draw.
#[derive(Clone, Copy, Debug)]
pub(crate) struct JobDraw {
    volume_l: f64,
    start_ppm: f64,
    ingress_kg_per_h: f64,
    solubility_factor: f64,
    /// How much warmer than the job says the oil begins, K.
    warmer_k: f64,
    /// Where water comes back from; None where from nowhere.
    source: Option<Source>,
}

impl JobDraw {
    /// The oil's water as the job begins, ppm.
    pub(crate) fn begins_ppm(&self, job: &Job<'_>) -> f64 {
        self.source.map_or(self.start_ppm, |source| {
            self.water_at_start(job, source).mean_ppm(source)
        })
    }

    fn water_at_start(&self, job: &Job<'_>, source: Source) -> Water {
        let since_h = job.returns.settled.map_or(0.0, |settled| settled.since_h);
        let cold_ppm = self.solubility_ppm(job, job.oil_degc);
        Water::at_start(self.start_ppm, source, cold_ppm, since_h)
    }

    /// Solubility in the reservoir at one temperature, ppm; infinite where not known.
    fn solubility_ppm(&self, job: &Job<'_>, degc: f64) -> f64 {
        job.oil
            .and_then(|oil| oil.solubility_a.zip(oil.solubility_b_k))
            .map_or(f64::INFINITY, |(a, b_k)| {
                solubility::ppm(a, b_k, degc) * self.solubility_factor
            })
    }
}

/// Draws of the job's own uncertainty: shared by all units, so that units are compared on equal terms.
pub(crate) fn draw_job(job: &Job<'_>, config: &PlanningConfig) -> Vec<JobDraw> {
    let mut rng = rng::seeded(config.seed, "job");
    // Its own stream: the other draws are the same however the warmth is known.
    let mut warmth_rng = rng::seeded(config.seed, "warmth");
    let mut returns_rng = rng::seeded(config.seed, "returns");
    let warmth_sd_k = match job.oil_degc_basis {
        WarmthBasis::Runs { sd_k } => sd_k,
        WarmthBasis::Given | WarmthBasis::Samples | WarmthBasis::Unknown => 0.0,
    };
    (0..config.n_draws.max(1))
        .map(|_| {
            let z = rng::standard_normals(&mut rng, 4);
            let at = |idx: usize| z.get(idx).copied().unwrap_or(0.0);
            let ingress = job.ingress.map_or(0.0, |rate| {
                let sd = if at(2) < 0.0 {
                    rate.g_per_h - rate.lower_90
                } else {
                    rate.upper_90 - rate.g_per_h
                };
                (rate.g_per_h + at(2) * sd.max(0.0) / Z_95).max(0.0)
            });
            JobDraw {
                volume_l: job.volume_l * (job.volume_log_sd * at(0)).exp(),
                start_ppm: job.start_ppm * (job.start_log_sd * at(1)).exp(),
                ingress_kg_per_h: ingress * 1e-3,
                solubility_factor: (config.solubility_log_sd * at(3)).exp(),
                warmer_k: warmth_sd_k * rng::standard_normal(&mut warmth_rng),
                source: draw_source(&job.returns, &mut returns_rng),
            }
        })
        .collect()
}

/// The courses of one unit; None where the fleet tells no removal for it or its flow is not known.
pub(crate) fn draw_courses(
    job: &Job<'_>,
    candidate: &Candidate<'_>,
    draws: &[JobDraw],
    config: &PlanningConfig,
) -> Option<Vec<Course>> {
    let law = RemovalLaw::of(candidate)?;
    let nameplate = candidate
        .unit
        .nameplate_flow_lpm
        .filter(|flow| *flow > 0.0)?;
    let slope = candidate
        .temperature_slope
        .map_or(config.temperature_slope, |slope| {
            (slope.median, slope.interval.width() / (2.0 * Z_95))
        });
    let warm_up = WarmUp::of(job, candidate, nameplate, config);
    let mut rng = rng::seeded(config.seed, candidate.unit.unit_id.as_str());
    let courses = draws.iter().map(|draw| {
        let slope = slope.0 + slope.1 * rng::standard_normal(&mut rng);
        let drawn = Drawn {
            slope,
            share: law.draw(&mut rng),
            z: rng::standard_normals(&mut rng, 2),
        };
        let plan = Plan {
            job,
            candidate,
            config,
            nameplate_lpm: nameplate,
            draw: *draw,
            drawn,
        };
        plan.course(&warm_up)
    });
    Some(courses.collect())
}

/// The unit's part of one draw.
struct Drawn {
    /// Slope of log dried flow against 1000/T, K.
    slope: f64,
    /// Removal per pass at reference conditions.
    share: f64,
    z: Vec<f64>,
}

/// One draw of one unit on one job.
struct Plan<'p> {
    job: &'p Job<'p>,
    candidate: &'p Candidate<'p>,
    config: &'p PlanningConfig,
    nameplate_lpm: f64,
    draw: JobDraw,
    drawn: Drawn,
}

impl Plan<'_> {
    /// How the oil dries at one temperature.
    fn drying(&self, warmth: Warmth) -> DryingLoop {
        let Warmth { degc, flow_share } = warmth;
        let Self {
            job,
            candidate,
            config,
            draw,
            drawn,
            ..
        } = self;
        let density_15c = density_15c(job, config);
        let colder = 1e3 / kelvin(degc) - 1e3 / kelvin(config.reference_degc);
        let share = drawn.share * (drawn.slope * colder).exp();
        let flow_factor = flow_share.powf(config.flow_exponent);
        let dried_lpm = share.min(0.999) * self.nameplate_lpm * flow_factor;
        let at = |idx: usize| drawn.z.get(idx).copied().unwrap_or(0.0);
        DryingLoop {
            oil_kg: draw.volume_l * 1e-3 * density_15c,
            dried_flow_kg_per_h: dried_lpm * 0.06 * density_15c,
            floor_ppm: floor(self, degc, at(0)),
            capacity_kg_per_h: capacity(job, candidate, at(1), config),
            ingress_kg_per_h: draw.ingress_kg_per_h,
        }
    }

    /// Drying begins while the oil warms, at what its temperature allows.
    fn course(&self, warm_up: &WarmUp) -> Course {
        let target_ppm = self.job.target_ppm;
        let last = self.drying(warm_up.end);
        let steady_ppm = last.steady_ppm();
        let mut course = Course {
            hours: 0.0,
            heating_h: 0.0,
            capacity_h: 0.0,
            decline_h: 0.0,
            steady_ppm,
            by_ingress_ppm: steady_ppm - last.floor_ppm,
            comes_back_to_ppm: target_ppm,
        };
        if let Some(source) = self.draw.source {
            return self.fed_course(warm_up, source, course);
        }
        let mut water_ppm = self.draw.start_ppm;
        if water_ppm <= target_ppm {
            return course;
        }
        for step in warm_up.steps(self.draw.volume_l / self.job.volume_l, self.draw.warmer_k) {
            let drying = self.drying(step.warmth);
            if let DryingTime::Reached {
                capacity_h,
                decline_h,
            } = drying.time_to(water_ppm, target_ppm)
                && capacity_h + decline_h <= step.hours
            {
                course.heating_h += capacity_h + decline_h;
                course.hours = course.heating_h;
                return course;
            }
            water_ppm = drying.ppm_after(water_ppm, step.hours);
            course.heating_h += step.hours;
        }
        (course.capacity_h, course.decline_h) = match last.time_to(water_ppm, target_ppm) {
            DryingTime::Reached {
                capacity_h,
                decline_h,
            } => (capacity_h, decline_h),
            DryingTime::SettlesAbove { .. } => (0.0, f64::INFINITY),
            DryingTime::IngressWins { .. } => (f64::INFINITY, 0.0),
        };
        course.hours = course.heating_h + course.capacity_h + course.decline_h;
        if course.hours.is_nan() {
            course.hours = f64::INFINITY;
        }
        course
    }
}

impl Plan<'_> {
    /// A course where water comes back to the oil meanwhile.
    fn fed_course(&self, warm_up: &WarmUp, source: Source, mut course: Course) -> Course {
        let job = self.job;
        let cold_ppm = self.draw.solubility_ppm(job, job.oil_degc);
        let stretch = |warmth: Warmth| Stretch {
            drying: self.drying(warmth),
            source,
            solubility_ppm: self.draw.solubility_ppm(job, warmth.degc),
        };
        let mut water = self.draw.water_at_start(job, source);
        let mut reached = None;
        for step in warm_up.steps(self.draw.volume_l / job.volume_l, self.draw.warmer_k) {
            let most_h = Some(step.hours);
            (water, reached) = stretch(step.warmth).work(water, job.target_ppm, most_h);
            course.heating_h += reached.unwrap_or(step.hours);
            if reached.is_some() {
                break;
            }
        }
        if reached.is_none() {
            (water, reached) = stretch(warm_up.end).work(water, job.target_ppm, None);
            course.decline_h = reached.unwrap_or(f64::INFINITY);
        }
        course.hours = course.heating_h + course.decline_h;
        course.comes_back_to_ppm = water.comes_back_to_ppm(source, cold_ppm);
        course
    }
}

/// Removal per pass of a new run: each side of the median has its own spread.
struct RemovalLaw {
    ln_median: f64,
    below: f64,
    above: f64,
}

impl RemovalLaw {
    fn of(candidate: &Candidate<'_>) -> Option<Self> {
        let row = candidate.coefficient?;
        let median = row.removal_per_pass.filter(|share| *share > 0.0)?;
        let lower = row.new_run_lower_90.filter(|share| *share > 0.0)?;
        let upper = row.new_run_upper_90?;
        Some(Self {
            ln_median: median.ln(),
            below: ((median / lower).ln() / Z_95).max(0.0),
            above: ((upper / median).ln() / Z_95).max(0.0),
        })
    }

    fn draw(&self, rng: &mut Pcg64) -> f64 {
        let z = rng::standard_normal(rng);
        (self.ln_median + z * if z < 0.0 { self.below } else { self.above }).exp()
    }
}

fn floor(plan: &Plan<'_>, degc: f64, z: f64) -> f64 {
    let Plan {
        job,
        candidate,
        config,
        draw,
        ..
    } = plan;
    let constants = job
        .oil
        .and_then(|oil| oil.solubility_a.zip(oil.solubility_b_k));
    let Some((a, b_k)) = constants else {
        return floor_below(
            config.floor_without_solubility_ppm,
            config.floor_without_solubility_log_sd,
            job.reached_ppm,
            z,
        );
    };
    let (mean, sd) = candidate
        .vapour
        .map_or((config.vapour_log_mean, config.vapour_log_sd), |law| {
            (law.log_mean, law.log_sd)
        });
    let share = (mean + sd * z).exp().min(1.0);
    let soluble = solubility::ppm(a, b_k, degc) * draw.solubility_factor;
    floor_ppm(soluble, degc, job.chamber_kpa, share)
}

fn capacity(job: &Job<'_>, candidate: &Candidate<'_>, z: f64, config: &PlanningConfig) -> f64 {
    let heater = candidate
        .unit
        .heater_rated_kw
        .filter(|kw| *kw > 0.0)
        .map_or(f64::INFINITY, |kw| {
            heater_water_kg_per_h(kw, job.treat_degc)
        });
    let pump = match (candidate.capacity, candidate.unit.vacuum_pump_m3h) {
        (Some(known), _) => known.capacity_kg_per_h * (known.log_sd * z).exp(),
        (None, Some(m3h)) if m3h > 0.0 => {
            let most = pump_water_kg_per_h(job.chamber_kpa, m3h, GAS_DEGC);
            config.capacity_share * most * (config.capacity_log_sd * z).exp()
        }
        (None, _) => f64::INFINITY,
    };
    pump.min(heater)
}

/// Density of the oil at 15 °C, or the usual one.
pub(crate) fn density_15c(job: &Job<'_>, config: &PlanningConfig) -> f64 {
    job.oil
        .and_then(|oil| oil.density_15c_kgm3)
        .unwrap_or(config.density_kgm3)
}

/// Share of nameplate flow that the suction passes at the treating temperature, 0..1; 1 where viscosity is unknown.
pub(crate) fn derate(job: &Job<'_>, nameplate_lpm: f64, config: &PlanningConfig) -> f64 {
    derate_at(job, nameplate_lpm, job.treat_degc, config)
}

/// The same at any temperature.
pub(crate) fn derate_at(
    job: &Job<'_>,
    nameplate_lpm: f64,
    degc: f64,
    config: &PlanningConfig,
) -> f64 {
    let Some(viscosity) = job.oil.and_then(|oil| viscosity_mm2s(oil, degc)) else {
        return 1.0;
    };
    let density = density_15c(job, config);
    let hose = Hose {
        diameter_mm: config.hose_diameter_mm * (nameplate_lpm / HOSE_FLOW_LPM).sqrt(),
        length_m: config.hose_length_m,
    };
    let most = suction_limit_lpm(hose, config.suction_available_kpa, viscosity, density);
    (most / nameplate_lpm).clamp(0.0, 1.0)
}

/// Viscosity at a temperature by ASTM D341, from two points of the register or from the one at 40 °C.
fn viscosity_mm2s(oil: &Oil, degc: f64) -> Option<f64> {
    let at_40 = oil.viscosity_40c_mm2s.or(oil.iso_vg)?;
    let line = oil
        .viscosity_100c_mm2s
        .and_then(|at_100| Walther::from_two_points((40.0, at_40), (100.0, at_100)))
        .or_else(|| typical_walther(at_40))?;
    let value = line.mm2s(degc);
    (value.is_finite() && value > 0.0).then_some(value)
}
