//! `drydown size`: hours to target for each unit and size class, and the smallest that will do.

use anyhow::Result;
use drydown_planning::{
    Candidate, Ingress, Job, PlanningConfig, Returns, SizeAnswer, Standing, Suitability, UnitSize,
    WarmthBasis, size_standing, start_warmth,
};
use drydown_quantity::{Interval, OilType, ReservoirId, Stamp};
use drydown_removal::{Estimate, UnitCapacity, VapourFraction};
use drydown_runs::SeriesPoint;
use drydown_runs::history::{Reservoir, VolumeBasis};
use drydown_stats::robust;
use drydown_tables::ModelTerm;
use serde_json::{Value, json};

use super::answers::Answers;
use super::reservoir_past::{TYPED_LOG_SD, bins_on, reached_on, returns_on, water_now};
use super::size_text::render;
use crate::cli::{Cli, Format, SizeArgs};
use crate::config::Config;
use crate::jobs::removal_config;
use crate::output::{print_result, print_warning};
use crate::usage::UsageError;

/// Oil of which nobody measured a temperature, and the air around it, °C.
const COLD_DEGC: f64 = 20.0;
/// Last samples whose temperatures say how warm a reservoir is.
const LAST_SAMPLES: usize = 5;
/// Oil outside these is not pumped by any unit, °C (common practice, no source).
const OIL_DEGC: std::ops::RangeInclusive<f64> = -20.0..=120.0;

pub(super) fn run(cli: &Cli, arguments: &SizeArgs) -> Result<u8> {
    check_numbers(arguments)?;
    let config = Config::load(&cli.config)?;
    let store = super::open_store(&config)?;
    let answers = Answers::load(&store, &config)?;
    if let Some(past) = answers.past() {
        print_warning(&format!(
            "{past}; `drydown analyse` brings the answers up to date"
        ));
    }
    let job = match &arguments.reservoir {
        Some(id) => reservoir_job(arguments, &answers, &config, id)?,
        None => typed_job(arguments, &answers, &config)?,
    };
    let capacities: Vec<UnitCapacity> = answers.context.records()?;
    let vapours: Vec<VapourFraction> = answers.context.records()?;
    let slope = temperature_slope(&answers.context.records::<ModelTerm>()?);
    let oil = job.oil.map(|oil| oil.oil_type.clone());
    let candidates: Vec<Candidate<'_>> = answers
        .registers
        .units
        .iter()
        .map(|unit| Candidate {
            unit,
            coefficient: answers
                .coefficients
                .iter()
                .find(|row| row.unit_id == unit.unit_id && Some(&row.oil_type) == oil.as_ref()),
            capacity: capacities.iter().find(|row| row.unit_id == unit.unit_id),
            vapour: vapours.iter().find(|row| row.unit_id == unit.unit_id),
            temperature_slope: slope.as_ref(),
        })
        .collect();
    let planning = PlanningConfig {
        confidence: arguments.confidence,
        seed: config.analysis.seed,
        reference_degc: config.analysis.reference_oil_degc,
        reference_kpa: config.analysis.reference_chamber_kpa,
        pump_limit_kpa: config.analysis.pump_limit_kpa,
        ..PlanningConfig::documented()
    };
    let standings = Standing::of_fleet(
        &answers.registers,
        &answers.pump_health,
        &answers.runs,
        &answers.last_heard,
        answers.context.as_of,
    );
    let answer = size_standing(&job, &candidates, &standings, &planning);
    print_result(&match cli.format {
        Format::Text => render(&job, &answer, answers.context.as_of),
        Format::Json => format!(
            "{}\n",
            serde_json::to_string_pretty(&to_json(&job, &answer, answers.context.as_of))?
        ),
    });
    Ok(0)
}

fn check_numbers(arguments: &SizeArgs) -> Result<()> {
    let positive = [
        ("--volume", arguments.volume),
        ("--start", arguments.start),
        ("--target", arguments.target),
        ("--within", arguments.within),
    ];
    for (option, value) in positive {
        if let Some(value) = value.filter(|value| !(value.is_finite() && *value > 0.0)) {
            return Err(UsageError(format!(
                "{option}: found {value}, expected a number above 0"
            ))
            .into());
        }
    }
    if let Some(degc) = arguments.oil_degc.filter(|degc| !OIL_DEGC.contains(degc)) {
        return Err(UsageError(format!(
            "--oil-degc: found {degc}, expected a temperature from {} to {} °C",
            OIL_DEGC.start(),
            OIL_DEGC.end()
        ))
        .into());
    }
    if !(arguments.confidence > 0.0 && arguments.confidence < 1.0) {
        return Err(UsageError(format!(
            "--confidence: found {}, expected a number between 0 and 1",
            arguments.confidence
        ))
        .into());
    }
    Ok(())
}

