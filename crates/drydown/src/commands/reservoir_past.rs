//! What is known of one reservoir before its next job: the water now, its runs' bins, what water comes back to the oil,
//! and what the fleet's runs on its oil ended at.

use anyhow::Result;
use drydown_planning::{BadMixing, Returns, RunEnd, SettledWater, Spread, reached_ppm};
use drydown_quantity::{OilType, ReservoirId};
use drydown_removal::{LawTerm, RunInput, fit_returns};
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::history::Sample;
use drydown_runs::{Run, SeriesPoint};
use polars::prelude::{col, lit};

use super::answers::Answers;
use crate::jobs::{near_samples, removal_config, samples_by_reservoir, series_by_run, to_input};

/// Relative uncertainty of a volume and a water content given on the command line, and of water whose interval is not
/// known (common practice, no source).
pub(super) const TYPED_LOG_SD: f64 = 0.10;
/// z of a two-sided 90 % interval.
const Z_90: f64 = 1.645;

/// Water in a reservoir now and the sd of its log: by the wet side of its interval, which is what hours hang on, and which
/// stays where the dry side ends at nothing.
pub(super) fn water_now(risk: &ReservoirRisk) -> Option<(f64, f64)> {
    let now_ppm = risk.water_all_ppm.or(risk.water_sample_ppm)?;
    let log_sd = risk
        .water_sample_ppm
        .zip(risk.water_sample_upper_90)
        .filter(|(middle, upper)| *middle > 0.0 && upper > middle)
        .map_or(TYPED_LOG_SD, |(middle, upper)| (upper / middle).ln() / Z_90);
    Some((now_ppm, log_sd))
}

/// The runs on a reservoir before the answers' date, by start.
fn runs_on<'a>(answers: &'a Answers<'_>, id: &ReservoirId) -> Vec<&'a Run> {
    let as_of = answers.context.as_of;
    let mut runs: Vec<&Run> = answers
        .runs
        .iter()
        .filter(|run| run.reservoir_id.as_ref() == Some(id) && run.started_at < as_of)
        .collect();
    runs.sort_by_key(|run| run.started_at);
    runs
}

/// The bins of a reservoir's runs, by run and time: of the table only the months and runs that it needs.
pub(super) fn bins_on(answers: &Answers<'_>, id: &ReservoirId) -> Result<Vec<SeriesPoint>> {
    let runs = runs_on(answers, id);
    // The table has no column for the reservoir.
    let any = runs
        .iter()
        .map(|run| col("run_id").eq(lit(run.run_id.as_str())))
        .reduce(|a, b| a.or(b));
    let (Some(first), Some(any)) = (runs.first(), any) else {
        return Ok(Vec::new());
    };
    let frame = answers
        .context
        .scan("run_series")?
        .filter(col("month").gt_eq(lit(first.started_at.month())))
        .filter(any)
        .collect()?;
    Ok(drydown_tables::from_frame(&frame)?)
}

/// Settled water and bad mixing as the runs on a reservoir tell them; `bins` are those of [`bins_on`].
pub(super) fn returns_on(
    answers: &Answers<'_>,
    id: &ReservoirId,
    bins: &[SeriesPoint],
) -> Result<Returns> {
    let runs = runs_on(answers, id);
    let series = series_by_run(bins);
    let samples = answers.context.samples()?;
    let by_reservoir = samples_by_reservoir(&samples);
    let near: Vec<Vec<&Sample>> = runs
        .iter()
        .map(|run| near_samples(run, &by_reservoir))
        .collect();
    let inputs: Vec<RunInput<'_>> = runs
        .iter()
        .zip(&near)
        .map(|(run, near)| to_input(run, &series, near, &answers.registers))
        .collect();
    let config = removal_config(&answers.context.config.analysis);
    let told = fit_returns(&inputs, &config.run);
    let as_of = answers.context.as_of;
    let sampled = by_reservoir.get(id).into_iter().flatten();
    let since_h = sampled
        .filter_map(|sample| sample.taken_at)
        .chain(runs.iter().map(|run| run.ended_at))
        .filter(|at| *at <= as_of)
        .max()
        .map_or(0.0, |last| as_of.hours_after(last));
    Ok(Returns {
        settled: told.settled.map(|law| SettledWater {
            probability: law.probability,
            ln_pool_ppm: spread(law.ln_pool_ppm),
            ln_dissolving_per_h: spread(law.ln_dissolving_per_h),
            since_h,
        }),
        mixing: told.mixing.map(|law| BadMixing {
            probability: law.probability,
            loop_share_logit: spread(law.loop_share_logit),
            ln_exchange_per_h: spread(law.ln_exchange_per_h),
        }),
    })
}

/// A bound of what units settle at on an oil of unknown solubility, ppm; None where it is known, or where
/// the fleet's runs on the oil are too few.
pub(super) fn reached_on(answers: &Answers<'_>, oil: Option<&OilType>) -> Option<f64> {
    let oil = oil?;
    let known = answers.registers.oil(oil);
    if known.is_some_and(|row| row.solubility_a.is_some() && row.solubility_b_k.is_some()) {
        return None;
    }
    let is_on = |run: &Run| {
        let reservoir = run.reservoir_id.as_ref();
        reservoir
            .and_then(|id| answers.registers.reservoir(id))
            .is_some_and(|row| row.oil_type.as_ref() == Some(oil))
    };
    let ends: Vec<RunEnd> = answers
        .runs
        .iter()
        .filter(|run| run.ended_at <= answers.context.as_of && is_on(run))
        .filter_map(|run| {
            Some(RunEnd {
                water_ppm: run.water_last_ppm?,
                chamber_kpa: run.steady_kpa,
            })
        })
        .collect();
    reached_ppm(&ends, answers.context.config.analysis.reference_chamber_kpa)
}

fn spread(term: LawTerm) -> Spread {
    Spread {
        mean: term.mean,
        sd: term.sd,
    }
}
