//! The evidence of one row in one sentence.

use std::fmt::Write;

use drydown_quantity::Stamp;

use crate::futures::Outlook;
use crate::limit::PastLimit;
use crate::monitor::Monitor;
use crate::rest::{GaugeOff, LEAST_SES};
use crate::watch::Watch;
use crate::{Cause, PumpState, PumpsConfig};

/// What the gauge itself shows of a row.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gauge {
    /// What the last runs held at best, where that is past the limit.
    pub(crate) held: Option<PastLimit>,
    /// Whether that tells of the limit: it is meant for a vent that is shut.
    pub(crate) passed: bool,
    /// How far it is off at rest, where that is what looked like a change of the pump.
    pub(crate) off: Option<GaugeOff>,
}

/// What was seen, against what was expected, and what it means for the limit.
pub(crate) fn sentence(
    watch: &Watch<'_>,
    state: PumpState,
    causes: &[(Cause, f64)],
    outlook: Option<&Outlook>,
    gauge: &Gauge,
    config: &PumpsConfig,
) -> String {
    if state == PumpState::Unjudged {
        let held = watch.set_point.held_kpa();
        let held = held.map_or(String::new(), |kpa| {
            format!("; a set point holds the runs at {kpa:.1} kPa, which tells nothing of the pump")
        });
        return format!(
            "{} accepted starts{} and {} steady pressures since the last reset, {} or {} needed{held}",
            watch.speed.seen.len(),
            why_unseen(watch),
            watch.steady.seen.len(),
            config.min_starts,
            config.min_runs,
        );
    }
    let onset = watch.onset();
    let mut text = String::new();
    let mut part = |words: String| {
        let gap = if text.is_empty() { "" } else { "; " };
        // Writing to a String cannot fail.
        let _ = write!(text, "{gap}{words}");
    };
    let unseen = why_unseen(watch);
    part(witness("speed", &watch.speed, &unseen, |v| {
        format!("{:+.1} %", 100.0 * (v.exp() - 1.0))
    }));
    // Said once: the base comes from the same starts.
    let unseen = if watch.speed.is_judged() { &unseen } else { "" };
    part(witness("base pressure", &watch.base, unseen, |v| {
        format!("{v:+.1} kPa")
    }));
    part(witness("steady pressure", &watch.steady, "", |v| {
        format!("{:+.0} %", 100.0 * (v.exp() - 1.0))
    }));
    if let Some(off) = gauge.off {
        part(format!(
            "the gauge reads {:+.1} kPa off at rest since {}, so the pressures tell of the gauge and not of the pump",
            off.kpa,
            off.since.day(),
        ));
    }
    if let Some(at) = mended_at(watch, state) {
        part(format!("mended without a note, about {}", at.day()));
    }
    if let Some(onset) = onset.filter(|_| matches!(state, PumpState::Alert | PumpState::Alarm)) {
        part(format!("since about {}", onset.day()));
        let hint = watch.rests.hint_since(onset);
        if let Some((kpa, _)) = hint.filter(|(kpa, se)| *kpa >= LEAST_SES * se) {
            part(format!(
                "the gauge reads {kpa:+.1} kPa off at rest since then: compare it with another one first"
            ));
        }
        part(format!("cause: {}", causes_in_words(causes)));
    }
    if let Some(held) = gauge.held {
        let (vent, limit) = if held.vent_shut || !held.vent_logged {
            ("", "")
        } else {
            (", the vent open as usual", " with the vent shut")
        };
        let limit = if gauge.passed {
            format!(", limit {:.1} kPa{limit}", config.limit_kpa)
        } else {
            String::new()
        };
        part(format!(
            "its last runs held no better than {:.0} kPa{vent}{limit}",
            held.best_kpa
        ));
    }
    if let Some(outlook) = outlook.filter(|_| !gauge.passed) {
        let gas = match outlook.load.vapour_kg_per_h {
            Some(vapour) if vapour < 0.05 => "next to no vapour".to_owned(),
            Some(vapour) => format!("{vapour:.1} kg/h of vapour"),
            None => "its oil's air (no vapour logged)".to_owned(),
        };
        part(format!(
            "with the vent shut it would hold {:.1} kPa under {gas}, limit {:.1} kPa",
            outlook.holds_kpa(),
            config.limit_kpa,
        ));
    }
    text
}