fn reservoir_job<'a>(
    arguments: &SizeArgs,
    answers: &'a Answers<'_>,
    config: &Config,
    id: &str,
) -> Result<Job<'a>> {
    let id = ReservoirId::from(id);
    let register = answers.registers.reservoir(&id).ok_or_else(|| {
        UsageError(format!(
            "--reservoir: found \"{id}\", expected a reservoir of the register"
        ))
    })?;
    let risk = answers.risks.iter().find(|row| row.reservoir_id == id);
    let volume_l = register.volume_l.ok_or_else(|| {
        UsageError(format!(
            "reservoir {id} has no volume in the register; give --volume, --oil and --start instead"
        ))
    })?;
    let (start_ppm, start_log_sd) = arguments
        .start
        .map(|typed_ppm| (typed_ppm, TYPED_LOG_SD))
        .or_else(|| water_now(risk?))
        .ok_or_else(|| {
            UsageError(format!(
                "nothing tells the water in {id}; give --start as well"
            ))
        })?;
    let limit = risk
        .and_then(|row| row.water_limit_ppm)
        .or(register.water_limit_ppm);
    let target_ppm = arguments
        .target
        .or_else(|| limit.map(|limit| limit / 2.0))
        .ok_or_else(|| {
            UsageError(format!(
                "reservoir {id} has no water limit to aim below; give --target"
            ))
        })?;
    let ingress = risk.and_then(|row| {
        Some(Ingress {
            g_per_h: row.ingress_g_per_h?,
            lower_90: row.ingress_lower_90?,
            upper_90: row.ingress_upper_90?,
        })
    });
    let fleet = removal_config(&config.analysis).fleet;
    let bins = bins_on(answers, &id)?;
    let mut returns = returns_on(answers, &id, &bins)?;
    if let Some(settled) = returns
        .settled
        .as_mut()
        .filter(|_| arguments.start.is_some())
    {
        settled.since_h = 0.0;
    }
    let oil = oil_warmth(arguments, Some((&id, answers, bins.as_slice())))?;
    Ok(Job {
        volume_l,
        volume_log_sd: fleet.volume_log_sd(register.volume_basis),
        oil: register
            .oil_type
            .as_ref()
            .and_then(|oil| answers.registers.oil(oil)),
        start_ppm,
        start_log_sd,
        target_ppm,
        within_h: arguments.within,
        reservoir: Some(register),
        ingress,
        returns,
        oil_degc: oil.0,
        oil_degc_basis: oil.1,
        ambient_degc: COLD_DEGC,
        treat_degc: treat_degc(config, Some(register)),
        chamber_kpa: config.analysis.reference_chamber_kpa,
        reached_ppm: reached_on(answers, register.oil_type.as_ref()),
    })
}

fn typed_job<'a>(
    arguments: &SizeArgs,
    answers: &'a Answers<'_>,
    config: &Config,
) -> Result<Job<'a>> {
    let missing = |option: &str| UsageError(format!("size: expected {option}, or --reservoir ID"));
    let oil_type = OilType::from(arguments.oil.as_deref().ok_or_else(|| missing("--oil"))?);
    let oil = answers.registers.oil(&oil_type).ok_or_else(|| {
        let known: Vec<&str> = answers
            .registers
            .oils
            .iter()
            .map(|oil| oil.oil_type.as_str())
            .collect();
        UsageError(format!(
            "--oil: found \"{oil_type}\", expected one of {}",
            known.join(", ")
        ))
    })?;
    let start_ppm = arguments.start.ok_or_else(|| missing("--start"))?;
    let fleet = removal_config(&config.analysis).fleet;
    let given = arguments.ingress;
    let oil_now = oil_warmth(arguments, None)?;
    Ok(Job {
        volume_l: arguments.volume.ok_or_else(|| missing("--volume"))?,
        volume_log_sd: fleet.volume_log_sd(Some(VolumeBasis::Nameplate)),
        oil: Some(oil),
        start_ppm,
        start_log_sd: TYPED_LOG_SD,
        target_ppm: arguments.target.ok_or_else(|| missing("--target"))?,
        within_h: arguments.within,
        reservoir: None,
        // A rate typed by hand is good to a factor of two (common practice, no source).
        ingress: (given > 0.0).then_some(Ingress {
            g_per_h: given,
            lower_90: given / 2.0,
            upper_90: given * 2.0,
        }),
        returns: Returns::default(),
        oil_degc: oil_now.0,
        oil_degc_basis: oil_now.1,
        ambient_degc: COLD_DEGC,
        treat_degc: treat_degc(config, None),
        chamber_kpa: config.analysis.reference_chamber_kpa,
        reached_ppm: reached_on(answers, Some(&oil_type)),
    })
}

