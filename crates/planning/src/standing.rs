//! How a unit stands now: its pump as last judged, its place, when it was last heard. Hours are those
//! of a sound pump; a unit whose pump cannot hold the vacuum is not to be sent, whatever they say.

use std::collections::BTreeMap;

use drydown_pumps::{Cause, LimitOutlook, LimitStanding, PumpHealth, PumpState, mended_since};
use drydown_quantity::{ReservoirId, SiteId, Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{MaintenanceAction, Registers};

use crate::answer::{UnitSize, Verdict};
use crate::job::Job;
use crate::suitability::Suitability;

/// Vent opening up to which the pump, not the vent, answers for the pressure, % (common practice, no
/// source).
const VENT_SHUT_PCT: f64 = 20.0;

/// How one unit stood at the time of the analysis.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The time it is told for.
    pub as_of: Stamp,
    /// Its pump at the latest run that was judged.
    pub pump: Option<PumpHealth>,
    /// Chamber pressure at the end of its latest run, kPa absolute, the vent's opening then, and the
    /// run's end.
    pub steady: Option<Steady>,
    /// Work on the vacuum side after both that may have ended what they showed: nothing was seen since.
    pub mended: Option<(Stamp, MaintenanceAction)>,
    /// Where it works now; None where it is not deployed.
    pub reservoir_id: Option<ReservoirId>,
    /// Since when.
    pub deployed_since: Option<Stamp>,
    /// The site of that reservoir, else its home.
    pub site_id: Option<SiteId>,
    /// Its last reading; None where it was never heard.
    pub last_heard: Option<Stamp>,
}

/// What the chamber held at the end of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// kPa absolute.
    pub kpa: f64,
    /// Opening of the vent, %; None where it was not logged.
    pub vent_open_pct: Option<f64>,
    /// End of the run.
    pub at: Stamp,
}

impl Standing {
    /// The standing of each unit of the register, from its latest rows before `as_of`.
    ///
    /// `health` and `runs` may be in any order; `last_heard` has one row a unit.
    #[must_use]
    pub fn of_fleet(
        registers: &Registers,
        health: &[PumpHealth],
        runs: &[Run],
        last_heard: &[(UnitId, Stamp)],
        as_of: Stamp,
    ) -> BTreeMap<UnitId, Self> {
        registers
            .units
            .iter()
            .map(|unit| {
                let id = &unit.unit_id;
                let pump = health
                    .iter()
                    .filter(|row| row.unit_id == *id)
                    .max_by_key(|row| row.at);
                let steady = runs
                    .iter()
                    .filter(|run| run.unit_id == *id)
                    .filter_map(|run| {
                        Some(Steady {
                            kpa: run.steady_kpa?,
                            vent_open_pct: run.vent_open_pct,
                            at: run.ended_at,
                        })
                    })
                    .max_by_key(|steady| steady.at);
                let seen = pump.map(|row| row.at).max(steady.map(|steady| steady.at));
                let deployed = registers.deployed_at(id, as_of);
                let standing = Self {
                    as_of,
                    pump: pump.cloned(),
                    steady,
                    mended: seen.and_then(|seen| {
                        let cause = pump.and_then(|row| row.cause);
                        mended_since(registers.maintenance_of(id), seen, cause)
                    }),
                    reservoir_id: deployed.and_then(|row| row.reservoir_id.clone()),
                    deployed_since: deployed.map(|row| row.from_at),
                    site_id: registers
                        .site_of_unit_at(id, as_of)
                        .map(|site| site.site_id.clone())
                        .or_else(|| unit.home_site_id.clone()),
                    last_heard: last_heard
                        .iter()
                        .find(|(unit, _)| unit == id)
                        .map(|(_, at)| *at),
                };
                (id.clone(), standing)
            })
            .collect()
    }

    /// Where it is and when it was last heard: `on R-2 since 2026-09-20 (site S-1), last heard 2026-09-30`.
    #[must_use]
    pub fn place(&self, job: &Job<'_>) -> String {
        let there = job.reservoir.and_then(|row| row.site_id.as_ref());
        let site = self.site_id.as_ref().map_or_else(
            || "site not known".to_owned(),
            |site| {
                if there == Some(site) {
                    format!("site {site}, as the job")
                } else {
                    format!("site {site}")
                }
            },
        );
        let place = match (&self.reservoir_id, self.deployed_since) {
            (Some(id), Some(since)) => format!("works on {id} since {} ({site})", since.day()),
            (None, Some(since)) => format!("deployed since {} ({site})", since.day()),
            (_, None) => format!("free ({site})"),
        };
        let heard = self.last_heard.map_or_else(
            || "never heard from".to_owned(),
            |at| format!("last heard {}", at.day()),
        );
        format!("{place}, {heard}")
    }

