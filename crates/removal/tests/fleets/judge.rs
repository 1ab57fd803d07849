//! What a set of simulated fleets shows of the pipeline from run fits to answers.

use std::collections::BTreeMap;

use drydown_removal::{
    FleetConfig, FleetRun, Regime, RemovalRun, RunFitConfig, RunInput, RunStatus, fit_reservoir,
    pool_fleet,
};
use drydown_runs::history::{Sample, SensorPlace};
use drydown_stats::rng::{self, standard_normal};

use crate::dry::Job;
use crate::oracle::{Answer, told};
use crate::world::{Kind, SDS, World, per_pass};

/// Shares held and errors of one set of fleets.
#[derive(Clone, Debug, Default)]
pub(crate) struct Shown {
    /// Coverage of the cells' intervals: own runs, one to three of them, none.
    pub(crate) own: f64,
    pub(crate) few: f64,
    pub(crate) unseen: f64,
    pub(crate) new_run: f64,
    /// Coverage of the runs' intervals where identified.
    pub(crate) run: f64,
    /// Root mean square of log dried flow in cells with runs.
    pub(crate) rmse: f64,
    /// The same over the estimator that is told all but the runs' truth, and over the one told that too.
    pub(crate) rmse_over_told: f64,
    pub(crate) rmse_over_truth: f64,
    /// Width of the interval over the told estimator's.
    pub(crate) width_over_told: f64,
    pub(crate) all_rmse_over_told: f64,
    /// Coverage of the stated floors.
    pub(crate) floor: f64,
    /// Shares of the runs on well-mixed and on badly mixed reservoirs that were called badly mixed.
    pub(crate) called_well: f64,
    pub(crate) called_badly: f64,
}

#[derive(Clone, Debug, Default)]
struct Held(usize, usize);

impl Held {
    fn push(&mut self, held: bool) {
        self.0 += usize::from(held);
        self.1 += 1;
    }

    fn share(&self) -> f64 {
        self.0 as f64 / self.1.max(1) as f64
    }
}

#[derive(Clone, Debug, Default)]
struct Sums {
    own: Held,
    few: Held,
    unseen: Held,
    new_run: Held,
    run: Held,
    squares: [f64; 3],
    all_squares: [f64; 2],
    widths: [f64; 2],
    n_own: usize,
    n_all: usize,
    /// By kind of run: errors of the log dried flow, volume's own error taken out.
    errors: BTreeMap<&'static str, Vec<(f64, bool)>>,
    floors: Vec<f64>,
    floor: Held,
    statuses: BTreeMap<&'static str, usize>,
    false_two: usize,
    true_two: usize,
    n_mixed: (usize, usize),
}

/// Simulates the fleets, fits, pools, judges and prints.
pub(crate) fn show(name: &str, kind: Kind, n_fleets: u64) -> Shown {
    let mut sums = Sums::default();
    for seed in 0..n_fleets {
        add(&mut sums, kind, 1000 + seed);
    }
    let root = |squares: f64, n: usize| (squares / n.max(1) as f64).sqrt();
    let shown = Shown {
        own: sums.own.share(),
        few: sums.few.share(),
        unseen: sums.unseen.share(),
        new_run: sums.new_run.share(),
        run: sums.run.share(),
        rmse: root(sums.squares[0], sums.n_own),
        rmse_over_told: (sums.squares[0] / sums.squares[1]).sqrt(),
        rmse_over_truth: (sums.squares[0] / sums.squares[2]).sqrt(),
        width_over_told: sums.widths[0] / sums.widths[1],
        all_rmse_over_told: (sums.all_squares[0] / sums.all_squares[1]).sqrt(),
        floor: sums.floor.share(),
        called_well: sums.false_two as f64 / sums.n_mixed.0.max(1) as f64,
        called_badly: sums.true_two as f64 / sums.n_mixed.1.max(1) as f64,
    };
    println!(
        "{name}, {n_fleets} fleets of {} x {}: own {:.3}, n<=3 {:.3} ({}), unseen {:.3}, new run {:.3}, run {:.3}; \
         rmse {:.4} ({:.3} of told, {:.3} of told with the runs' truth; all cells {:.3} of told), width {:.3} of told",
        kind.n_units,
        kind.n_oils,
        shown.own,
        shown.few,
        sums.few.1,
        shown.unseen,
        shown.new_run,
        shown.run,
        shown.rmse,
        shown.rmse_over_told,
        shown.rmse_over_truth,
        shown.all_rmse_over_told,
        shown.width_over_told,
    );
    for (of, errors) in &sums.errors {
        let n = errors.len() as f64;
        let mean = errors.iter().map(|one| one.0).sum::<f64>() / n;
        let sd = (errors.iter().map(|one| (one.0 - mean).powi(2)).sum::<f64>() / n).sqrt();
        let held = errors.iter().filter(|one| one.1).count() as f64 / n;
        println!("    {of:<22} n {n:5} bias {mean:+.3} sd {sd:.3} held {held:.3}");
    }
    let mut floors = sums.floors.clone();
    floors.sort_by(f64::total_cmp);
    println!(
        "    floors told {} median ln(floor/true) {:+.2}, held {:.3}; statuses {:?}; two compartments: {} of {} well mixed, {} of {} badly mixed",
        floors.len(),
        floors.get(floors.len() / 2).copied().unwrap_or(f64::NAN),
        shown.floor,
        sums.statuses,
        sums.false_two,
        sums.n_mixed.0,
        sums.true_two,
        sums.n_mixed.1,
    );
    shown
}

