//! Speed of a pump whose starts show none, from what its runs hold at work.
//!
//! Under load a pump holds `P = base + V + G/S`: its base, what the vent lets in, and the gas of its
//! oil over its volume flow. A log of five minutes shows no fall, but P every run and the base after
//! every start: what P has risen beyond base and vent is G/S, and `ln((P − base − V)/(G/S₀))` is the
//! ln speed lost. V is what the sound pump held beyond base and gas at its usual speed.
//! Pressures kPa, loads kPa·m³/h.

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_stats::robust;

use crate::PumpsConfig;
use crate::base_path::BasePoint;
use crate::filter::Spread;
use crate::limit::load_of_run;
use crate::monitor::days_of;
use crate::path::{Begin, Point};

/// Bases of the last starts that tell what it is during a run.
const BASES: usize = 2;
/// Runs that show what the vent lets in.
const FIRST: usize = 8;
/// A pump whose gas is a smaller share of what it holds does not show its speed by it.
const LEAST_SHARE: f64 = 0.1;
/// A vent that is open by less lets in what it lets in, percent of opening.
const LEAST_VENT_PCT: f64 = 1.0;

/// ln speeds in m³/h, as runs show them: where they begin, the points, their spread.
#[derive(Debug)]
pub(crate) struct SteadySpeed {
    pub(crate) begin: Begin,
    pub(crate) points: Vec<Point>,
    pub(crate) spread: Spread,
}

/// What one run held.
struct Held {
    day: f64,
    kpa: f64,
    base: f64,
    load: f64,
    /// Opening of the vent over its usual one.
    opened: f64,
}

/// The speeds that the runs since a renewal show; None where there are too few, or the gas of their
/// oil is too little of what they hold. `bases` are those of the starts, and what pumps of the kind hold,
/// kPa; `ln_sound` is ln m³/h of the sound pump with its standard
/// deviation, `steady` the spread of ln steady pressure, `sound` that of ln speed.
pub(crate) fn steady_speed(
    runs: &[&Run],
    since: Option<Stamp>,
    (bases, usual_base): (&[BasePoint], f64),
    ln_sound: (f64, f64),
    (steady, sound): (Spread, Spread),
    config: &PumpsConfig,
) -> Option<SteadySpeed> {
    let vents: Vec<f64> = runs.iter().filter_map(|run| run.vent_open_pct).collect();
    let usual_vent = robust::median(&vents);
    // What a vent lets in goes with its opening.
    let opened = |run: &Run| match run.vent_open_pct.zip(usual_vent) {
        Some((vent, usual)) if usual > LEAST_VENT_PCT => (vent / usual).clamp(0.0, 3.0),
        _ => 1.0,
    };
    let held = |run: &&Run| {
        let day = days_of(run.ended_at);
        let until = bases.partition_point(|point| days_of(point.at) <= day);
        let last = bases.get(until.saturating_sub(BASES)..until).unwrap_or(&[]);
        let kpa: Vec<f64> = last.iter().map(|point| point.kpa).collect();
        Some(Held {
            day,
            kpa: run.steady_kpa.filter(|kpa| *kpa > 0.0)?,
            // Where no start shows it: then its rise counts as the speed's.
            base: robust::median(&kpa).unwrap_or(usual_base),
            load: load_of_run(run, config)?,
            opened: opened(run),
        })
    };
    let runs = runs
        .iter()
        .filter(|run| since.is_none_or(|at| run.ended_at >= at))
        .filter(|run| run.hours >= 1.0 && !run.has_flag("pressure_stuck"));
    let held: Vec<Held> = runs.filter_map(held).collect();
    let speed = ln_sound.0.exp();
    let first: Vec<&Held> = held.iter().take(FIRST).collect();
    if first.len() < FIRST {
        return None;
    }
    let of_first = |of: &dyn Fn(&Held) -> f64| {
        let values: Vec<f64> = first.iter().map(|held| of(held)).collect();
        robust::median(&values)
    };
    let let_in = |held: &Held| (held.kpa - held.base - held.load / speed) / held.opened.max(0.1);
    let vent = of_first(&let_in)?.max(0.0);
    let share = of_first(&|held| held.load / speed / held.kpa)?;
    if share < LEAST_SHARE {
        return None;
    }
    let points = held.iter().map(|held| {
        let gas = held.load / speed;
        // A pressure below base and vent tells of no gas at all: a tenth of what was expected.
        let left = (held.kpa - held.base - vent * held.opened).max(0.1 * gas);
        Point {
            day: held.day,
            y: ln_sound.0 - (left / gas.max(1e-6)).ln(),
            se: (steady.noise_sd * held.kpa / left.max(gas)).max(0.02),
        }
    });
    Some(SteadySpeed {
        begin: Begin {
            day: first.first()?.day - 1.0,
            level: ln_sound.0,
            level_sd: ln_sound.1,
        },
        points: points.collect(),
        spread: Spread {
            noise_sd: 0.0,
            shared_sd: steady.shared_sd / share,
            phi_per_day: steady.phi_per_day,
            ..sound
        },
    })
}