/// How long the evidence tells of a change that went without a note, days.
const MENDED_TOLD_DAYS: f64 = 90.0;

/// About when a change went that nobody's note ended: told for some months, while nothing is wrong.
fn mended_at(watch: &Watch<'_>, state: PumpState) -> Option<Stamp> {
    let now = watch.last_run?;
    [&watch.speed, &watch.base, &watch.steady]
        .into_iter()
        .filter(|_| state == PumpState::Normal)
        .filter_map(Monitor::mended_at)
        .filter(|at| now.days_after(*at) <= MENDED_TOLD_DAYS)
        .min()
}

/// Causes within this of the likeliest are not told apart.
const NOT_TOLD_APART: f64 = 0.2;

/// The likeliest causes; all that are about as likely as the first, where what was seen does not tell.
fn causes_in_words(causes: &[(Cause, f64)]) -> String {
    let first = causes.first().map_or(0.0, |(_, p)| *p);
    let known = causes.iter().filter(|(c, _)| *c != Cause::Unknown);
    let close = known.filter(|(_, p)| first - p < NOT_TOLD_APART).count();
    let named = causes
        .iter()
        .take(close.max(2))
        .map(|(c, p)| format!("{} {}", c.as_str().replace('_', " "), chance(*p)));
    let named = named.collect::<Vec<_>>().join(", ");
    if close > 1 {
        format!("{named}, which what was seen does not tell apart")
    } else {
        named
    }
}

/// Why starts since the last reset told nothing: how many, and what most of them lacked. Empty where none was refused.
fn why_unseen(watch: &Watch<'_>) -> String {
    let refused = watch.refused();
    let Some((word, most)) = refused.iter().max_by_key(|(_, n)| **n) else {
        return if watch.last_start.is_none() {
            ", no start logged".to_owned()
        } else {
            String::new()
        };
    };
    let n: usize = refused.values().sum();
    let share = if *most == n {
        String::new()
    } else {
        format!("{most} of them ")
    };
    let starts = if n == 1 { "start" } else { "starts" };
    format!(", {n} {starts} refused: {share}{}", refusal_words(word))
}

/// Why a start does not count, for people.
fn refusal_words(word: &str) -> String {
    match word {
        "oil_flowing" => "oil flowed from the first reading, so that no pump-down was logged",
        "vent_open" => "the vent stood open",
        "short_rest" => "too little rest before",
        "warm_oil" => "oil warm from the run before",
        "too_few_points" => "too few readings on the fall",
        "no_fall" => "no fall of pressure logged",
        "not_from_ambient" => "the fall did not begin at the barometer",
        "plateau" => "the pressure stood at a plateau, as with an open vent",
        "poor_fit" => "no pump-down curve fits",
        other => return other.replace('_', " "),
    }
    .to_owned()
}

fn witness(name: &str, monitor: &Monitor, unseen: &str, show: impl Fn(f64) -> String) -> String {
    let n = monitor.seen.len();
    if !monitor.is_judged() {
        return format!("{name} not judged ({n} seen{unseen})");
    }
    match monitor.onset.and_then(|onset| monitor.shift_since(onset)) {
        Some(shift) => {
            format!(
                "{name} {} against its level over {} observations",
                show(shift.recent),
                shift.n
            )
        }
        None => format!("{name} as expected ({n} seen)"),
    }
}

/// A probability in per cent; an estimate is never certain, so never 0 or 100.
fn chance(p: f64) -> String {
    if p < 0.01 {
        "under 1 %".to_owned()
    } else if p > 0.99 {
        "over 99 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * p)
    }
}
