//! Scores and percentiles of what a file holds, for tests/reference/rank_metrics.py to compare with reference
//! libraries: `reference_scores FILE` prints `name value` lines.
//!
//! Lines of the file: `forecast,p,days,event` (a probability, the days until the event or until it was no
//! longer watched, 1 or 0) and `result,value,censor` (a laboratory's result, `=` or `<`).
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "an example prints what it computed"
)]

use std::process::ExitCode;

use drydown_quantity::Stamp;
use drydown_reservoirs::{LabResult, lab_alarms};
use drydown_runs::history::{Censor, Registers, Reservoir, Sample, SamplePoint};
use drydown_stats::scores;

fn main() -> ExitCode {
    let text = std::env::args().nth(1).map(std::fs::read_to_string);
    let Some(Ok(text)) = text else {
        eprintln!("usage: reference_scores FILE");
        return ExitCode::from(2);
    };
    let (mut p, mut days, mut event) = (Vec::new(), Vec::new(), Vec::new());
    let mut results = Vec::new();
    for line in text.lines() {
        let cells: Vec<&str> = line.split(',').collect();
        let read = match cells.as_slice() {
            ["forecast", chance, time, came] => match (chance.parse(), time.parse()) {
                (Ok(chance), Ok(time)) => {
                    p.push(chance);
                    days.push(time);
                    event.push(*came == "1");
                    true
                }
                _ => false,
            },
            ["result", value, censor] => match (value.parse(), Censor::from_word(censor)) {
                (Ok(value), Some(censor)) => {
                    results.push((value, censor));
                    true
                }
                _ => false,
            },
            _ => false,
        };
        if !read {
            eprintln!("not a line of this example: {line}");
            return ExitCode::FAILURE;
        }
    }
    let gain: Vec<f64> = event
        .iter()
        .map(|came| f64::from(u8::from(*came)))
        .collect();
    let calibration = scores::calibration(&p, &event);
    let limits = limits(&results);
    let told = [
        ("brier", scores::brier(&p, &event)),
        ("auc", scores::auc(&p, &event)),
        ("log_loss", scores::log_loss(&p, &event)),
        ("ndcg_10", scores::ndcg(&p, &gain, 10)),
        ("ndcg", scores::ndcg(&p, &gain, p.len())),
        (
            "c_index",
            scores::c_index(&p, &days, &event).map(|c| c.index),
        ),
        ("slope", calibration.map(|fit| fit.slope)),
        ("intercept", calibration.map(|fit| fit.intercept)),
        ("percentile_85", limits.and_then(|limits| limits.0)),
        ("percentile_95", limits.and_then(|limits| limits.1)),
        ("percentile_98", limits.and_then(|limits| limits.2)),
    ];
    for (name, value) in told {
        println!("{name} {:.15e}", value.unwrap_or(f64::NAN));
    }
    ExitCode::SUCCESS
}

type Limits = (Option<f64>, Option<f64>, Option<f64>);

/// The three limits that these results give, as those of one quantity in one reservoir.
fn limits(results: &[(f64, Censor)]) -> Option<Limits> {
    let as_of: Stamp = "2026-06-01".parse().ok()?;
    let registers = Registers {
        reservoirs: vec![reservoir()],
        ..Registers::default()
    };
    let hours = |idx: usize| as_of.plus_hours(idx as f64 - results.len() as f64 - 1.0);
    let samples: Vec<Sample> = (0..results.len())
        .map(|idx| sample(idx, hours(idx)))
        .collect();
    let rows: Vec<LabResult> = results
        .iter()
        .zip(&samples)
        .map(|((value, censor), sample)| LabResult {
            lab: sample.lab.clone(),
            sample_id: sample.sample_id.clone(),
            analyte: "iron".to_owned(),
            value: Some(*value),
            censor: Some(*censor),
            unit: None,
            method: None,
            detection_limit: None,
            missing_reason: None,
        })
        .collect();
    let alarms = lab_alarms(&registers, &samples, &rows, as_of);
    let row = alarms.first()?;
    Some((row.watch_limit, row.caution_limit, row.alarm_limit))
}

fn reservoir() -> Reservoir {
    Reservoir {
        reservoir_id: "R-1".into(),
        site_id: None,
        service: Some("gear".to_owned()),
        oil_type: Some("GER".into()),
        volume_l: None,
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

fn sample(idx: usize, taken_at: Stamp) -> Sample {
    Sample {
        lab: "L-1".to_owned(),
        sample_id: format!("{idx}"),
        reservoir_id: Some("R-1".into()),
        unit_id: None,
        taken_at: Some(taken_at),
        reported_at: None,
        sample_point: Some(SamplePoint::ReservoirMid),
        sample_degc: None,
        water_ppm: None,
        water_censor: None,
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}