/// The fits of all jobs, reservoir by reservoir, in the order of the jobs.
fn fit_all(world: &World) -> Vec<RemovalRun> {
    let registers = &world.registers;
    let samples: Vec<Vec<&Sample>> = world
        .jobs
        .iter()
        .map(|job| job.samples.iter().collect())
        .collect();
    let mut by_reservoir: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (idx, job) in world.jobs.iter().enumerate() {
        by_reservoir
            .entry(job.run.reservoir_id.clone())
            .or_default()
            .push(idx);
    }
    let mut out: Vec<Option<RemovalRun>> = vec![None; world.jobs.len()];
    for own in by_reservoir.values() {
        let inputs: Vec<RunInput<'_>> = own
            .iter()
            .map(|idx| {
                let job = &world.jobs[*idx];
                RunInput {
                    run: &job.run,
                    series: &job.series,
                    samples: &samples[*idx],
                    unit: registers.unit(&job.run.unit_id),
                    oil: job.run.oil_type.as_ref().and_then(|id| registers.oil(id)),
                    reservoir: job
                        .run
                        .reservoir_id
                        .as_ref()
                        .and_then(|id| registers.reservoir(id)),
                }
            })
            .collect();
        let rows = fit_reservoir(&inputs, &RunFitConfig::documented());
        for (idx, row) in own.iter().zip(rows) {
            out[*idx] = Some(row);
        }
    }
    out.into_iter().map(Option::unwrap).collect()
}

fn add(sums: &mut Sums, kind: Kind, seed: u64) {
    let world = World::new(kind, seed);
    let fits: Vec<RemovalRun> = fit_all(&world);
    for (job, fit) in world.jobs.iter().zip(&fits) {
        judge_run(sums, &world, job, fit);
    }
    let runs: Vec<FleetRun<'_>> = fits
        .iter()
        .zip(&world.jobs)
        .map(|(fit, job)| FleetRun {
            fit,
            run: &job.run,
            pump_indicator: None,
        })
        .collect();
    let pooled = pool_fleet(&runs, &world.registers, &FleetConfig::documented());
    let oracle = told(&world, kind, &fits, false);
    let truth_oracle = told(&world, kind, &fits, true);
    let mut rng = rng::seeded(seed, "new runs");
    for (cell, row) in pooled.coefficients.iter().enumerate() {
        let ln_ntu = world.ln_ntu[cell / kind.n_oils][cell % kind.n_oils];
        let truth = per_pass(ln_ntu);
        let (lower, upper) = (row.lower_90.unwrap(), row.upper_90.unwrap());
        let held = lower <= truth && truth <= upper;
        let new = per_pass(ln_ntu + SDS[3] * standard_normal(&mut rng));
        sums.new_run
            .push(row.new_run_lower_90.unwrap() <= new && new <= row.new_run_upper_90.unwrap());
        let error = row.removal_per_pass.unwrap().ln() - truth.ln();
        let by_told = |answers: &[Answer]| (answers[cell].mean.min(0.0) - truth.ln()).powi(2);
        sums.all_squares[0] += error * error;
        sums.all_squares[1] += by_told(&oracle);
        sums.n_all += 1;
        if row.n_runs == 0 {
            sums.unseen.push(held);
            continue;
        }
        sums.own.push(held);
        if row.n_runs <= 3 {
            sums.few.push(held);
        }
        sums.n_own += 1;
        sums.squares[0] += error * error;
        sums.squares[1] += by_told(&oracle);
        sums.squares[2] += by_told(&truth_oracle);
        sums.widths[0] += (upper / lower).ln();
        sums.widths[1] += oracle[cell].width;
    }
}

fn judge_run(sums: &mut Sums, world: &World, job: &Job, fit: &RemovalRun) {
    *sums.statuses.entry(fit.status.as_str()).or_default() += 1;
    let two = fit.regime == Some(Regime::TwoCompartments);
    if job.badly_mixed {
        sums.n_mixed.1 += 1;
        sums.true_two += usize::from(two);
    } else if !job.spoiled {
        sums.n_mixed.0 += 1;
        sums.false_two += usize::from(two);
    }
    if fit.status != RunStatus::Identified || job.spoiled {
        return;
    }
    let (Some(rate), Some(lower), Some(upper)) = (
        fit.removal_rate_per_h,
        fit.removal_rate_lower_90,
        fit.removal_rate_upper_90,
    ) else {
        return;
    };
    let truth = job.dried_flow_lpm * 60.0 / job.volume_l;
    let held = lower <= truth && truth <= upper;
    let error = (rate / truth).ln();
    if !error.is_finite() {
        return;
    }
    sums.run.push(held);
    let unit = world.registers.unit(&fit.unit_id).unwrap();
    let sensor = match unit.water_sensor_place {
        None => "no sensor",
        Some(SensorPlace::Outlet) => "outlet sensor",
        Some(_) if job.series.iter().any(|point| point.from_activity) => "activity sensor",
        Some(_) => "ppm sensor",
    };
    let mut of = |name| {
        sums.errors.entry(name).or_default().push((error, held));
    };
    of("all");
    of(sensor);
    of(if job.badly_mixed {
        "badly mixed"
    } else if job.settled {
        "settled water"
    } else {
        "well mixed"
    });
    of(match fit.regime {
        Some(Regime::FirstOrder) => "law first order",
        Some(Regime::TwoCompartments) => "law two compartments",
        Some(Regime::FreeWater) => "law free water",
        Some(Regime::Mixed) => "law mixed",
        _ => "law other",
    });
    if let Some(floor) = fit.floor_ppm.filter(|floor| *floor > 0.0) {
        sums.floors.push((floor / job.floor_ppm).ln());
        sums.floor.push(
            fit.floor_lower_90.unwrap() <= job.floor_ppm
                && job.floor_ppm <= fit.floor_upper_90.unwrap(),
        );
    }
}
