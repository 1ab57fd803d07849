//! Pump-downs that a flag hides: a `running` column may follow the oil pump, which starts only when the
//! chamber is empty. A chamber that falls from the barometer to well below it is being emptied,
//! whatever a flag says, and the start begins with the fall (pump-down method: ISO 21360-1).

use crate::marks::{Marks, Working, hours_between};
use crate::{Readings, RunsConfig};

/// Share of the barometer below which a chamber that stood open stands well below it: no weather, no
/// gauge's zero and no cooling vapour takes it there within minutes (common practice, no source).
const WELL_BELOW: f64 = 0.8;
/// A pressure that rises by more than this above its lowest is no longer being drawn down, kPa
/// (common practice, no source).
const RISES_KPA: f64 = 2.0;

/// Marks as working the readings of each fall that was taken as rest, up to where the unit is seen to
/// work; where it never is, as long as the chamber is held and a start's curve is kept.
pub(crate) fn mark_falls(readings: &Readings, marks: &mut Marks, config: &RunsConfig) {
    let mut idx = 0;
    while idx < readings.len() {
        let Some(end) = fall_from(readings, marks, idx, config) else {
            idx += 1;
            continue;
        };
        for slot in marks.working.get_mut(idx..end).into_iter().flatten() {
            if *slot == Working::No {
                *slot = Working::Yes;
            }
        }
        idx = end.max(idx + 1);
    }
}

/// One past the last reading that belongs to the fall which begins at a reading; None where none does.
fn fall_from(
    readings: &Readings,
    marks: &Marks,
    from: usize,
    config: &RunsConfig,
) -> Option<usize> {
    let below = |idx: usize| {
        let (inside, outside) = marks.chamber(idx).zip(marks.ambient(idx))?;
        Some(inside < outside - config.working_margin_kpa)
    };
    let is_no = |idx: usize| marks.working.get(idx) == Some(&Working::No);
    if !is_no(from) || below(from) != Some(true) {
        return None;
    }
    // At rest just before, open to the air: a chamber found low after a hole in the log may have been left so.
    let before = last_known(marks, from)?;
    let near = 60.0 * hours_between(&readings.at, before, from) <= config.unlogged_min;
    if !near || !is_no(before) || below(before) != Some(false) {
        return None;
    }
    let (mut lowest, mut deep, mut end) = (f64::INFINITY, false, from);
    let mut last = from;
    for idx in from..readings.len() {
        let hours = hours_between(&readings.at, from, idx);
        let step_min = 60.0 * hours_between(&readings.at, last, idx);
        if marks.is_working(idx) {
            // Seen to work while the chamber was held: all before it is the wait for the oil.
            let is_held = step_min <= config.unlogged_min && hours < config.stop_ends_run_h;
            return if is_held && (deep || is_deep(marks, idx)) {
                Some(idx)
            } else {
                deep.then_some(end)
            };
        }
        if step_min > config.unlogged_min || hours >= config.stop_ends_run_h {
            break;
        }
        last = idx;
        let Some(kpa) = marks.chamber(idx) else {
            continue;
        };
        lowest = lowest.min(kpa);
        if kpa > lowest + RISES_KPA || below(idx) == Some(false) {
            break;
        }
        if 60.0 * hours <= config.start_window_min {
            deep |= is_deep(marks, idx);
            end = idx + 1;
        } else if !deep {
            break;
        }
    }
    deep.then_some(end)
}

fn is_deep(marks: &Marks, idx: usize) -> bool {
    marks.ratio(idx).is_some_and(|ratio| ratio < WELL_BELOW)
}

/// The reading before with a pressure.
fn last_known(marks: &Marks, before: usize) -> Option<usize> {
    (0..before)
        .rev()
        .take(10)
        .find(|idx| marks.chamber(*idx).is_some())
}

#[cfg(test)]
mod tests {
    use drydown_quantity::{Stamp, UnitId};

    use crate::history::{BarometerBasis, Registers};
    use crate::stage::cut_runs;
    use crate::{Column, Readings, RunsConfig, UnitRuns};

    /// Seconds at which the vacuum pump starts, oil begins to flow, both stop, and the log ends.
    const PUMP: f64 = 600.0;
    const OIL: f64 = 780.0;
    const STOP: f64 = 6000.0;
    const END: f64 = 7200.0;

    /// The chamber by the closed form of a pump-down (150 L, 30 m³/h: 18 s), vented at the stop.
    fn chamber(t: f64) -> f64 {
        if (PUMP..=STOP).contains(&t) {
            2.0 + 99.325 * (-(t - PUMP) / 18.0).exp()
        } else {
            101.325
        }
    }

    fn begin() -> Stamp {
        "2026-01-03T08:00:00Z".parse().unwrap()
    }

