//! Insulating oil over paper: what the paper gives back while the unit dries.
//!
//! Balance of the oil: `dC/dt = −k(C − a) + p(B − C)`, with `B` the oil's water in balance with the paper and `p` how fast
//! it follows the paper. One body with a level to tend to fits it exactly, at the rate `k + p`: no run tells the two
//! apart. Between runs the oil rises at the rate `p` alone.

use std::fmt::Write as _;

use drydown_stats::{normal, robust};

use super::RunInput;
use super::model::Prior;
use super::rebound::Gaps;
use crate::config::RunFitConfig;
use crate::rows::{RemovalRun, RunStatus};

/// Whether paper under the oil gives its water back; not said counts as no.
pub(super) fn holds_paper(input: &RunInput<'_>) -> bool {
    input
        .reservoir
        .and_then(|reservoir| reservoir.paper_insulated)
        .unwrap_or(false)
}

/// How fast oil follows its paper, before any run: log of 1/h. A tenth of the gap a day, within a factor of four: at rest
/// 7 % a day is usual (the reservoirs' own balance), and oil that is warmed and pumped follows faster. Common practice, no
/// source.
const USUAL_FOLLOWING: Prior = Prior {
    mean: -5.5,
    sd: 0.8,
};
/// Sd of the log that no number of rests takes away: the balance level goes with temperature and is not seen.
const LEVEL_LOG_SD: f64 = 0.5;

/// How probable it is that paper gives back in a run of hours as it does in a rest of days; else it gives next to nothing, as
/// what is quick to give has been taken. Common practice, no source.
const GIVES: f64 = 0.75;

/// How fast the oil of a reservoir follows its paper: log of 1/h.
#[derive(Clone, Copy, Debug)]
pub(super) struct Following {
    law: Prior,
    /// Rests between runs that told it; without, it is what is usual.
    n_rests: usize,
}

impl Default for Following {
    fn default() -> Self {
        Self {
            law: USUAL_FOLLOWING,
            n_rests: 0,
        }
    }
}

/// What the rests between a reservoir's runs tell of its paper: the share of the way back to the level of long rests.
pub(super) fn following(gaps: &Gaps) -> Following {
    const N_MIN: usize = 3;
    let starts: Vec<f64> = gaps.long.iter().map(|long| long.start_ppm).collect();
    let level = robust::quantile(&starts, 0.85).filter(|_| starts.len() >= 2);
    let Some(level_ppm) = level else {
        return Following::default();
    };
    let told: Vec<f64> = gaps
        .rests
        .iter()
        .filter_map(|rest| {
            let gap_ppm = level_ppm - (rest.reading_ppm - rest.rise_ppm);
            let back = (rest.rise_ppm / gap_ppm).clamp(0.01, 0.95);
            (gap_ppm > 4.0 * rest.sd_ppm).then(|| (-(1.0 - back).ln() / rest.hours).ln())
        })
        .collect();
    let Some(middle) = robust::median(&told).filter(|_| told.len() >= N_MIN) else {
        return Following::default();
    };
    let sd = LEVEL_LOG_SD.hypot(1.0 / (told.len() as f64).sqrt());
    let (own, prior) = (1.0 / (sd * sd), 1.0 / USUAL_FOLLOWING.sd.powi(2));
    Following {
        law: Prior {
            mean: (own * middle + prior * USUAL_FOLLOWING.mean) / (own + prior),
            sd: (own + prior).sqrt().recip(),
        },
        n_rests: told.len(),
    }
}

impl Following {
    /// Takes what the paper gives back out of a row's rate, and widens its interval by what is not known of it.
    ///
    /// The rate of the row is `k + p`. Where hardly any of it need be the unit's, the lower end is open.
    pub(super) fn take_out(self, row: &mut RemovalRun, config: &RunFitConfig) {
        let Some(both) = row.removal_rate_per_h else {
            return;
        };
        let left = |z: f64| {
            let share = (self.law.mean + z * self.law.sd).exp() / both;
            (1.0 - share).max(0.02).ln()
        };
        let z_end = normal::quantile(0.5 + 0.5 * config.level);
        // Nine values of equal weight, and the chance of none.
        let each = (0..9).map(|idx| left(normal::quantile((f64::from(idx) + 0.5) / 9.0)));
        let shift = GIVES * each.sum::<f64>() / 9.0;
        let least = left(z_end);
        let end = |at: f64| both * (shift - (at / both).ln().hypot(least - shift)).exp();
        row.removal_rate_lower_90 = row.removal_rate_lower_90.map(end);
        // The upper end stays: the paper may have given nothing.
        let factor = shift.exp();
        row.removal_rate_per_h = Some(both * factor);
        row.dried_flow_lpm = row.dried_flow_lpm.map(|flow| flow * factor);
        row.removal_per_pass = row.removal_per_pass.map(|share| share * factor);
        let sd = -least / (2.0 * z_end);
        row.removal_rate_se = row.removal_rate_se.map(|se| factor * se.hypot(sd * both));
        if (both * factor / row.removal_rate_lower_90.unwrap_or(f64::INFINITY)).ln()
            > z_end * config.ln_rate_se_max
        {
            row.removal_rate_lower_90 = None;
            row.status = RunStatus::OneSided;
        }
        let whence = if self.n_rests > 0 {
            format!("by {} rests between runs", self.n_rests)
        } else {
            "as is usual; its runs do not tell it".to_owned()
        };
        let _ = write!(
            row.evidence,
            "; what the paper gives back may be in the rate ({:.4} 1/h, {:.4} to {:.4}, {whence}): taken out at a chance of {:.2}",
            self.law.mean.exp(),
            (self.law.mean - z_end * self.law.sd).exp(),
            (self.law.mean + z_end * self.law.sd).exp(),
            GIVES,
        );
    }
}
