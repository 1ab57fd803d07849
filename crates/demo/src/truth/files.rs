//! The truth as CSV files.

use drydown_quantity::Stamp;

use super::Truth;
use crate::DemoFile;

/// One CSV per part of the truth.
pub(super) fn render(truth: &Truth) -> Vec<DemoFile> {
    vec![
        csv(
            "cells",
            "unit_id,oil_type,removal_per_pass,dried_flow_lpm,n_runs",
            &truth.cells,
            |c| {
                vec![
                    c.unit_id.clone(),
                    c.oil_type.clone(),
                    number(c.removal_per_pass),
                    number(c.dried_flow_lpm),
                    c.n_runs.to_string(),
                ]
            },
        ),
        runs(truth),
        csv(
            "pumps",
            "unit_id,cause,onset_at,limit_crossed_at,repaired_at,recorded",
            &truth.pumps,
            |p| {
                vec![
                    p.unit_id.clone(),
                    p.cause.clone(),
                    p.onset_at.rfc3339(),
                    time(p.limit_crossed_at),
                    time(p.repaired_at),
                    p.recorded.to_string(),
                ]
            },
        ),
        csv("healthy", "unit_id,from_at,to_at", &truth.healthy, |h| {
            vec![h.unit_id.clone(), h.from_at.rfc3339(), h.to_at.rfc3339()]
        }),
        reservoirs(truth),
        futures(truth),
        csv(
            "sensors",
            "unit_id,place,shows_ppm,offset_activity,gain,drift_per_year",
            &truth.sensors,
            |s| {
                vec![
                    s.unit_id.clone(),
                    s.place.clone(),
                    s.shows_ppm.to_string(),
                    number(s.offset_activity),
                    number(s.gain),
                    number(s.drift_per_year),
                ]
            },
        ),
        files(truth),
    ]
}

fn runs(truth: &Truth) -> DemoFile {
    let header = "unit_id,reservoir_id,oil_type,started_at,ended_at,removal_rate_per_h,\
                  dried_flow_lpm,flow_lpm,volume_l,floor_ppm,oil_degc,chamber_kpa,vapour_kg_per_h,\
                  water_start_ppm,water_end_ppm,water_all_start_ppm,water_all_end_ppm,\
                  water_removed_kg,run_effect,capacity_share";
    csv("runs", header, &truth.runs, |run| {
        let mut fields = vec![
            run.unit_id.clone(),
            run.reservoir_id.clone(),
            run.oil_type.clone(),
            run.started_at.rfc3339(),
            run.ended_at.rfc3339(),
        ];
        let numbers = [
            run.removal_rate_per_h,
            run.dried_flow_lpm,
            run.flow_lpm,
            run.volume_l,
            run.floor_ppm,
            run.oil_degc,
            run.chamber_kpa,
            run.vapour_kg_per_h,
            run.water_start_ppm,
            run.water_end_ppm,
            run.water_all_start_ppm,
            run.water_all_end_ppm,
            run.water_removed_kg,
            run.run_effect,
            run.capacity_share,
        ];
        fields.extend(numbers.map(number));
        fields
    })
}

fn reservoirs(truth: &Truth) -> DemoFile {
    let header = "reservoir_id,volume_l,register_volume_l,ingress_g_per_h,usual_ingress_g_per_h,\
                  water_sample_ppm,water_all_ppm,water_limit_ppm,is_leaking";
    csv("reservoirs", header, &truth.reservoirs, |r| {
        vec![
            r.reservoir_id.clone(),
            number(r.volume_l),
            number(r.register_volume_l),
            number(r.ingress_g_per_h),
            number(r.usual_ingress_g_per_h),
            number(r.water_sample_ppm),
            number(r.water_all_ppm),
            number(r.water_limit_ppm),
            r.is_leaking.to_string(),
        ]
    })
}

fn futures(truth: &Truth) -> DemoFile {
    let header = "reservoir_id,from_at,water_limit_ppm,free_limit_ppm,water_sample_ppm,\
                  water_all_ppm,passes_limit_at,free_water_at,highest_sample_ppm,\
                  excess_ppm_days,ingress_g_per_h,horizon_days";
    csv("futures", header, &truth.futures, |f| {
        vec![
            f.reservoir_id.clone(),
            f.from_at.rfc3339(),
            number(f.water_limit_ppm),
            number(f.free_limit_ppm),
            number(f.water_sample_ppm),
            number(f.water_all_ppm),
            time(f.passes_limit_at),
            time(f.free_water_at),
            number(f.highest_sample_ppm),
            number(f.excess_ppm_days),
            number(f.ingress_g_per_h),
            number(f.horizon_days),
        ]
    })
}

fn files(truth: &Truth) -> DemoFile {
    let header = "file,source,table,rows_in,rows_kept,rows_duplicate,rows_superseded,\
                  rows_rejected,rows_ignored,cell_rejects";
    csv("files", header, &truth.files, |file| {
        let counts = [
            file.rows_in,
            file.rows_kept,
            file.rows_duplicate,
            file.rows_superseded,
            file.rows_rejected,
            file.rows_ignored,
            file.cell_rejects,
        ];
        let mut fields = vec![
            file.path.clone(),
            file.source.clone(),
            file.table.to_owned(),
        ];
        fields.extend(counts.map(|count| count.to_string()));
        fields
    })
}

fn csv<T>(name: &str, header: &str, rows: &[T], fields: impl Fn(&T) -> Vec<String>) -> DemoFile {
    let mut text = format!("{header}\n");
    for row in rows {
        text.push_str(&fields(row).join(","));
        text.push('\n');
    }
    DemoFile {
        path: format!("truth/{name}.csv"),
        bytes: text.into_bytes(),
    }
}

/// Six significant digits; nothing for a value that is not a number.
fn number(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    if value.abs() < 1e-12 {
        return "0".to_owned();
    }
    let decimals = (5 - value.abs().log10().floor() as i64).clamp(0, 12) as usize;
    format!("{value:.decimals$}")
}

fn time(at: Option<Stamp>) -> String {
    at.map(Stamp::rfc3339).unwrap_or_default()
}
