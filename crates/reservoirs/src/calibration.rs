//! Whether probabilities come true, on fleets of an invented nature that the estimators do not share.
//!
//! `cargo test --release -p drydown-reservoirs probabilities_come_true -- --nocapture` prints what was
//! said and what came, bin by bin, with the slope of calibration (Cox 1958) and the Brier skill.

use drydown_stats::scores;

use crate::nature::{Future, invent};
use crate::world::config;
use crate::{ReservoirRisk, assess, histories};

/// Forecasts with what came of them.
#[derive(Default)]
struct Told {
    p: Vec<f64>,
    came: Vec<bool>,
}

impl Told {
    fn push(&mut self, p: Option<f64>, came: bool) {
        if let Some(p) = p {
            self.p.push(p);
            self.came.push(came);
        }
    }

    fn skill(&self) -> f64 {
        let n = self.came.len() as f64;
        let base = self.came.iter().filter(|came| **came).count() as f64 / n;
        1.0 - scores::brier(&self.p, &self.came).unwrap() / (base * (1.0 - base))
    }

    fn slope(&self) -> f64 {
        scores::calibration(&self.p, &self.came).unwrap().slope
    }

    fn print(&self, name: &str) {
        let calibration = scores::calibration(&self.p, &self.came).unwrap();
        println!(
            "{name}: {} forecasts, skill {:.3}, AUC {:.3}, slope {:.2} ({:.2}), in the large {:.2}",
            self.p.len(),
            self.skill(),
            scores::auc(&self.p, &self.came).unwrap(),
            calibration.slope,
            calibration.slope_se.unwrap_or(f64::NAN),
            calibration.in_the_large
        );
        for bin in scores::reliability_bins(&self.p, &self.came, 5) {
            println!(
                "  said {:.2} came {:.2} of {}",
                bin.forecast, bin.observed, bin.n
            );
        }
    }

    /// How far the worst bin of more than fifty cases is off beyond one standard error of its share.
    fn worst_bin(&self) -> f64 {
        scores::reliability_bins(&self.p, &self.came, 5)
            .into_iter()
            .filter(|bin| bin.n > 50)
            .map(|bin| {
                let sd = (bin.forecast * (1.0 - bin.forecast) / bin.n as f64).sqrt();
                (bin.forecast - bin.observed).abs() - sd
            })
            .fold(0.0, f64::max)
    }
}

/// Forecasts of one fleet beside its future.
fn told(seed: u64, n: usize) -> Vec<(ReservoirRisk, Future)> {
    let fleet = invent(seed, n);
    let histories = histories(
        &fleet.registers,
        &fleet.samples,
        &fleet.runs,
        &[],
        fleet.as_of,
    );
    let mut rows = assess(&histories, fleet.as_of, &config());
    rows.sort_by(|a, b| a.reservoir_id.cmp(&b.reservoir_id));
    rows.into_iter().zip(fleet.futures).collect()
}

#[test]
fn probabilities_come_true() {
    let (mut oil, mut paper, mut free) = (Told::default(), Told::default(), Told::default());
    let mut all = Told::default();
    let (mut n, mut inside) = (0.0, 0.0);
    for seed in 100..124 {
        for (row, future) in told(seed, 84) {
            let told = if future.is_paper {
                &mut paper
            } else {
                &mut oil
            };
            told.push(row.p_water_limit, future.passes_limit);
            all.push(row.p_water_limit, future.passes_limit);
            free.push(row.p_free_water, future.passes_free);
            let (low, high) = (row.water_sample_lower_90, row.water_sample_upper_90);
            n += 1.0;
            inside += f64::from(u8::from(
                low.unwrap() <= future.level_ppm && future.level_ppm <= high.unwrap(),
            ));
        }
    }
    println!("level in its 90 % interval: {:.3}", inside / n);
    for (name, told) in [
        ("water limit", &all),
        ("water limit, oil", &oil),
        ("water limit, paper", &paper),
        ("free water", &free),
    ] {
        told.print(name);
    }
    for told in [&all, &oil, &free] {
        let slope = told.slope();
        assert!((0.8..=1.2).contains(&slope), "{slope}");
        assert!(told.worst_bin() < 0.10, "{}", told.worst_bin());
    }
    assert!(all.skill() > 0.6, "{}", all.skill());
}
