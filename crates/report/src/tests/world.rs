//! Small fleets to report on. Invented; every figure is chosen to be recognised on the page.

use std::collections::BTreeMap;

use drydown_findings::{
    Finding, FindingState, Forecast, ForecastEnd, Kind, PumpScore, ReliabilityBin, Score, Severity,
};
use drydown_pumps::{Cause, DaysStatus, PumpHealth, PumpState};
use drydown_quantity::{DisplayUnits, Quarter, RunId, Stamp, UnitId};
use drydown_removal::{
    Basis, RemovalCoefficient, RemovalQuarter, RemovalResidual, RemovalRun, RunCurve, RunStatus,
    SensorCheck,
};
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::Run;
use drydown_runs::history::{
    Maintenance, MaintenanceAction, PumpKind, Registers, Reservoir, SensorPlace, Unit,
};
use jiff::tz::TimeZone;

use crate::{Display, FileLoad, Heard, ReportInput, RunSource};

pub(super) const QUARTER: Quarter = Quarter {
    year: 2026,
    number: 3,
};

/// Everything a report borrows.
#[derive(Default)]
pub(super) struct World {
    pub(super) registers: Registers,
    pub(super) runs: Vec<Run>,
    pub(super) removal_runs: BTreeMap<RunId, RemovalRun>,
    pub(super) curves: BTreeMap<RunId, RunCurve>,
    pub(super) run_sources: BTreeMap<RunId, RunSource>,
    pub(super) coefficients: Vec<RemovalCoefficient>,
    pub(super) quarters: Vec<RemovalQuarter>,
    pub(super) residuals: Vec<RemovalResidual>,
    pub(super) sensor_checks: Vec<SensorCheck>,
    pub(super) pump_health: Vec<PumpHealth>,
    pub(super) risks: Vec<ReservoirRisk>,
    pub(super) findings: Vec<Finding>,
    pub(super) forecasts: Vec<Forecast>,
    pub(super) scores: Vec<Score>,
    pub(super) pump_score: PumpScore,
    pub(super) loads: Vec<FileLoad>,
    pub(super) reject_reasons: Vec<(String, i64)>,
    pub(super) ambient_kpa: BTreeMap<UnitId, f64>,
}

impl World {
    pub(super) fn input(&self) -> ReportInput<'_> {
        ReportInput {
            quarter: QUARTER,
            as_of: QUARTER.end(),
            display: Display {
                units: DisplayUnits::Metric,
                zone: TimeZone::UTC,
            },
            registers: &self.registers,
            runs: &self.runs,
            removal_runs: &self.removal_runs,
            curves: &self.curves,
            run_sources: &self.run_sources,
            coefficients: &self.coefficients,
            quarters: &self.quarters,
            residuals: &self.residuals,
            sensor_checks: &self.sensor_checks,
            pump_starts: &[],
            pump_health: &self.pump_health,
            risks: &self.risks,
            findings: &self.findings,
            forecasts: &self.forecasts,
            scores: &self.scores,
            pump_score: &self.pump_score,
            loads: &self.loads,
            reject_reasons: &self.reject_reasons,
            heard: Heard {
                heard: self.registers.units.len(),
                of: self.registers.units.len(),
            },
            ambient_kpa: &self.ambient_kpa,
        }
    }

    /// One unit with two runs, one of which tells nothing, on one reservoir.
    pub(super) fn one_unit(unit: &str, reservoir: &str) -> Self {
        let told = run(unit, reservoir, day(10));
        let silent = Run {
            flags: vec!["sensor_stuck".to_owned()],
            water_first_ppm: None,
            water_last_ppm: None,
            steady_kpa: None,
            ..run(unit, reservoir, day(20))
        };
        let fits = [
            fit(&told, Some(0.31), RunStatus::Identified),
            fit(&silent, None, RunStatus::AtFloor),
        ];
        Self {
            registers: Registers {
                units: vec![self::unit(unit)],
                reservoirs: vec![self::reservoir(reservoir)],
                maintenance: vec![Maintenance {
                    unit_id: unit.into(),
                    at: day(15),
                    action: MaintenanceAction::PumpOil,
                    note: None,
                    serial: None,
                    hours_meter: None,
                }],
                ..Registers::default()
            },
            run_sources: BTreeMap::from([(
                told.run_id.clone(),
                RunSource {
                    file: "exports/a <1>.csv".to_owned(),
                    line: 341,
                },
            )]),
            pump_health: vec![
                health(&told, PumpState::Normal, -0.02),
                health(&silent, PumpState::Alert, -0.40),
            ],
            removal_runs: fits.map(|row| (row.run_id.clone(), row)).into(),
            runs: vec![told, silent],
            coefficients: vec![
                coefficient(unit, "GEAR-220", Basis::Cell, 0.9),
                coefficient(unit, "TRB-32", Basis::Unit, 0.0),
            ],
            residuals: vec![residual("a", 0.1, false), residual("b", -0.9, true)],
            sensor_checks: vec![SensorCheck {
                unit_id: unit.into(),
                sensor: "water_ppm".to_owned(),
                offset: Some(-0.2),
                gain: None,
                drift_per_year: None,
                lower_90: Some(-9.0),
                upper_90: Some(8.0),
                n_pairs: 5,
                state: "agrees".to_owned(),
            }],
            risks: vec![risk(reservoir, 1)],
            loads: vec![FileLoad {
                source: "north".to_owned(),
                file: "exports/a <1>.csv".to_owned(),
                loaded_at: day(30),
                rows_in: 1200,
                rows_kept: 1190,
                rows_duplicate: 6,
                rows_superseded: 0,
                rows_rejected: 4,
                rows_ignored: 0,
            }],
            reject_reasons: vec![("found 9 fields, expected 23".to_owned(), 4)],
            ambient_kpa: BTreeMap::from([(unit.into(), 101.325)]),
            ..Self::default()
        }
    }
}

