//! The evidence of one row in one sentence.

use std::fmt::Write;

use crate::futures::Outlook;
use crate::monitor::Monitor;
use crate::watch::Watch;
use crate::{Cause, PumpState, PumpsConfig};

/// What was seen, against what was expected, and what it means for the limit.
pub(crate) fn sentence(
    watch: &Watch<'_>,
    state: PumpState,
    causes: &[(Cause, f64)],
    outlook: Option<&Outlook>,
    config: &PumpsConfig,
) -> String {
    if state == PumpState::Unjudged {
        return format!(
            "{} accepted starts and {} steady pressures since the last reset, {} or {} needed",
            watch.speed.seen.len(),
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
    part(witness("speed", &watch.speed, |v| {
        format!("{:+.1} %", 100.0 * (v.exp() - 1.0))
    }));
    part(witness("base pressure", &watch.base, |v| {
        format!("{v:+.1} kPa")
    }));
    part(witness("steady pressure", &watch.steady, |v| {
        format!("{:+.0} %", 100.0 * (v.exp() - 1.0))
    }));
    if let Some(onset) = onset.filter(|_| matches!(state, PumpState::Alert | PumpState::Alarm)) {
        part(format!("since about {}", onset.day()));
        let named = causes
            .iter()
            .take(2)
            .map(|(c, p)| format!("{} {}", c.as_str().replace('_', " "), chance(*p)));
        part(format!("cause: {}", named.collect::<Vec<_>>().join(", ")));
    }
    if let Some(outlook) = outlook {
        let gas = match outlook.load.vapour_kg_per_h {
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

fn witness(name: &str, monitor: &Monitor, show: impl Fn(f64) -> String) -> String {
    let n = monitor.seen.len();
    if !monitor.is_judged() {
        return format!("{name} not judged ({n} seen)");
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
