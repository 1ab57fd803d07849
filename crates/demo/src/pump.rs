//! The vacuum pump of one unit in truth: slow wear, failures, repairs, and what would have come
//! without the repair.
//!
//! Wear w lowers speed by e^(−w) and lifts the base by e^(1.5 w) (leak-back grows as clearances
//! open); an air leak adds a gas load; a restriction lowers speed and leaves the base alone.

use crate::calendar::{Calendar, DAY};
use crate::config::DemoConfig;
use crate::draw::Draw;
use crate::fleet::Unit;
use crate::nature::vapour_kg_per_h;

/// Pressure that a working unit must hold, 18 inHg of vacuum at sea level, kPa absolute.
pub(crate) const LIMIT_KPA: f64 = 40.37;
/// Days after the calendar's end in which the unrepaired truth is followed.
const FOLLOW_DAYS: usize = 366;
/// Air dissolved in the oil, volumes at one atmosphere per volume of oil.
const DISSOLVED_AIR: f64 = 0.09;

/// Why a pump fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cause {
    Wear,
    Leak,
    Restriction,
}

impl Cause {
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Wear => "wear",
            Self::Leak => "leak",
            Self::Restriction => "restriction",
        }
    }
}

/// One failing episode.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Episode {
    pub(crate) cause: Cause,
    pub(crate) onset: i64,
    /// None where it still lasts at the end of the calendar.
    pub(crate) repaired: Option<i64>,
    pub(crate) action: &'static str,
    pub(crate) recorded: bool,
}

/// The pump on one day.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct PumpDay {
    pub(crate) wear: f64,
    pub(crate) restriction: f64,
    /// Air that leaks in, kPa·m³/h.
    pub(crate) leak: f64,
}

/// The pump of one unit over the calendar.
#[derive(Clone, Debug)]
pub(crate) struct Pump {
    start: i64,
    days: Vec<PumpDay>,
    /// As it would have gone on without any repair of the episode.
    pub(crate) unrepaired: Vec<PumpDay>,
    pub(crate) episode: Option<Episode>,
}

/// What the pump does at one time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PumpNow {
    pub(crate) speed_m3h: f64,
    pub(crate) base_kpa: f64,
    pub(crate) leak: f64,
}

/// A failing episode before it is played out.
#[derive(Clone, Copy, Debug)]
struct Plan {
    cause: Cause,
    onset_day: usize,
    /// Per day: wear, or leak in kPa·m³/h, or restriction.
    growth: f64,
    step: f64,
    /// Wear at which it is repaired early; None: after the limit was passed.
    early_at: Option<f64>,
    patience_days: usize,
    recorded: bool,
}

impl Pump {
    pub(crate) fn new(config: &DemoConfig, calendar: &Calendar, unit: &Unit) -> Self {
        let mut draw = Draw::of(config.seed, &format!("pump {}", unit.id));
        let n_days = ((calendar.end - calendar.start) / DAY) as usize;
        let drift = draw.lognormal(2.5e-4, 0.5);
        let plan = make_plan(config, calendar, unit, &mut draw);
        let mut pump = Self {
            start: calendar.start,
            days: Vec::with_capacity(n_days),
            unrepaired: Vec::with_capacity(n_days + FOLLOW_DAYS),
            episode: None,
        };
        let mut sound = draw.uniform(0.0, 0.10);
        for day in 0..n_days + FOLLOW_DAYS {
            sound = (sound + drift + 0.002 * draw.normal()).max(-0.05);
            let failing = plan.map_or_else(PumpDay::default, |plan| plan.at(day));
            pump.unrepaired.push(PumpDay {
                wear: sound + failing.wear,
                ..failing
            });
        }
        let repaired_day = plan.and_then(|plan| pump.repair_day(unit, &plan));
        let fresh = draw.uniform(0.0, 0.06);
        let at_repair = repaired_day
            .and_then(|day| pump.unrepaired.get(day))
            .map_or(0.0, |d| d.wear);
        let rebuilt = plan.is_some_and(|plan| plan.cause == Cause::Wear);
        for (day, unrepaired) in pump.unrepaired.iter().take(n_days).enumerate() {
            let repaired = repaired_day.is_some_and(|done| day >= done);
            let failing = plan.map_or_else(PumpDay::default, |plan| plan.at(day));
            pump.days.push(match (repaired, rebuilt) {
                (false, _) => *unrepaired,
                // After a rebuild only the sound drift goes on, from nearly new.
                (true, true) => {
                    let sound = unrepaired.wear - failing.wear;
                    let worn = repaired_day.map_or(0.0, |done| {
                        at_repair - plan.map_or(0.0, |plan| plan.at(done).wear)
                    });
                    PumpDay {
                        wear: fresh + sound - worn,
                        ..PumpDay::default()
                    }
                }
                (true, false) => PumpDay {
                    wear: unrepaired.wear,
                    ..PumpDay::default()
                },
            });
        }
        pump.episode = plan.map(|plan| Episode {
            cause: plan.cause,
            onset: calendar.start + plan.onset_day as i64 * DAY,
            repaired: repaired_day
                .filter(|day| *day < n_days)
                .map(|day| calendar.start + day as i64 * DAY),
            action: plan.action(),
            recorded: plan.recorded,
        });
        pump
    }