/// So many days into the quarter.
pub(super) fn day(n: u32) -> Stamp {
    QUARTER.start().plus_days(f64::from(n))
}

fn unit(id: &str) -> Unit {
    Unit {
        unit_id: id.into(),
        size_class: Some("medium".to_owned()),
        nameplate_flow_lpm: Some(76.0),
        heater_rated_kw: None,
        vacuum_pump_m3h: Some(40.0),
        vacuum_pump_kind: Some(PumpKind::RotaryVane),
        chamber_volume_l: Some(220.0),
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: Some(SensorPlace::Inlet),
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

fn reservoir(id: &str) -> Reservoir {
    Reservoir {
        reservoir_id: id.into(),
        site_id: None,
        service: Some("steam_turbine".to_owned()),
        oil_type: Some("GEAR-220".into()),
        volume_l: Some(9000.0),
        volume_basis: None,
        water_limit_ppm: None,
        cleanliness_limit: None,
        acid_limit_mgkoh_g: None,
        coldest_oil_degc: None,
        max_oil_degc: None,
        criticality: None,
        paper_insulated: None,
        energised: None,
        pcb_status: None,
        breather: None,
    }
}

fn run(unit: &str, reservoir: &str, at: Stamp) -> Run {
    Run {
        run_id: format!("{unit}@{}", at.compact()).into(),
        unit_id: unit.into(),
        reservoir_id: Some(reservoir.into()),
        oil_type: Some("GEAR-220".into()),
        started_at: at,
        ended_at: at.plus_hours(55.8),
        hours: 55.8,
        flow_lpm: Some(70.0),
        oil_degc: Some(63.0),
        chamber_kpa: Some(15.0),
        water_first_ppm: Some(165.0),
        water_last_ppm: Some(59.0),
        water_removed_kg: Some(0.9),
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: Some(13.279),
        ambient_kpa: Some(101.325),
        vent_open_pct: None,
        vacuum_pump_degc: None,
        n_readings: 339,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

fn fit(run: &Run, rate: Option<f64>, status: RunStatus) -> RemovalRun {
    RemovalRun {
        run_id: run.run_id.clone(),
        unit_id: run.unit_id.clone(),
        oil_type: run.oil_type.clone(),
        reservoir_id: run.reservoir_id.clone(),
        removal_rate_per_h: rate,
        removal_rate_se: rate.map(|k| k * 0.05),
        removal_rate_lower_90: rate.map(|k| k - 0.03),
        removal_rate_upper_90: rate.map(|k| k + 0.04),
        dried_flow_lpm: rate.map(|_| 20.0),
        removal_per_pass: rate.map(|_| 0.3),
        floor_ppm: None,
        floor_lower_90: None,
        floor_upper_90: None,
        capacity_kg_per_h: None,
        limited_by: None,
        regime: None,
        status,
        start_ppm: None,
        end_ppm: None,
        n_used: 336,
        n_points: 339,
        residual_phi: None,
        evidence: "336 of 339 bins used; water moved -0 ppm".to_owned(),
    }
}

fn health(run: &Run, state: PumpState, indicator: f64) -> PumpHealth {
    let is_out = state != PumpState::Normal;
    PumpHealth {
        run_id: run.run_id.clone(),
        unit_id: run.unit_id.clone(),
        at: run.started_at,
        indicator: Some(indicator),
        expected: Some(0.0),
        lower_90: Some(-0.1),
        upper_90: Some(0.1),
        state,
        cause: is_out.then_some(Cause::WetOil),
        cause_probability: is_out.then_some(0.999),
        days_to_limit_p10: is_out.then_some(172.0),
        days_to_limit_p50: is_out.then_some(213.0),
        days_to_limit_p90: is_out.then_some(257.0),
        days_to_limit_status: if is_out {
            DaysStatus::Within
        } else {
            DaysStatus::NotDegrading
        },
        onset_at: None,
        gauge_off_kpa: None,
        gauge_off_since_at: None,
        evidence: "speed -33 % over 29; cause: wet_oil over 99 %".to_owned(),
    }
}

/// A run on GEAR-220 so far from what the others foretell; a standard deviation of 0.2 is expected.
fn residual(run_id: &str, off_by_log: f64, is_wild: bool) -> RemovalResidual {
    RemovalResidual {
        run_id: run_id.into(),
        unit_id: "U-1".into(),
        oil_type: "GEAR-220".into(),
        off_by_log,
        expected_log_sd: 0.2,
        own_log_sd: 0.1,
        is_wild,
    }
}

pub(super) fn coefficient(
    unit: &str,
    oil: &str,
    basis: Basis,
    own_share: f64,
) -> RemovalCoefficient {
    RemovalCoefficient {
        unit_id: unit.into(),
        oil_type: oil.into(),
        removal_per_pass: Some(0.37),
        dried_flow_lpm: Some(28.0),
        lower_90: Some(0.34),
        upper_90: Some(0.40),
        new_run_lower_90: Some(0.30),
        new_run_upper_90: Some(0.46),
        n_runs: 21,
        n_jobs: 9,
        own_share,
        basis,
        separable: false,
        extrapolated: true,
    }
}

/// A reservoir of which nothing but a rank is known.
pub(super) fn unsampled(id: &str, rank: i64) -> ReservoirRisk {
    ReservoirRisk {
        reservoir_id: id.into(),
        rank,
        rank_lower_90: 1,
        rank_upper_90: 77,
        risk: 0.0,
        p_water_limit: None,
        p_free_water: None,
        p_cleanliness_limit: None,
        p_acid_limit: None,
        expected_excess_ppm_days: None,
        ingress_g_per_h: None,
        ingress_lower_90: None,
        ingress_upper_90: None,
        water_sample_ppm: None,
        water_sample_lower_90: None,
        water_sample_upper_90: None,
        water_all_ppm: None,
        driver: "No sample and no run tells the water here".to_owned(),
        next_sample_by: None,
        horizon_days: 60.0,
        n_samples: 0,
        n_run_ends: 0,
        water_limit_ppm: None,
        water_limit_is_default: false,
    }
}

pub(super) fn risk(id: &str, rank: i64) -> ReservoirRisk {
    ReservoirRisk {
        p_water_limit: Some(1.0),
        p_free_water: Some(0.0),
        ingress_g_per_h: Some(1.25),
        ingress_lower_90: Some(0.5),
        ingress_upper_90: Some(2.5),
        water_sample_ppm: Some(180.0),
        water_sample_lower_90: Some(140.0),
        water_sample_upper_90: Some(230.0),
        water_all_ppm: Some(210.0),
        driver: "Mostly the water limit: water now 180 ppm".to_owned(),
        water_limit_ppm: Some(200.0),
        water_limit_is_default: true,
        ..unsampled(id, rank)
    }
}

/// A finding of a rule about a subject, open for a while.
pub(super) fn finding(rule: &str, subject: &str, severity: Severity) -> Finding {
    Finding {
        finding_id: format!("{rule}-{subject}-{severity}").replace(' ', "-"),
        rule: rule.to_owned(),
        kind: match rule {
            "pump_change" => Kind::Pump,
            "hot_oil" | "barred_unit" => Kind::Safety,
            "reservoir_wet" => Kind::Reservoir,
            _ => Kind::Data,
        },
        subject: subject.to_owned(),
        severity,
        onset_at: Some(day(1)),
        first_seen: day(2),
        last_seen: day(90),
        state: FindingState::Open,
        evidence: format!("evidence of {rule} on {subject}, wet_oil"),
        action: format!("see to {rule}"),
    }
}

pub(super) fn forecast(
    subject: &str,
    ended_by: Option<ForecastEnd>,
    outcome: Option<f64>,
) -> Forecast {
    Forecast {
        forecast_id: format!("water_limit:{subject}"),
        made_at: day(0),
        kind: "water_limit".to_owned(),
        subject: subject.to_owned(),
        horizon_days: 60.0,
        probability: Some(0.9),
        p10: None,
        p50: None,
        p90: None,
        outcome,
        observed_from: None,
        observed_to: None,
        ended_by,
    }
}

pub(super) fn score() -> Score {
    Score {
        kind: "water_limit".to_owned(),
        n_due: 16,
        n_events: 2,
        n_treated: 7,
        n_not_observed: 3,
        n_pending: 5,
        brier: Some(0.075),
        brier_base_rate: Some(0.203),
        bins: vec![ReliabilityBin {
            from: 0.0,
            to: 0.1,
            n: 16,
            n_events: 2,
            mean_probability: Some(0.004),
            n_effective: 16.0,
            observed_share: Some(0.125),
        }],
    }
}
