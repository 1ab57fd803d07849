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