    /// Why the pump cannot do any job as it is; None where it may, or where it was worked on since.
    fn cannot(&self, limit_kpa: f64) -> Option<String> {
        if self.mended.is_some() {
            return None;
        }
        let pump = self.pump.as_ref()?;
        let because = cause(pump);
        // In control, what its last run held goes before what is reckoned.
        let is_borne_out = pump.state == PumpState::Alarm
            || self.steady.is_none_or(|steady| steady.kpa > limit_kpa);
        if self.limit()?.standing == LimitStanding::Passed && is_borne_out {
            return Some(format!(
                "its vacuum pump can no longer hold {limit_kpa:.1} kPa ({} at the run of {}{because}): mend and test it first",
                pump.state,
                pump.at.day()
            ));
        }
        let held = self.high_steady(limit_kpa)?;
        let vent_is_shut = held.vent_open_pct.is_none_or(|pct| pct <= VENT_SHUT_PCT);
        (is_out(pump) && vent_is_shut).then(|| {
            format!(
                "its chamber held only {:.0} kPa at the run of {}, limit {limit_kpa:.1} kPa, the pump in {}{because}: mend and test it first",
                held.kpa,
                held.at.day(),
                pump.state
            )
        })
    }

    /// Whether its pump was last seen in alarm and nothing was done since that may have ended it.
    pub(crate) fn in_alarm(&self) -> bool {
        self.mended.is_none()
            && self
                .pump
                .as_ref()
                .is_some_and(|pump| pump.state == PumpState::Alarm)
    }

    /// Its limit as it stands now.
    fn limit(&self) -> Option<LimitOutlook> {
        Some(self.pump.as_ref()?.limit_as_of(self.as_of))
    }

    fn high_steady(&self, limit_kpa: f64) -> Option<Steady> {
        self.steady.filter(|steady| steady.kpa > limit_kpa)
    }

    /// What must be known before it is sent.
    fn warnings(&self, limit_kpa: f64) -> Vec<String> {
        let mut out = Vec::new();
        let pump = self.pump.as_ref().filter(|pump| is_out(pump));
        if let Some(pump) = pump {
            let word = pump.state;
            let seen = pump.at.day();
            out.push(match (self.mended, pump.cause) {
                (Some((at, action)), _) => format!(
                    "vacuum pump in {word} at the run of {seen}{}; {} on {}, not seen since: test it before it goes",
                    cause(pump),
                    action.as_str().replace('_', " "),
                    at.day()
                ),
                (None, Some(Cause::WetOil)) if pump.cause_probability.is_none_or(|p| p >= LIKELY_FROM) => format!(
                    "vacuum pump in {word} at the run of {seen}: water in the pump's own oil; run it hot on gas ballast or change the oil first, for the hours are those of a sound pump and may be several times as many"
                ),
                (None, _) => format!(
                    "vacuum pump in {word} at the run of {seen}{}{}; {}",
                    cause(pump),
                    self.sooner(),
                    if self.in_alarm() {
                        "mend and test it first"
                    } else {
                        "the hours are those of a sound pump"
                    }
                ),
            });
        } else if let Some(said) = self.by_reckoning() {
            out.push(format!(
                "by speed, base and load of its vacuum pump {said}: test it before it goes"
            ));
        } else if let Some(held) = self.high_steady(limit_kpa) {
            out.push(match self.mended {
                Some((at, action)) => format!(
                    "its chamber held only {:.0} kPa at the run of {}; {} on {}, not seen since",
                    held.kpa,
                    held.at.day(),
                    action.as_str().replace('_', " "),
                    at.day()
                ),
                None => format!(
                    "its chamber held only {:.0} kPa at the run of {} (limit {limit_kpa:.1} kPa){}: test the pump before it goes",
                    held.kpa,
                    held.at.day(),
                    held.vent_open_pct.map_or_else(
                        || ", vent not logged".to_owned(),
                        |pct| format!(", vent {pct:.0} % open")
                    )
                ),
            });
        }
        out
    }

