//! How causes were named: said against true, probability of the truth, log score, reliability.

use std::collections::BTreeMap;

use crate::{Cause, PumpCause, PumpHealth};

/// Counts of alerts whose true causes are known.
#[derive(Clone, Debug, Default)]
pub(super) struct Tally {
    /// True causes, joined by +, and the cause said.
    said: BTreeMap<(String, &'static str), usize>,
    /// Sum over alerts of the probability of the true causes together, by true causes.
    of_truth: BTreeMap<String, (f64, usize)>,
    ln_score: f64,
    n: usize,
    /// By probability of the cause said, from 0.3 in steps of 0.1: alerts, right ones, sum of probability.
    reliability: [(usize, usize, f64); 7],
}

/// Least probability that the log score sees: one alert must not decide it.
const LEAST: f64 = 0.005;

impl Tally {
    /// Takes one alert in, with the probabilities of its run.
    pub(super) fn take(&mut self, truth: &[Cause], row: &PumpHealth, causes: &[PumpCause]) {
        let Some((said, probability)) = row.cause.zip(row.cause_probability) else {
            return;
        };
        let of_run = causes.iter().filter(|one| one.run_id == row.run_id);
        let of_truth: f64 = of_run
            .filter(|one| truth.contains(&one.cause))
            .map(|one| one.probability)
            .sum();
        let names: Vec<&str> = truth.iter().map(|cause| cause.as_str()).collect();
        let names = names.join("+");
        *self.said.entry((names.clone(), said.as_str())).or_default() += 1;
        let of_names = self.of_truth.entry(names).or_default();
        *of_names = (of_names.0 + of_truth, of_names.1 + 1);
        self.ln_score -= of_truth.max(LEAST).ln();
        self.n += 1;
        let bin = ((probability - 0.3) / 0.1).clamp(0.0, 6.0) as usize;
        let bin = &mut self.reliability[bin];
        *bin = (
            bin.0 + 1,
            bin.1 + usize::from(truth.contains(&said)),
            bin.2 + probability,
        );
    }

    pub(super) fn print(&self) {
        println!("    causes, true → said:");
        for (names, (p, n)) in &self.of_truth {
            let said = self.said.iter().filter(|(key, _)| &key.0 == names);
            let said: Vec<String> = said.map(|(key, n)| format!("{} {n}", key.1)).collect();
            println!(
                "      {names:<18} → {} (mean probability of the truth {:.2})",
                said.join(", "),
                p / *n as f64
            );
        }
        let bins = self.reliability.iter().filter(|bin| bin.0 > 0);
        let bins: Vec<String> = bins
            .map(|(n, right, p)| {
                let n_alerts = *n as f64;
                format!(
                    "{:.2} → {:.2} ({n})",
                    p / n_alerts,
                    *right as f64 / n_alerts
                )
            })
            .collect();
        println!(
            "      log score {:.2}; said → right: {}",
            self.ln_score / self.n.max(1) as f64,
            bins.join(", ")
        );
    }

    /// By how much the mean probability of the causes said is above the share of them that is right.
    pub(super) fn overconfidence(&self) -> f64 {
        let sum = self.reliability.iter().fold((0.0, 0.0), |sum, bin| {
            (sum.0 + bin.2 - bin.1 as f64, sum.1 + bin.0 as f64)
        });
        sum.0 / sum.1.max(1.0)
    }

    /// Mean of −ln of the probability given to the truth.
    pub(super) fn log_score(&self) -> f64 {
        self.ln_score / self.n.max(1) as f64
    }
}
