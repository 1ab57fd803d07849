//! What a repair that nobody has seen the effect of does to a pump's finding and to its forecasts.

use drydown_pumps::{Cause, DaysStatus, PumpHealth, PumpState};
use drydown_runs::history::{Maintenance, MaintenanceAction, Registers};

use super::{case, replayed, unit};
use crate::case::{Case, Snapshot};
use crate::episode::Episode;
use crate::forecasts::forecasts;
use crate::rows::Severity;

fn health(day: &str, cause: Cause) -> PumpHealth {
    PumpHealth {
        run_id: format!("U-1@{day}").into(),
        unit_id: "U-1".into(),
        at: day.parse().unwrap(),
        indicator: None,
        expected: None,
        lower_90: None,
        upper_90: None,
        state: PumpState::Alarm,
        cause: Some(cause),
        cause_probability: Some(0.9),
        days_to_limit_p10: Some(0.0),
        days_to_limit_p50: Some(3.0),
        days_to_limit_p90: Some(23.0),
        days_to_limit_status: DaysStatus::Within,
        onset_at: None,
        evidence: "speed -40.0 % against its level over 9 observations; with the vent shut it would hold 38.0 kPa under 1.0 kg/h of vapour, limit 40.4 kPa".to_owned(),
    }
}

fn registers(work: &[(MaintenanceAction, &str)]) -> Registers {
    Registers {
        units: vec![unit("U-1", None)],
        maintenance: work
            .iter()
            .map(|(action, day)| Maintenance {
                unit_id: "U-1".into(),
                at: day.parse().unwrap(),
                action: *action,
                note: None,
                serial: None,
                hours_meter: None,
            })
            .collect(),
        ..Registers::default()
    }
}

fn told(registers: &Registers, cause: Cause) -> Episode {
    let rows = [health("2026-09-20", cause)];
    let case = Case {
        pump_health: &rows,
        ..case(registers, &[])
    };
    let mut found = replayed("pump_change", &case);
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn a_repair_since_the_last_run_steps_the_finding_down_and_names_itself() {
    use MaintenanceAction::{Heater, LeakRepair, PumpOil, PumpSwap, Rebuild, Vanes};
    for (action, cause, begins) in [
        (Rebuild, Cause::Wear, "Rebuilt on 2026-09-27, not run since"),
        (Vanes, Cause::Wear, "New vanes on 2026-09-27"),
        (PumpSwap, Cause::Leak, "Pump swapped on 2026-09-27"),
        (LeakRepair, Cause::Leak, "Leak mended on 2026-09-27"),
        (PumpOil, Cause::WetOil, "Pump oil changed on 2026-09-27"),
    ] {
        let seen = told(&registers(&[(action, "2026-09-27")]), cause);
        assert_eq!(seen.severity, Severity::Watch, "{action}");
        assert!(seen.holds, "not cleared before it was seen to work");
        assert!(seen.action.starts_with(begins), "{}", seen.action);
        assert!(seen.evidence.contains("speed -40.0 %"), "{}", seen.evidence);
        for text in [&seen.action, &seen.evidence] {
            assert!(
                !text.contains("would hold") && !text.contains("odds"),
                "{text}"
            );
        }
    }
    // Work that ends nothing of the kind, and work that the last run had behind it.
    for (action, day) in [
        (Heater, "2026-09-27"),
        (PumpOil, "2026-09-27"),
        (Rebuild, "2026-09-19"),
    ] {
        let seen = told(&registers(&[(action, day)]), Cause::Wear);
        assert_eq!(seen.severity, Severity::Act, "{action}");
        assert!(seen.action.contains("even odds"), "{}", seen.action);
    }
}

#[test]
fn no_forecast_is_made_of_a_pump_as_it_was_before_its_repair() {
    let rows = [health("2026-09-20", Cause::Wear)];
    let snapshots: Vec<Snapshot> = ["2026-09-25", "2026-10-01"]
        .iter()
        .map(|day| Snapshot {
            as_of: day.parse().unwrap(),
            risks: Vec::new(),
            coefficients: Vec::new(),
            quarters: Vec::new(),
        })
        .collect();
    let made = |work: &[(MaintenanceAction, &str)]| {
        let registers = registers(work);
        forecasts(&Case {
            pump_health: &rows,
            snapshots: &snapshots,
            ..case(&registers, &[])
        })
        .iter()
        .map(|row| row.made_at.day().to_string())
        .collect::<Vec<String>>()
    };
    assert_eq!(made(&[]), ["2026-09-25", "2026-10-01"]);
    // Before the repair was known the forecast stands.
    assert_eq!(
        made(&[(MaintenanceAction::Rebuild, "2026-09-27")]),
        ["2026-09-25"]
    );
}
