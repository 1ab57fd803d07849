//! The law of the net ingress of one part of the posterior: what came in, less what the air took.

use drydown_stats::normal;

/// What came in lately, ppm/h: a lognormal law (of the right mean and variance), less what the air took.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Recent {
    /// Mean and variance of the ln of what came in.
    pub(crate) ln_gross: f64,
    pub(crate) ln_var: f64,
    /// What the air took.
    pub(crate) lost_per_h: f64,
}

/// Shares of a leak's water that sink unseen, and their weights: the middles of three equal parts of
/// nothing to 0.6. A leak brings drops, and what is not stirred in lies at the bottom before it can
/// dissolve: nothing in the stream shows it (common practice, no source).
const SUNK: [(f64, f64); 3] = [(0.1, 1.0 / 3.0), (0.3, 1.0 / 3.0), (0.5, 1.0 / 3.0)];
/// What comes in beyond so many times the usual rate is a leak's: half way (geometrically) to the
/// smallest leak that is thought of.
const WITHOUT_LEAK: f64 = 1.6;

impl Recent {
    /// What may have come in, with weights that sum to one: of a leak's water some is never seen.
    pub(crate) fn with_sunk(self, usual_per_h: f64) -> impl Iterator<Item = (f64, Self)> {
        let gross = (self.ln_gross + 0.5 * self.ln_var).exp();
        let leaked = (1.0 - WITHOUT_LEAK * usual_per_h / gross).max(0.0);
        let shares = if leaked > 0.0 {
            SUNK.as_slice()
        } else {
            &[(0.0, 1.0)]
        };
        shares.iter().map(move |(sunk, weight)| {
            let unseen = leaked * sunk / (1.0 - sunk);
            let ln_gross = self.ln_gross + unseen.ln_1p();
            (*weight, Self { ln_gross, ..self })
        })
    }
}

/// One part of the law of the net ingress, g/h: lognormal, less a loss.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NetIngress {
    weight: f64,
    ln_gross: f64,
    sd: f64,
    lost: f64,
}

impl NetIngress {
    pub(crate) fn new(weight: f64, recent: Recent, tonnes: f64, ln_var: f64) -> Self {
        Self {
            weight,
            ln_gross: recent.ln_gross + tonnes.ln(),
            sd: ln_var.sqrt().max(1e-6),
            lost: recent.lost_per_h * tonnes,
        }
    }

    /// Weight of the part below a value, g/h.
    pub(crate) fn below(&self, x: f64) -> f64 {
        let gross = x + self.lost;
        if gross <= 0.0 {
            return 0.0;
        }
        self.weight * normal::quick_cdf((gross.ln() - self.ln_gross) / self.sd)
    }

    /// Its middle, and how far it reaches.
    pub(crate) fn reach(&self) -> (f64, f64) {
        let highest = (self.ln_gross + 6.0 * self.sd).exp();
        (-self.lost, highest.max(1e-9))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_leak_may_have_brought_more_than_is_seen() {
        let seen = |gross: f64| Recent {
            ln_gross: f64::ln(gross),
            ln_var: 0.0,
            lost_per_h: 0.0,
        };
        let usual: Vec<(f64, Recent)> = seen(1.2).with_sunk(1.0).collect();
        assert_eq!(usual.len(), 1);
        assert!((usual[0].1.ln_gross.exp() - 1.2).abs() < 1e-12);
        let leak: Vec<(f64, Recent)> = seen(8.0).with_sunk(1.0).collect();
        assert!((leak.iter().map(|(weight, _)| weight).sum::<f64>() - 1.0).abs() < 1e-12);
        // 6.4 of the 8 are the leak's: with half of them sunk, as much again lies at the bottom
        let most = leak.last().unwrap().1.ln_gross.exp();
        assert!((most - 14.4).abs() < 1e-9, "{most}");
    }
}
