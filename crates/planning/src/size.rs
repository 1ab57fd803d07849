//! Which unit to send: suitability first, then hours to target as a distribution.

use std::collections::BTreeMap;

use drydown_quantity::UnitId;
use drydown_stats::robust;

use crate::answer::{Dominant, SizeAnswer, SubjectKind, UnitSize, Verdict, WhyNot};
use crate::config::PlanningConfig;
use crate::draws::{Course, JobDraw, derate, derate_at, draw_courses, draw_job};
use crate::job::{Candidate, Job, WarmthBasis};
use crate::standing::{self, Standing};
use crate::suitability::{Suitability, check_job, check_unit, is_insulating};

/// Sizes one job as if every unit were sound and at hand: see `size_standing`.
#[must_use]
pub fn size(job: &Job<'_>, candidates: &[Candidate<'_>], config: &PlanningConfig) -> SizeAnswer {
    size_standing(job, candidates, &BTreeMap::new(), config)
}

/// Sizes one job: every unit, every size class, and the smallest class that will do. Where a unit's
/// standing is given, a pump that cannot do the job bars it, and one in alert or alarm ranks it behind.
///
/// Deterministic: draws come from the configured seed and the unit's id.
#[must_use]
pub fn size_standing(
    job: &Job<'_>,
    candidates: &[Candidate<'_>],
    standings: &BTreeMap<UnitId, Standing>,
    config: &PlanningConfig,
) -> SizeAnswer {
    let barred = check_job(job, config);
    let draws = draw_job(job, config);
    let mut units: Vec<(UnitSize, Vec<Course>)> = candidates
        .iter()
        .map(|candidate| {
            let mut reasons = barred.clone();
            reasons.extend(check_unit(job, candidate.unit, config));
            let courses = if reasons.is_empty() {
                draw_courses(job, candidate, &draws, config).unwrap_or_default()
            } else {
                Vec::new()
            };
            let mut row = to_unit_row(job, candidate, reasons, &courses, config);
            if let Some(standing) = standings.get(&candidate.unit.unit_id) {
                standing::apply(&mut row, standing, job, config.pump_limit_kpa);
            }
            (row, courses)
        })
        .collect();
    units.sort_by(|a, b| {
        let flow = |row: &UnitSize| row.nameplate_flow_lpm.unwrap_or(f64::INFINITY);
        (!a.0.warnings.is_empty())
            .cmp(&!b.0.warnings.is_empty())
            .then_with(|| flow(&a.0).total_cmp(&flow(&b.0)))
            .then_with(|| a.0.subject.cmp(&b.0.subject))
    });
    let classes = to_classes(job, &units, config);
    let (smallest, why_not) = choose(&classes);
    let mut rows: Vec<UnitSize> = units.into_iter().map(|(row, _)| row).collect();
    rows.extend(classes);
    SizeAnswer {
        rows,
        smallest,
        why_not,
        assumptions: begins_below(job, &draws)
            .into_iter()
            .chain(assumptions(job, candidates, config))
            .collect(),
        cautions: cautions(job, config),
        confidence: config.confidence,
    }
}

fn to_unit_row(
    job: &Job<'_>,
    candidate: &Candidate<'_>,
    reasons: Vec<String>,
    courses: &[Course],
    config: &PlanningConfig,
) -> UnitSize {
    let unit = candidate.unit;
    let suitability = if reasons.is_empty() {
        Suitability::Suitable
    } else {
        Suitability::Barred { reasons }
    };
    let mut row = to_row(job, unit.unit_id.as_str(), suitability, courses, config);
    row.size_class.clone_from(&unit.size_class);
    row.nameplate_flow_lpm = unit.nameplate_flow_lpm;
    let mut notes = vec![row.note.clone()];
    if let Some(coefficient) = candidate.coefficient.filter(|_| !courses.is_empty()) {
        notes.push(format!(
            "removal from {} ({} runs of its own on this oil{})",
            coefficient.basis,
            coefficient.n_runs,
            if coefficient.extrapolated {
                ", none near the reference conditions"
            } else {
                ""
            }
        ));
    }
    if let Some(flow) = unit
        .nameplate_flow_lpm
        .filter(|_| row.suitability.is_suitable())
    {
        let share = derate(job, flow, config);
        if share < 0.999 {
            notes.push(format!(
                "viscosity holds the flow to {:.0} % of nameplate",
                100.0 * share
            ));
        }
        if derate_at(job, flow, job.oil_degc, config) < 0.5 {
            notes.push("cold oil may trip the unit on low flow: start slow or preheat".to_owned());
        }
        if unit.heater_rated_kw.is_none() {
            notes.push("no heater power in the register: warm-up left out".to_owned());
        }
    }
    notes.retain(|note| !note.is_empty());
    row.note = notes.join("; ");
    row
}

/// A row from draws; verdict, quantiles, probabilities.
fn to_row(
    job: &Job<'_>,
    subject: &str,
    suitability: Suitability,
    courses: &[Course],
    config: &PlanningConfig,
) -> UnitSize {
    let n = courses.len() as f64;
    let hours = robust::sorted(
        &courses
            .iter()
            .map(|course| course.hours)
            .collect::<Vec<f64>>(),
    );
    let steady = robust::sorted(
        &courses
            .iter()
            .map(|course| course.steady_ppm)
            .collect::<Vec<f64>>(),
    );
    // The next draw up, never an average with infinity.
    let quantile = |values: &[f64], p: f64| {
        let rank = ((p * n).ceil() as usize).clamp(1, values.len().max(1)) - 1;
        values.get(rank).copied().filter(|value| value.is_finite())
    };
    let share = |of: &dyn Fn(&Course) -> bool| {
        (!courses.is_empty()).then(|| courses.iter().filter(|course| of(course)).count() as f64 / n)
    };
    let elapsed = |hours: f64| hours / config.availability.clamp(0.01, 1.0);
    let p_reach = share(&|course| course.hours.is_finite());
    let p_within = job
        .within_h
        .and_then(|window| share(&|course| elapsed(course.hours) <= window));
    let mut row = UnitSize {
        subject: subject.to_owned(),
        kind: SubjectKind::Unit,
        size_class: None,
        nameplate_flow_lpm: None,
        verdict: Verdict::NoBasis,
        suitability,
        hours_p10: quantile(&hours, 0.1),
        hours_p50: quantile(&hours, 0.5),
        hours_p90: quantile(&hours, 0.9),
        elapsed_days_p50: quantile(&hours, 0.5).map(|hours| elapsed(hours) / 24.0),
        elapsed_days_p90: quantile(&hours, 0.9).map(|hours| elapsed(hours) / 24.0),
        p_reach,
        p_within,
        p_comes_back: comes_back(job, courses),
        settles_ppm_p10: quantile(&steady, 0.1),
        settles_ppm_p90: quantile(&steady, 0.9),
        dominated_by: dominant(courses),
        warnings: Vec::new(),
        standing: None,
        note: String::new(),
    };
    row.verdict = judge(&row, config);
    row.note = [verdict_note(job, &row, config), comes_back_note(&row)]
        .into_iter()
        .filter(|note| !note.is_empty())
        .collect::<Vec<String>>()
        .join("; ");
    row
}

/// Share of the courses that reach the target of which settled water then brings the oil above it again.
fn comes_back(job: &Job<'_>, courses: &[Course]) -> Option<f64> {
    job.returns.settled?;
    let reached: Vec<&Course> = courses
        .iter()
        .filter(|course| course.hours.is_finite())
        .collect();
    let back = reached
        .iter()
        .filter(|course| course.comes_back_to_ppm > job.target_ppm)
        .count();
    (!reached.is_empty()).then(|| back as f64 / reached.len() as f64)
}

fn comes_back_note(row: &UnitSize) -> String {
    /// Below this nothing is said.
    const SAID_FROM: f64 = 0.1;
    row.p_comes_back
        .filter(|p| *p >= SAID_FROM)
        .map_or_else(String::new, |p| {
            format!(
                "settled water would bring it above the target again after the stop: {:.0} %",
                100.0 * p
            )
        })
}

fn judge(row: &UnitSize, config: &PlanningConfig) -> Verdict {
    if !row.suitability.is_suitable() {
        return Verdict::Barred;
    }
    let Some(p_reach) = row.p_reach else {
        return Verdict::NoBasis;
    };
    if 1.0 - p_reach >= config.infeasible_from {
        return Verdict::Infeasible;
    }
    match row.p_within {
        Some(p_within) if p_within >= config.confidence => Verdict::Meets,
        None if p_reach >= config.confidence => Verdict::Meets,
        Some(_) if p_reach >= config.confidence => Verdict::TooSlow,
        _ => Verdict::NotShownFeasible,
    }
}

fn verdict_note(job: &Job<'_>, row: &UnitSize, config: &PlanningConfig) -> String {
    let floor = || {
        let end = |value: Option<f64>| value.map_or("?".to_owned(), |ppm| format!("{ppm:.0}"));
        format!(
            "floor {}–{} ppm",
            end(row.settles_ppm_p10),
            end(row.settles_ppm_p90)
        )
    };
    let percent = |share: Option<f64>| {
        share.map_or("?".to_owned(), |share| format!("{:.0} %", 100.0 * share))
    };
    match (&row.suitability, row.verdict) {
        (Suitability::Barred { reasons }, _) => reasons.join("; "),
        (_, Verdict::NoBasis) => "no removal known for this oil, or no nameplate flow".to_owned(),
        (_, Verdict::Infeasible) => format!(
            "infeasible: {} against a target of {:.0} ppm",
            floor(),
            job.target_ppm
        ),
        (_, Verdict::NotShownFeasible) => format!("not shown feasible: {}", floor()),
        (_, Verdict::TooSlow) => format!(
            "meets the window with {} only (asked: {:.0} %)",
            percent(row.p_within),
            100.0 * config.confidence
        ),
        (_, Verdict::Meets | Verdict::Barred) => String::new(),
    }
}

/// Which stretch is longest in the median of the courses; ingress where it keeps most courses above the target.
fn dominant(courses: &[Course]) -> Option<Dominant> {
    let stuck: Vec<&Course> = courses
        .iter()
        .filter(|course| !course.hours.is_finite())
        .collect();
    if 2 * stuck.len() > courses.len() {
        let by_ingress = stuck
            .iter()
            .filter(|course| 2.0 * course.by_ingress_ppm > course.steady_ppm)
            .count();
        return Some(if 2 * by_ingress > stuck.len() {
            Dominant::Ingress
        } else {
            Dominant::Drying
        });
    }
    let median =
        |of: fn(&Course) -> f64| robust::median(&courses.iter().map(of).collect::<Vec<f64>>());
    [
        (Dominant::Drying, median(|course| course.decline_h)?),
        (Dominant::Capacity, median(|course| course.capacity_h)?),
        (Dominant::Heating, median(|course| course.heating_h)?),
    ]
    .into_iter()
    .max_by(|a, b| a.1.total_cmp(&b.1))
    .map(|(dominant, _)| dominant)
}

/// One row per size class: any of its suitable units, each as likely as the others. By flow.
fn to_classes(
    job: &Job<'_>,
    units: &[(UnitSize, Vec<Course>)],
    config: &PlanningConfig,
) -> Vec<UnitSize> {
    let mut by_class: BTreeMap<&str, Vec<&(UnitSize, Vec<Course>)>> = BTreeMap::new();
    for unit in units {
        by_class
            .entry(unit.0.size_class.as_deref().unwrap_or("unclassed"))
            .or_default()
            .push(unit);
    }
    let mut classes: Vec<UnitSize> = by_class
        .into_iter()
        .map(|(class, members)| {
            let suitable = members
                .iter()
                .filter(|(row, _)| row.suitability.is_suitable())
                .count();
            let sound = members.iter().filter(|(row, _)| is_sound(row)).count();
            let alarms = members.iter().filter(|(row, _)| in_alarm(row)).count();
            // The sound ones answer for the class; where there is none, those with a warning.
            let courses: Vec<Course> = members
                .iter()
                .filter(|(row, _)| row.suitability.is_suitable() && (sound == 0 || is_sound(row)))
                .filter(|(row, _)| alarms == suitable || !in_alarm(row))
                .flat_map(|(_, courses)| courses.iter().copied())
                .collect();
            let suitability = if suitable > 0 {
                Suitability::Suitable
            } else {
                members
                    .first()
                    .map_or(Suitability::Suitable, |(row, _)| row.suitability.clone())
            };
            let mut row = to_row(job, class, suitability, &courses, config);
            row.kind = SubjectKind::Class;
            row.size_class = Some(class.to_owned());
            let flows: Vec<f64> = members
                .iter()
                .filter_map(|(row, _)| row.nameplate_flow_lpm)
                .collect();
            row.nameplate_flow_lpm = robust::median(&flows);
            let mut count = format!("{suitable} of {} units suitable", members.len());
            if suitable > sound {
                count.push_str(&format!(", {} of them with a warning", suitable - sound));
            }
            if alarms > 0 {
                count.push_str(&format!(", {alarms} in alarm and not shown to do it"));
            }
            if suitable > 0 && alarms == suitable {
                standing::promise_nothing(&mut row);
            }
            if suitable > 0 && sound == 0 {
                row.warnings = vec!["each suitable unit of it has a warning".to_owned()];
            }
            row.note = if row.note.is_empty() {
                count
            } else {
                format!("{}; {count}", row.note)
            };
            row
        })
        .collect();
    classes.sort_by(|a, b| {
        let flow = |row: &UnitSize| row.nameplate_flow_lpm.unwrap_or(f64::INFINITY);
        flow(a)
            .total_cmp(&flow(b))
            .then_with(|| a.subject.cmp(&b.subject))
    });
    classes
}

/// Whether a unit may be sent but its pump is in alarm: nothing is promised of it.
fn in_alarm(row: &UnitSize) -> bool {
    row.suitability.is_suitable() && row.standing.as_ref().is_some_and(Standing::in_alarm)
}

/// Whether nothing speaks against a unit, not even a warning.
fn is_sound(row: &UnitSize) -> bool {
    row.suitability.is_suitable() && row.warnings.is_empty()
}

/// The smallest class that meets the job with a sound unit, and why each of the others is not the answer.
fn choose(classes: &[UnitSize]) -> (Option<String>, Vec<WhyNot>) {
    let smallest = classes
        .iter()
        .position(|row| row.verdict == Verdict::Meets && row.warnings.is_empty());
    let why_not = classes
        .iter()
        .enumerate()
        .filter(|(idx, _)| Some(*idx) != smallest)
        .map(|(_, row)| WhyNot {
            size_class: row.subject.clone(),
            reason: if let Some(warning) = row.warnings.first() {
                warning.clone()
            } else if row.verdict == Verdict::Meets {
                "larger than needed".to_owned()
            } else {
                row.note.clone()
            },
        })
        .collect();
    (
        smallest
            .and_then(|idx| classes.get(idx))
            .map(|row| row.subject.clone()),
        why_not,
    )
}

/// That the oil may be at the target as it stands, where the draws say so often enough to be worth a sample.
fn begins_below(job: &Job<'_>, draws: &[JobDraw]) -> Option<String> {
    const SAID_FROM: f64 = 0.05;
    let below = draws
        .iter()
        .filter(|draw| draw.begins_ppm(job) <= job.target_ppm)
        .count();
    let chance = below as f64 / draws.len().max(1) as f64;
    (chance >= SAID_FROM).then(|| {
        format!(
            "the oil is at the target already with a chance of {:.0} %: a sample tells",
            100.0 * chance
        )
    })
}

fn assumptions(
    job: &Job<'_>,
    candidates: &[Candidate<'_>],
    config: &PlanningConfig,
) -> Vec<String> {
    let mut out = Vec::new();
    match job.oil_degc_basis {
        WarmthBasis::Given => {}
        WarmthBasis::Samples => out.push(format!(
            "the oil begins at {:.0} °C, the median of its last samples",
            job.oil_degc
        )),
        WarmthBasis::Runs { sd_k } => out.push(format!(
            "the oil begins at {:.0} °C (± {:.0} K, 90 %), as the last runs on the reservoir began",
            job.oil_degc,
            1.645 * sd_k
        )),
        WarmthBasis::Unknown => out.push(format!(
            "the oil begins cold, at {:.0} °C, for want of a measurement: warmer oil takes less time",
            job.oil_degc
        )),
    }
    if job.ingress.is_none() {
        out.push("ingress is not known and was left out".to_owned());
    }
    if job
        .oil
        .is_none_or(|oil| oil.solubility_a.is_none() || oil.solubility_b_k.is_none())
    {
        out.push(match job.reached_ppm {
            Some(reached) => format!(
                "solubility of the oil is not known: its runs ended at {reached:.0} ppm and below, \
                 the floor is taken no higher"
            ),
            None => format!(
                "solubility of the oil is not known: floor taken around {:.0} ppm, wide",
                config.floor_without_solubility_ppm
            ),
        });
    }
    if job
        .oil
        .is_none_or(|oil| oil.viscosity_40c_mm2s.is_none() && oil.iso_vg.is_none())
    {
        out.push("viscosity of the oil is not known: flow taken at nameplate".to_owned());
    }
    if candidates
        .iter()
        .any(|candidate| candidate.capacity.is_none())
    {
        out.push(format!(
            "no capped run tells the capacity of some units: {:.0} % of the pump's vapour taken, wide",
            100.0 * config.capacity_share
        ));
    }
    out
}

fn cautions(job: &Job<'_>, config: &PlanningConfig) -> Vec<&'static str> {
    let mut out = vec![
        "Hot oil, vacuum and electricity: follow the maker's instructions, local codes and lock-out rules",
        "Advice, not a safety interlock: qualified people decide",
    ];
    if is_insulating(job, config) {
        out.push("Insulating oil: test for PCB before mobilising; transformers only by licensed specialists");
    }
    out
}