    /// A row each ten seconds, with the flag and flow given.
    fn log(
        chamber: impl Fn(f64) -> f64,
        flag: Option<&dyn Fn(f64) -> f64>,
        has_flow: bool,
    ) -> Readings {
        let t: Vec<f64> = (0..=720).map(|k| 10.0 * f64::from(k)).collect();
        let n = t.len();
        let of = |f: &dyn Fn(f64) -> f64| Column::from_values(t.iter().map(|t| f(*t)).collect());
        let mut readings = Readings {
            at: t.iter().map(|t| begin().plus_hours(t / 3600.0)).collect(),
            reservoir_id: vec![None; n],
            barometer_basis: vec![Some(BarometerBasis::Measured); n],
            chamber_pressure_kpa: of(&chamber),
            ambient_kpa: Column::from_values(vec![101.325; n]),
            alarm: vec![None; n],
            ..Readings::empty(UnitId::from("U-1"))
        };
        if let Some(flag) = flag {
            readings.running = of(flag);
        }
        if has_flow {
            readings.oil_flow_lpm = of(&|t| 70.0 * (OIL..=STOP).contains(&t) as i32 as f64);
        }
        readings
    }

    fn cut(readings: &Readings) -> UnitRuns {
        let as_of = "2026-02-01".parse().unwrap();
        cut_runs(
            &Registers::default(),
            readings,
            &[],
            as_of,
            &RunsConfig::documented(),
        )
    }

    fn yes(from: f64) -> impl Fn(f64) -> f64 {
        move |t| f64::from(u8::from((from..=STOP).contains(&t)))
    }

    #[test]
    fn the_start_begins_with_the_fall_whatever_the_flag_follows() {
        let (pump, oil) = (yes(PUMP), yes(OIL));
        let (one, zero) = (|_: f64| 1.0, |_: f64| 0.0);
        let late = yes(OIL + 1500.0);
        for (name, flag, has_flow) in [
            ("vacuum pump", Some(&pump as &dyn Fn(f64) -> f64), true),
            ("vacuum pump, no flow", Some(&pump), false),
            ("oil", Some(&oil), true),
            ("oil, no flow", Some(&oil), false),
            ("oil much later than the start's window", Some(&late), false),
            ("absent", None, true),
            ("absent, no flow", None, false),
            ("stuck at 1", Some(&one), true),
            ("stuck at 1, no flow", Some(&one), false),
            ("stuck at 0", Some(&zero), true),
            ("stuck at 0, no flow", Some(&zero), false),
        ] {
            let runs = cut(&log(chamber, flag, has_flow));
            assert_eq!(runs.runs.len(), 1, "{name}: {:?}", runs.runs);
            let [curve] = runs.starts.as_slice() else {
                panic!("{name}: {:?}", runs.starts)
            };
            let begins = curve.started_at.seconds_after(begin());
            assert!((begins - PUMP).abs() <= 10.0, "{name}: {begins}");
            let fit = crate::pump_down::fit_pump_down(&curve.seconds, &curve.chamber_kpa).unwrap();
            assert!(
                (fit.relative_speed_per_s * 18.0 - 1.0).abs() < 0.02,
                "{name}: {fit:?}"
            );
            assert!((fit.base_kpa - 2.0).abs() < 0.05, "{name}: {fit:?}");
            let ends = runs.runs[0].ended_at.seconds_after(begin());
            assert!((ends - STOP).abs() <= 10.0, "{name}: ends {ends}");
            assert_eq!(
                curve.oil_flow_from_s.is_some(),
                has_flow,
                "{name}: {:?}",
                curve.oil_flow_from_s
            );
        }
    }

    #[test]
    fn what_is_no_fall_from_the_barometer_is_no_start() {
        let oil = yes(OIL);
        // A gauge whose zero wanders about the margin, and a chamber that cools by 15 kPa in a quarter of an hour.
        let wander = |t: f64| 101.325 - 5.0 - 1.5 * (t / 37.0).sin();
        let cools = |t: f64| 101.325 - (t / 60.0).min(15.0);
        // Held low from before the log on, let up slowly.
        let held = |t: f64| 5.0 + t / 600.0;
        for (name, shape) in [
            ("wander", &wander as &dyn Fn(f64) -> f64),
            ("cools", &cools),
            ("held", &held),
        ] {
            let runs = cut(&log(shape, Some(&oil), false));
            let begins: Vec<f64> = runs
                .starts
                .iter()
                .map(|curve| curve.started_at.seconds_after(begin()))
                .collect();
            assert_eq!(begins, [OIL], "{name}");
        }
    }

    #[test]
    fn a_pump_test_without_oil_is_a_start_of_its_window() {
        // Emptied, held for an hour and let up, and the flag (of the oil pump) comes an hour after.
        let shape = |t: f64| {
            if t > 4800.0 { 101.325 } else { chamber(t) }
        };
        let late = |t: f64| f64::from(u8::from((6600.0..END).contains(&t)));
        let runs = cut(&log(shape, Some(&late), false));
        let curve = &runs.starts[0];
        assert!((curve.started_at.seconds_after(begin()) - PUMP).abs() <= 10.0);
        assert!(curve.seconds.last().unwrap() - 900.0 <= 10.0);
    }
}
