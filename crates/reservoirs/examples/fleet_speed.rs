//! How long an invented fleet takes to be ranked: `cargo run --release -p drydown-reservoirs --example
//! fleet_speed -- 10000`. Prints the time on one thread and sums to compare answers by; asserts nothing.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "an example prints what it measured"
)]

use std::time::Instant;

use drydown_quantity::{OilType, ReservoirId, RunId, SiteId, Stamp, UnitId};
use drydown_reservoirs::{InTurn, ReservoirsConfig, assess_with, histories};
use drydown_runs::Run;
use drydown_runs::history::{
    Censor, Oil, Registers, Reservoir, Sample, SamplePoint, Site, VolumeBasis,
};
use drydown_stats::rng::{Pcg64, index, seeded, standard_normal, uniform};

/// Samples and runs of a reservoir on average.
const SAMPLES: usize = 20;
const RUNS: usize = 6;
const DAYS: f64 = 540.0;

fn main() {
    let asked = std::env::args().nth(1).and_then(|text| text.parse().ok());
    let n = asked.unwrap_or(10_000);
    let Ok(as_of) = "2026-10-01T00:00:00Z".parse::<Stamp>() else {
        eprintln!("the example's own date does not parse");
        return;
    };
    let mut fleet = Fleet::default();
    for idx in 0..n {
        fleet.add(idx, as_of);
    }
    let config = ReservoirsConfig::documented();
    let start = Instant::now();
    let known = histories(
        &fleet.registers,
        &fleet.samples,
        &fleet.runs,
        &[],
        &[],
        as_of,
    );
    let gathered = start.elapsed();
    let rows = assess_with(&known, as_of, &config, &InTurn);
    let all = start.elapsed();
    let said: f64 = rows.iter().filter_map(|row| row.p_water_limit).sum();
    let widths = rows.iter().map(|row| row.rank_upper_90 - row.rank_lower_90);
    println!(
        "{n} reservoirs, {} samples, {} runs: histories {gathered:.2?}, all {all:.2?} on one thread",
        fleet.samples.len(),
        fleet.runs.len(),
    );
    println!(
        "limits expected to be passed {said:.3}, risk {:.4}, mean width of the rank intervals {:.2}",
        rows.iter().map(|row| row.risk).sum::<f64>(),
        widths.sum::<i64>() as f64 / n.max(1) as f64
    );
}

#[derive(Default)]
struct Fleet {
    registers: Registers,
    samples: Vec<Sample>,
    runs: Vec<Run>,
}

fn lognormal(median: f64, sd: f64, rng: &mut Pcg64) -> f64 {
    median * (sd * standard_normal(rng)).exp()
}

impl Fleet {
    /// One more reservoir: a level that rises, is sampled, and is dried when it is wet.
    fn add(&mut self, idx: usize, as_of: Stamp) {
        if idx == 0 {
            self.registers.oils.push(oil());
        }
        let id = ReservoirId::from(format!("R-{idx:05}"));
        let mut rng = seeded(7, id.as_str());
        let site = SiteId::from(format!("S-{:03}", idx / 40));
        if idx.is_multiple_of(40) {
            self.registers.sites.push(Site {
                site_id: site.clone(),
                name: None,
                altitude_m: None,
                timezone: None,
            });
        }
        let paper = idx % 6 == 5;
        let services = ["hydraulic", "gear", "turbine", "circulating"];
        let service = if paper {
            "transformer"
        } else {
            services.get(index(&mut rng, 4)).copied().unwrap_or("gear")
        };
        let limit = lognormal(250.0, 0.3, &mut rng).round();
        self.registers.reservoirs.push(Reservoir {
            reservoir_id: id.clone(),
            site_id: Some(site),
            service: Some(service.to_owned()),
            oil_type: Some(OilType::from("HLP")),
            volume_l: Some(lognormal(5000.0, 0.8, &mut rng)),
            volume_basis: Some(VolumeBasis::Nameplate),
            water_limit_ppm: Some(limit),
            cleanliness_limit: Some("19/17/14".to_owned()),
            acid_limit_mgkoh_g: Some(1.0),
            coldest_oil_degc: Some(30.0),
            max_oil_degc: Some(65.0),
            criticality: Some(1.0 + index(&mut rng, 9) as f64),
            paper_insulated: Some(paper),
            energised: None,
            pcb_status: None,
            breather: Some(
                if uniform(&mut rng) < 0.5 {
                    "open"
                } else {
                    "sealed"
                }
                .to_owned(),
            ),
        });
        let per_day = if paper {
            0.0
        } else {
            lognormal(limit / 60.0, 0.7, &mut rng)
        };
        let (mut level, mut day) = (0.4 * limit, 0.0);
        let mut acid = 0.3;
        while day < DAYS - 1.0 {
            let step = DAYS / SAMPLES as f64 * (0.5 + uniform(&mut rng));
            day += step;
            level += per_day * step * lognormal(1.0, 0.3, &mut rng);
            acid += 0.0005 * step;
            let at = as_of.plus_days(day.min(DAYS - 1.0) - DAYS);
            let seen = level * (1.0 + 0.1 * standard_normal(&mut rng));
            self.samples
                .push(sample(&id, self.samples.len(), at, (seen, acid)));
            if uniform(&mut rng) < RUNS as f64 / SAMPLES as f64 {
                let left = 0.3 * level;
                self.runs
                    .push(run(&id, self.runs.len(), at.plus_hours(3.0), (level, left)));
                level = left;
            }
        }
    }
}

fn oil() -> Oil {
    Oil {
        oil_type: OilType::from("HLP"),
        family: Some("mineral".to_owned()),
        iso_vg: Some(46.0),
        viscosity_40c_mm2s: Some(46.0),
        viscosity_100c_mm2s: Some(6.8),
        density_15c_kgm3: Some(870.0),
        solubility_a: Some(8.2),
        solubility_b_k: Some(1700.0),
        flash_degc: Some(210.0),
    }
}

fn sample(id: &ReservoirId, n: usize, at: Stamp, (ppm, acid): (f64, f64)) -> Sample {
    Sample {
        lab: "L-1".to_owned(),
        sample_id: format!("{n}"),
        reservoir_id: Some(id.clone()),
        unit_id: None,
        taken_at: Some(at),
        reported_at: None,
        sample_point: Some(SamplePoint::ReservoirMid),
        sample_degc: Some(45.0),
        water_ppm: Some(ppm.max(5.0)),
        water_censor: Some(Censor::Exact),
        iso4406_4um: Some(18),
        iso4406_6um: Some(16),
        iso4406_14um: Some(13),
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: Some(acid),
        breakdown_kv: None,
    }
}

fn run(id: &ReservoirId, n: usize, at: Stamp, ppm: (f64, f64)) -> Run {
    Run {
        run_id: RunId::from(format!("U-1@{n}")),
        unit_id: UnitId::from("U-1"),
        reservoir_id: Some(id.clone()),
        oil_type: None,
        started_at: at,
        ended_at: at.plus_hours(40.0),
        hours: 40.0,
        flow_lpm: None,
        oil_degc: None,
        chamber_kpa: None,
        ambient_kpa: None,
        vacuum_pump_degc: None,
        vent_open_pct: None,
        water_first_ppm: Some(ppm.0),
        water_last_ppm: Some(ppm.1),
        water_removed_kg: None,
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: None,
        n_readings: 100,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}