    /// That a pump in control has passed its limit by what is reckoned; None where it has not, or was worked on since.
    fn by_reckoning(&self) -> Option<String> {
        let limit = self.limit().filter(LimitOutlook::is_passed)?;
        limit.said().filter(|_| self.mended.is_none())
    }

    /// `, 1 in 10 that …`: what is known of the time left.
    fn sooner(&self) -> String {
        let limit = self.limit().filter(|limit| limit.p10.is_some());
        let said = limit.and_then(|limit| limit.said());
        said.map_or_else(
            || ", days to its limit not known".to_owned(),
            |said| format!(", {said}"),
        )
    }

    /// Why the pump may give out during a job of so many days; None where the odds are below 1 in 10.
    fn gives_out(&self, days: f64) -> Option<String> {
        let pump = self.pump.as_ref().filter(|pump| is_out(pump))?;
        let limit = self.limit()?;
        let (left, early_at) = limit.p10.zip(limit.p10_at)?;
        if self.mended.is_none() && limit.is_passed() {
            let said = limit.said()?;
            return Some(format!(
                "vacuum pump in {}{}: {said}; mend and test it first",
                pump.state,
                cause(pump)
            ));
        }
        (self.mended.is_none() && days >= left).then(|| {
            format!(
                "its vacuum pump may fail before the job ends (1 in 10 that it does by {}, and the job takes up to {days:.1} days from {}){}: mend and test it first",
                early_at.day(),
                self.as_of.day(),
                cause(pump)
            )
        })
    }
}

fn is_out(pump: &PumpHealth) -> bool {
    matches!(pump.state, PumpState::Alert | PumpState::Alarm)
}

/// Chance from which a cause is told as likely, and not as one that it may be.
const LIKELY_FROM: f64 = 0.5;

/// `, likely leak`, `, perhaps leak (45 %)`, or nothing where the cause is not known.
fn cause(pump: &PumpHealth) -> String {
    match pump.cause {
        None | Some(Cause::Unknown) => String::new(),
        Some(cause) => {
            let name = cause.as_str().replace('_', " ");
            match pump.cause_probability {
                Some(p) if p < LIKELY_FROM => format!(", perhaps {name} ({:.0} %)", p * 100.0),
                _ => format!(", likely {name}"),
            }
        }
    }
}

/// Bars, warnings and place of one unit put into its row. Barred where the pump cannot do it.
pub(crate) fn apply(row: &mut UnitSize, standing: &Standing, job: &Job<'_>, limit_kpa: f64) {
    let days = row.elapsed_days_p90.or(row.elapsed_days_p50);
    let cannot = standing
        .cannot(limit_kpa)
        .or_else(|| standing.gives_out(days?));
    let place = standing.place(job);
    match (cannot, &mut row.suitability) {
        (Some(reason), Suitability::Barred { reasons }) => reasons.push(reason),
        (Some(reason), suitability) => {
            *suitability = Suitability::Barred {
                reasons: vec![reason.clone()],
            };
            row.verdict = Verdict::Barred;
            row.note = reason;
        }
        (None, _) => {
            row.warnings = standing.warnings(limit_kpa);
            if standing.in_alarm() {
                promise_nothing(row);
            }
        }
    }
    let mut notes: Vec<String> = row
        .warnings
        .iter()
        .map(|w| format!("WARNING: {w}"))
        .collect();
    notes.push(std::mem::take(&mut row.note));
    notes.push(place);
    notes.retain(|note| !note.is_empty());
    row.note = notes.join("; ");
    row.standing = Some(standing.clone());
}

/// Takes back what was reckoned for a sound pump: where the oil settles, and so whether the target is reached at
/// all, hangs on a pressure that a pump in alarm does not hold.
pub(crate) fn promise_nothing(row: &mut UnitSize) {
    if !matches!(
        row.verdict,
        Verdict::Meets | Verdict::TooSlow | Verdict::NotShownFeasible
    ) {
        return;
    }
    row.verdict = Verdict::NotShownFeasible;
    for value in [
        &mut row.hours_p10,
        &mut row.hours_p50,
        &mut row.hours_p90,
        &mut row.elapsed_days_p50,
        &mut row.elapsed_days_p90,
        &mut row.p_reach,
        &mut row.p_within,
        &mut row.settles_ppm_p10,
        &mut row.settles_ppm_p90,
    ] {
        *value = None;
    }
    row.dominated_by = None;
    row.note = "not shown feasible: the figures of a sound pump do not hold in alarm".to_owned();
}

#[cfg(test)]
mod tests;