    /// The pump now, without what its oil and its load do.
    pub(crate) fn at(&self, unit: &Unit, at: i64) -> PumpNow {
        let days = (at - self.start).max(0);
        let idx = (days / DAY) as usize;
        let share = (days % DAY) as f64 / DAY as f64;
        let last = self.days.last().copied().unwrap_or_default();
        let a = self.days.get(idx).copied().unwrap_or(last);
        let b = self.days.get(idx + 1).copied().unwrap_or(a);
        // A repair is a step, not a ramp.
        let b = if b.wear < a.wear - 0.1 || b.leak < a.leak || b.restriction < a.restriction {
            a
        } else {
            b
        };
        let mix = |x: f64, y: f64| x * (1.0 - share) + y * share;
        now(
            unit,
            PumpDay {
                wear: mix(a.wear, b.wear),
                restriction: mix(a.restriction, b.restriction),
                leak: if share > 0.0 {
                    a.leak.max(mix(a.leak, b.leak))
                } else {
                    a.leak
                },
            },
        )
    }

    fn repair_day(&self, unit: &Unit, plan: &Plan) -> Option<usize> {
        let usual_load = usual_vapour_kg_per_h(unit);
        let crossed = || {
            self.unrepaired
                .iter()
                .position(|day| holding_kpa(unit, *day, usual_load) > LIMIT_KPA)
        };
        let early = |wear: f64| self.unrepaired.iter().position(|day| day.wear > wear);
        match (plan.cause, plan.early_at) {
            (Cause::Wear, Some(wear)) => early(wear),
            (Cause::Wear, None) => crossed().map(|day| day + plan.patience_days),
            _ => Some(plan.onset_day + plan.patience_days * 3),
        }
    }
}

impl Plan {
    fn at(&self, day: usize) -> PumpDay {
        if day < self.onset_day {
            return PumpDay::default();
        }
        let size = self.step + self.growth * (day - self.onset_day) as f64;
        match self.cause {
            Cause::Wear => PumpDay {
                wear: size,
                ..PumpDay::default()
            },
            Cause::Leak => PumpDay {
                leak: size,
                ..PumpDay::default()
            },
            Cause::Restriction => PumpDay {
                restriction: size,
                ..PumpDay::default()
            },
        }
    }

    const fn action(&self) -> &'static str {
        match (self.cause, self.patience_days % 3) {
            (Cause::Wear, 0) => "pump_swap",
            (Cause::Wear, 1) => "vanes",
            (Cause::Wear, _) => "rebuild",
            (Cause::Leak, _) => "leak_repair",
            (Cause::Restriction, _) => "filter",
        }
    }
}

