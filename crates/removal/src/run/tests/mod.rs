//! Runs with the registers of the worked examples, by question.

mod answers;
mod coverage;
mod without;

use drydown_runs::history::{Censor, Sample};
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::rng;

use super::{RunFitConfig, RunInput, fit_run};
use crate::samples_for_tests::{bin, oil, reservoir, unit};

/// Fits with the registers of the worked examples (1000 gal).
fn fit(run: &Run, series: &[SeriesPoint], samples: &[Sample]) -> crate::RemovalRun {
    fit_under(&RunFitConfig::documented(), run, series, samples)
}

/// The same where the law is exact, so that the interval is the profile's alone.
fn fit_exact(run: &Run, series: &[SeriesPoint], samples: &[Sample]) -> crate::RemovalRun {
    let mut config = RunFitConfig::documented();
    config.law_log_sd = 0.0;
    fit_under(&config, run, series, samples)
}

fn fit_under(
    config: &RunFitConfig,
    run: &Run,
    series: &[SeriesPoint],
    samples: &[Sample],
) -> crate::RemovalRun {
    let samples: Vec<&Sample> = samples.iter().collect();
    let (unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    let input = RunInput {
        run,
        series,
        samples: &samples,
        unit: Some(&unit),
        oil: Some(&oil),
        reservoir: Some(&reservoir),
    };
    fit_run(&input, config)
}

/// A first-order run whose errors remember each other.
struct Truth {
    rate: f64,
    floor: f64,
    start: f64,
    phi: f64,
    sd: f64,
    hours: f64,
}

fn noisy(truth: &Truth, rng: &mut rng::Pcg64) -> Vec<SeriesPoint> {
    let mut error = rng::standard_normal(rng);
    let n = (truth.hours * 6.0).round() as usize;
    (0..n)
        .map(|idx| {
            let hour = (idx as f64 + 0.5) / 6.0;
            error = truth.phi * error
                + (1.0 - truth.phi * truth.phi).sqrt() * rng::standard_normal(rng);
            let water = truth.floor + (truth.start - truth.floor) * (-truth.rate * hour).exp();
            bin(hour, (water + truth.sd * error).max(0.0), Censor::Exact)
        })
        .collect()
}