/// How warm the oil is now, and how that is known: as given, as the last samples of the reservoir were,
/// as its last runs began, or cold.
fn oil_warmth(
    arguments: &SizeArgs,
    reservoir: Option<(&ReservoirId, &Answers<'_>, &[SeriesPoint])>,
) -> Result<(f64, WarmthBasis)> {
    if let Some(degc) = arguments.oil_degc {
        return Ok((degc, WarmthBasis::Given));
    }
    let mut samples: Vec<(Stamp, f64)> = match reservoir {
        Some((id, answers, _)) => answers
            .context
            .samples()?
            .iter()
            .filter(|sample| sample.reservoir_id.as_ref() == Some(id))
            .filter_map(|sample| Some((sample.taken_at?, sample.sample_degc?)))
            .collect(),
        None => Vec::new(),
    };
    samples.sort_by_key(|(at, _)| *at);
    let last: Vec<f64> = samples
        .iter()
        .rev()
        .take(LAST_SAMPLES)
        .map(|(_, degc)| *degc)
        .collect();
    if let Some(degc) = robust::median(&last) {
        return Ok((degc, WarmthBasis::Samples));
    }
    let by_runs = reservoir.and_then(|(id, answers, bins)| {
        start_warmth(&answers.runs, bins, id, answers.context.as_of)
    });
    Ok(match by_runs {
        Some((degc, sd_k)) => (degc, WarmthBasis::Runs { sd_k }),
        None => (COLD_DEGC, WarmthBasis::Unknown),
    })
}

/// The reference temperature, or the most the reservoir allows.
fn treat_degc(config: &Config, reservoir: Option<&Reservoir>) -> f64 {
    let most = reservoir
        .and_then(|row| row.max_oil_degc)
        .unwrap_or(f64::INFINITY);
    config.analysis.reference_oil_degc.min(most)
}

fn temperature_slope(terms: &[ModelTerm]) -> Option<Estimate> {
    let term = terms.iter().find(|term| term.term == "slope_temperature")?;
    Some(Estimate {
        name: "temperature",
        median: term.median?,
        interval: Interval::new(0.9, term.lower_90?, term.upper_90?),
    })
}

fn to_json(job: &Job<'_>, answer: &SizeAnswer, as_of: Stamp) -> Value {
    json!({
        "as_of": as_of.to_string(),
        "volume_l": job.volume_l,
        "oil_type": job.oil.map(|oil| oil.oil_type.as_str()),
        "reservoir_id": job.reservoir.map(|row| row.reservoir_id.as_str()),
        "start_ppm": job.start_ppm,
        "target_ppm": job.target_ppm,
        "within_h": job.within_h,
        "confidence": answer.confidence,
        "smallest": answer.smallest,
        "why_not": answer.why_not.iter().map(|why| json!({"size_class": why.size_class, "reason": why.reason})).collect::<Vec<_>>(),
        "rows": answer.rows.iter().map(row_to_json).collect::<Vec<_>>(),
        "assumptions": answer.assumptions,
        "cautions": answer.cautions,
    })
}

fn row_to_json(row: &UnitSize) -> Value {
    let barred: &[String] = match &row.suitability {
        Suitability::Suitable => &[],
        Suitability::Barred { reasons } => reasons,
    };
    json!({
        "subject": row.subject,
        "kind": row.kind.as_str(),
        "size_class": row.size_class,
        "nameplate_flow_lpm": row.nameplate_flow_lpm,
        "verdict": row.verdict.as_str(),
        "barred": barred,
        "hours_p10": row.hours_p10,
        "hours_p50": row.hours_p50,
        "hours_p90": row.hours_p90,
        "elapsed_days_p50": row.elapsed_days_p50,
        "elapsed_days_p90": row.elapsed_days_p90,
        "p_reach": row.p_reach,
        "p_within": row.p_within,
        "p_comes_back": row.p_comes_back,
        "settles_ppm_p10": row.settles_ppm_p10,
        "settles_ppm_p90": row.settles_ppm_p90,
        "dominated_by": row.dominated_by.map(|word| word.as_str()),
        "warnings": row.warnings,
        "standing": row.standing.as_ref().map(standing_to_json),
        "note": row.note,
    })
}

fn standing_to_json(standing: &Standing) -> Value {
    let stamp = |at: Option<Stamp>| at.map(|at| at.to_string());
    let pump = standing.pump.as_ref();
    let limit = pump.map(|pump| pump.limit_as_of(standing.as_of));
    json!({
        "pump_state": pump.map(|pump| pump.state.as_str()),
        "pump_cause": pump.and_then(|pump| pump.cause).map(|cause| cause.as_str()),
        "pump_seen_at": stamp(pump.map(|pump| pump.at)),
        "pump_days_to_limit_p10": pump.and_then(|pump| pump.days_to_limit_p10),
        "pump_days_to_limit_p50": pump.and_then(|pump| pump.days_to_limit_p50),
        "pump_limit_p10_at": stamp(limit.and_then(|limit| limit.p10_at)),
        "pump_limit_p50_at": stamp(limit.and_then(|limit| limit.p50_at)),
        "pump_limit_p90_at": stamp(limit.and_then(|limit| limit.p90_at)),
        "steady_kpa": standing.steady.map(|steady| steady.kpa),
        "steady_seen_at": stamp(standing.steady.map(|steady| steady.at)),
        "mended_at": stamp(standing.mended.map(|(at, _)| at)),
        "reservoir_id": standing.reservoir_id.as_ref().map(|id| id.as_str()),
        "deployed_since": stamp(standing.deployed_since),
        "site_id": standing.site_id.as_ref().map(|id| id.as_str()),
        "last_heard": stamp(standing.last_heard),
    })
}