fn make_plan(
    config: &DemoConfig,
    calendar: &Calendar,
    unit: &Unit,
    draw: &mut Draw,
) -> Option<Plan> {
    let share = 1.0 - (1.0 - config.failing_share.clamp(0.0, 0.999)).powf(calendar.years() / 1.5);
    let failing = draw.chance(share);
    let n_days = ((calendar.end - calendar.start) / DAY) as f64;
    let onset_day = (draw.uniform(0.15, 0.9) * n_days) as usize;
    let cause = match draw.below(10) {
        0..=5 => Cause::Wear,
        6..=8 => Cause::Leak,
        _ => Cause::Restriction,
    };
    let (step, growth) = match cause {
        Cause::Wear => (0.0, draw.lognormal(0.011, 0.35)),
        Cause::Leak => {
            let grows = draw.chance(0.5);
            let step = draw.lognormal(5.0, 0.4) * unit.pump_m3h;
            (
                step,
                if grows {
                    draw.lognormal(0.2, 0.5) * unit.pump_m3h
                } else {
                    0.0
                },
            )
        }
        Cause::Restriction => (draw.uniform(0.25, 0.45), 0.002),
    };
    Some(Plan {
        cause,
        onset_day,
        growth,
        step,
        early_at: draw.chance(0.4).then(|| draw.uniform(0.45, 0.8)),
        patience_days: 4 + draw.below(25),
        recorded: !draw.chance(config.unrecorded_share),
    })
    .filter(|_| failing)
}

fn now(unit: &Unit, day: PumpDay) -> PumpNow {
    PumpNow {
        speed_m3h: unit.pump_m3h * (-day.wear - day.restriction).exp(),
        base_kpa: unit.base_kpa * (1.5 * day.wear).exp(),
        leak: day.leak,
    }
}

/// Air that the oil brings along, kPa·m³/h.
pub(crate) fn air_load(flow_lpm: f64) -> f64 {
    flow_lpm * 0.06 * DISSOLVED_AIR * 101.325 * 0.5
}

/// Water a unit usually sends to its pump, kg/h, before its runs are known.
pub(crate) fn usual_vapour_kg_per_h(unit: &Unit) -> f64 {
    unit.size.flow_lpm * 0.4 * 60.0 * 0.87 * 150e-6
}

/// Pressure that the pump holds with the vent shut under a vapour load, kPa.
pub(crate) fn holding_kpa(unit: &Unit, day: PumpDay, vapour_kg_h: f64) -> f64 {
    let pump = now(unit, day);
    let gas = (pump.leak + air_load(unit.size.flow_lpm)) / pump.speed_m3h;
    pump.base_kpa + gas + vapour_kg_h / vapour_kg_per_h(1.0, pump.speed_m3h, 40.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::Fleet;

    #[test]
    fn what_a_pump_holds_worsens_with_wear_leak_and_restriction() {
        let fleet = Fleet::new(&DemoConfig::standard(2, 1, 1));
        let unit = &fleet.units[0];
        let holds = |day: PumpDay| holding_kpa(unit, day, usual_vapour_kg_per_h(unit));
        let sound = holds(PumpDay::default());
        assert!(sound < 12.0, "{sound}");
        assert!(
            holds(PumpDay {
                wear: 0.5,
                ..PumpDay::default()
            }) > sound + 3.0
        );
        assert!(
            holds(PumpDay {
                wear: 1.6,
                ..PumpDay::default()
            }) > LIMIT_KPA
        );
        assert!(
            holds(PumpDay {
                restriction: 0.3,
                ..PumpDay::default()
            }) > sound
        );
        // A leak of 5 kPa·m³/h per m³/h of speed lifts the pressure by 5 kPa.
        let leaking = holds(PumpDay {
            leak: 5.0 * unit.pump_m3h,
            ..PumpDay::default()
        });
        assert!((leaking - sound - 5.0).abs() < 1e-9);
    }

    #[test]
    fn a_repair_is_a_step_and_an_unrepaired_pump_goes_on() {
        let config = DemoConfig {
            failing_share: 1.0,
            ..DemoConfig::standard(24, 18, 1)
        };
        let fleet = Fleet::new(&config);
        let mut n_repaired = 0;
        for unit in &fleet.units {
            let pump = Pump::new(&config, &fleet.calendar, unit);
            let Some(episode) = pump.episode else {
                continue;
            };
            let Some(repaired) = episode.repaired.filter(|_| episode.cause == Cause::Wear) else {
                continue;
            };
            n_repaired += 1;
            let before = pump.at(unit, repaired - DAY).speed_m3h;
            let after = pump.at(unit, repaired + DAY).speed_m3h;
            assert!(after > before * 1.3, "{}: {before} to {after}", unit.id);
            let idx = ((repaired - fleet.calendar.start) / DAY) as usize;
            assert!(pump.unrepaired[idx + 30].wear > pump.unrepaired[idx].wear);
        }
        assert!(n_repaired >= 5, "{n_repaired}");
    }
}
