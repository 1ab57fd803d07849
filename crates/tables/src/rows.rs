//! The row structs of the stages, and the registers, as records.

use drydown_findings::{Finding, Forecast};
use drydown_pumps::{PumpCause, PumpHealth, PumpStart};
use drydown_removal::{
    RemovalCoefficient, RemovalQuarter, RemovalResidual, RemovalRun, SensorCheck, UnitCapacity,
    VapourFraction,
};
use drydown_reservoirs::{LabAlarm, LabResult, ReservoirRisk};
use drydown_runs::history::{
    Deployment, Maintenance, Oil, Reservoir, ReservoirEvent, Sample, Site, Unit, UnitEvent,
};
use drydown_runs::{Run, SeriesPoint};

use crate::record::record;

record!(Unit, "units", key(unit_id), {
    unit_id, size_class, nameplate_flow_lpm, heater_rated_kw, vacuum_pump_m3h, vacuum_pump_kind,
    chamber_volume_l, commissioned_on, home_site_id, water_sensor_place, oil_families_allowed,
    insulating_oil_ready,
});

record!(Site, "sites", key(site_id), { site_id, name, altitude_m, timezone });

record!(Oil, "oils", key(oil_type), {
    oil_type, family, iso_vg, viscosity_40c_mm2s, viscosity_100c_mm2s, density_15c_kgm3,
    solubility_a, solubility_b_k, flash_degc,
});

record!(Reservoir, "reservoirs", key(reservoir_id), {
    reservoir_id, site_id, service, oil_type, volume_l, volume_basis, water_limit_ppm,
    cleanliness_limit, acid_limit_mgkoh_g, coldest_oil_degc, max_oil_degc, criticality,
    paper_insulated, energised, pcb_status, breather,
});

record!(Deployment, "deployments", key(unit_id, from_at), { unit_id, from_at, reservoir_id, to_at });

record!(Maintenance, "maintenance", key(unit_id, at, action), {
    unit_id, at, action, note, serial, hours_meter,
});

record!(ReservoirEvent, "reservoir_events", key(reservoir_id, at, action), {
    reservoir_id, at, action, volume_l, oil_type, water_ppm, note,
});

record!(UnitEvent, "unit_events", key(unit_id, at, code), { unit_id, at, code, kind, text, value });

record!(Sample, "samples", key(lab, sample_id), {
    lab, sample_id, reservoir_id, unit_id, taken_at, reported_at, sample_point, sample_degc,
    water_ppm, water_censor, iso4406_4um, iso4406_6um, iso4406_14um, iso4406_note,
    viscosity_40c_mm2s, acid_mgkoh_g, breakdown_kv,
});

record!(LabResult, "results", key(lab, sample_id, analyte), {
    lab, sample_id, analyte, value, censor, unit, method, detection_limit, missing_reason,
});

record!(Run, "runs", key(run_id), month_of(run_id), {
    run_id, unit_id, reservoir_id, oil_type, started_at, ended_at, hours, flow_lpm, oil_degc,
    chamber_kpa, water_first_ppm, water_last_ppm, water_removed_kg, pumpdown_speed_m3h,
    pumpdown_base_kpa, steady_kpa, ambient_kpa, vent_open_pct, vacuum_pump_degc, n_readings, n_samples, alarms, flags,
});

record!(SeriesPoint, "run_series", key(run_id, at), month_of(run_id), {
    run_id, at, phase, n_readings, water_ppm, water_censor, from_activity, oil_degc, flow_lpm,
    chamber_kpa, ambient_kpa, vent_open_pct, heater_kw, vacuum_pump_degc, ambient_degc,
});

record!(PumpStart, "pump_starts", key(unit_id, started_at), {
    unit_id, started_at, run_id, speed_m3h, relative_speed_per_s, ln_speed_se, base_kpa,
    base_kpa_se, rest_kpa, seconds_08_to_04, step_s, ambient_kpa, barometer_basis, oil_degc, vacuum_pump_degc,
    ambient_degc, idle_h, accepted, reason,
});

record!(PumpHealth, "pump_health", key(run_id), month_of(run_id), {
    run_id, unit_id, at, indicator, expected, lower_90, upper_90, state, cause, cause_probability,
    days_to_limit_p10, days_to_limit_p50, days_to_limit_p90, days_to_limit_status, onset_at,
    gauge_off_kpa, gauge_off_since_at, evidence,
});

record!(PumpCause, "pump_causes", key(run_id, cause), { run_id, cause, probability });

record!(RemovalRun, "removal_runs", key(run_id), month_of(run_id), {
    run_id, unit_id, oil_type, reservoir_id, removal_rate_per_h, removal_rate_se,
    removal_rate_lower_90, removal_rate_upper_90, dried_flow_lpm, removal_per_pass, floor_ppm,
    floor_lower_90, floor_upper_90, capacity_kg_per_h, limited_by, regime, status, start_ppm, end_ppm, n_used, n_points,
    residual_phi, evidence,
});

record!(RemovalCoefficient, "removal_coefficients", key(unit_id, oil_type), {
    unit_id, oil_type, removal_per_pass, dried_flow_lpm, lower_90, upper_90, new_run_lower_90,
    new_run_upper_90, n_runs, n_jobs, own_share, basis, separable, extrapolated,
});

record!(RemovalQuarter, "removal_quarters", key(unit_id, oil_type, quarter), {
    unit_id, oil_type, quarter, removal_per_pass, lower_90, upper_90, n_runs,
});

record!(RemovalResidual, "removal_residuals", key(run_id), {
    run_id, unit_id, oil_type, off_by_log, expected_log_sd, own_log_sd, is_wild,
});

record!(UnitCapacity, "unit_capacities", key(unit_id), { unit_id, capacity_kg_per_h, log_sd, n_runs });

record!(VapourFraction, "vapour_fractions", key(unit_id), { unit_id, log_mean, log_sd, n_runs });

record!(SensorCheck, "sensor_checks", key(unit_id, sensor), {
    unit_id, sensor, offset, gain, drift_per_year, lower_90, upper_90, n_pairs, state,
});

record!(ReservoirRisk, "reservoir_risk", key(reservoir_id), {
    reservoir_id, rank, rank_lower_90, rank_upper_90, risk, p_water_limit, p_free_water,
    p_cleanliness_limit, p_acid_limit, expected_excess_ppm_days, ingress_g_per_h,
    ingress_lower_90, ingress_upper_90, water_sample_ppm, water_sample_lower_90,
    water_sample_upper_90, water_all_ppm, driver, next_sample_by, horizon_days, n_samples,
    n_run_ends, water_limit_ppm, water_limit_is_default,
});

record!(LabAlarm, "lab_alarms", key(reservoir_id, quantity), {
    reservoir_id, quantity, taken_at, lab, value, censor, basis, n_results, n_reservoirs,
    share_beyond, side, watch_limit, caution_limit, alarm_limit, status, since_at, change,
    change_per_30d, repeatability, change_limit_per_30d, change_status,
});

record!(Finding, "findings", key(finding_id), {
    finding_id, rule, kind, subject, severity, onset_at, first_seen, last_seen, state, evidence,
    action,
});

record!(Forecast, "forecasts", key(forecast_id), {
    forecast_id, made_at, kind, subject, horizon_days, probability, p10, p50, p90, outcome,
    observed_from, observed_to, ended_by,
});
