//! What the fleet says about a reservoir's ingress before its own data.
//!
//! ln g = μ + β·(ln mass − mean) + service + site + reservoir, all normal; each reservoir's own data
//! come in as a pseudo-value with a variance. For given spreads the rest is solved exactly (services
//! as penalised columns, sites by Schur complement); the spreads are integrated over a grid with
//! half-normal priors (statistics: empirical Bayes with the uncertainty of its own fit). A
//! reservoir's prior leaves its own pseudo-value out.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// What one reservoir's own data say of ln ingress.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Evidence {
    pub(crate) site: usize,
    pub(crate) service: usize,
    /// ln of the oil mass less the fleet's mean.
    pub(crate) ln_mass: f64,
    /// Pseudo-value of ln g/h; ignored where the variance is infinite.
    pub(crate) ln_g: f64,
    pub(crate) var: f64,
}

/// A normal law of ln ingress, g/h.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LnIngress {
    pub(crate) mean: f64,
    pub(crate) var: f64,
}

/// Before any data: some 3 g/h, anywhere between leak-free breathing (0.1 g/h) and a leaking cooler
/// (100 g/h). Common practice, no source.
pub(crate) const VAGUE: LnIngress = LnIngress {
    mean: 1.1,
    var: 2.9,
};
/// Ingress grows with the oil's mass, but less than in proportion (common practice, no source).
const MASS_SLOPE: (f64, f64) = (0.5, 0.3);

const SITE_SD: [f64; 4] = [0.05, 0.25, 0.5, 0.9];
const SERVICE_SD: [f64; 4] = [0.05, 0.25, 0.5, 0.9];
const RESERVOIR_SD: [f64; 7] = [0.15, 0.3, 0.45, 0.65, 0.9, 1.25, 1.7];
/// Scales of the half-normal priors of the three.
const SPREAD_SCALE: (f64, f64, f64) = (0.5, 0.5, 1.0);

#[derive(Clone, Copy, Debug)]
struct Spread {
    site: f64,
    service: f64,
    reservoir: f64,
}

/// The law of each reservoir's ln ingress from everybody else's data.
#[must_use]
pub(crate) fn fit_prior(
    evidence: &[Evidence],
    n_sites: usize,
    n_services: usize,
) -> Vec<LnIngress> {
    let mut mixture: Vec<(f64, Vec<LnIngress>)> = Vec::new();
    for site in SITE_SD {
        for service in SERVICE_SD {
            for reservoir in RESERVOIR_SD {
                let spread = Spread {
                    site,
                    service,
                    reservoir,
                };
                if let Some(solved) = solve(evidence, n_sites, n_services, spread) {
                    mixture.push(solved);
                }
            }
        }
    }
    let top = mixture
        .iter()
        .map(|(ln, _)| *ln)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = mixture.iter().map(|(ln, _)| (ln - top).exp()).collect();
    let total: f64 = weights.iter().sum();
    (0..evidence.len())
        .map(|idx| {
            let parts = || {
                weights
                    .iter()
                    .zip(&mixture)
                    .filter_map(|(w, (_, laws))| laws.get(idx).map(|law| (w / total, *law)))
            };
            let mean: f64 = parts().map(|(w, law)| w * law.mean).sum();
            let var: f64 = parts()
                .map(|(w, law)| w * (law.var + (law.mean - mean).powi(2)))
                .sum();
            if mean.is_finite() && var > 0.0 {
                LnIngress { mean, var }
            } else {
                VAGUE
            }
        })
        .collect()
}

/// Sums of one site.
struct SiteSums {
    weight: f64,
    columns: DVector<f64>,
    value: f64,
}

/// Log weight of a spread and the law of every reservoir under it.
fn solve(
    evidence: &[Evidence],
    n_sites: usize,
    n_services: usize,
    spread: Spread,
) -> Option<(f64, Vec<LnIngress>)> {
    let p = 2 + n_services;
    let prior_precision = DVector::from_fn(p, |row, _| match row {
        0 => 1.0 / VAGUE.var,
        1 => 1.0 / MASS_SLOPE.1.powi(2),
        _ => 1.0 / spread.service.powi(2),
    });
    let mut matrix = DMatrix::from_diagonal(&prior_precision);
    let mut right = DVector::zeros(p);
    let mut sites: Vec<SiteSums> = (0..n_sites)
        .map(|_| SiteSums {
            weight: 0.0,
            columns: DVector::zeros(p),
            value: 0.0,
        })
        .collect();
    let (mut square, mut ln_det) = (0.0, 0.0);
    let weight_of = |row: &Evidence| {
        if row.var.is_finite() {
            1.0 / (row.var + spread.reservoir.powi(2))
        } else {
            0.0
        }
    };
    for row in evidence {
        let w = weight_of(row);
        if w <= 0.0 {
            continue;
        }
        let (x, y) = (columns(row, p), centred(row));
        matrix.ger(w, &x, &x, 1.0);
        right.axpy(w * y, &x, 1.0);
        square += w * y * y;
        ln_det -= w.ln();
        let sums = sites.get_mut(row.site)?;
        sums.weight += w;
        sums.columns.axpy(w, &x, 1.0);
        sums.value += w * y;
    }
    let site_precision = 1.0 / spread.site.powi(2);
    for sums in &sites {
        let total = site_precision + sums.weight;
        matrix.ger(-1.0 / total, &sums.columns, &sums.columns, 1.0);
        right.axpy(-sums.value / total, &sums.columns, 1.0);
        square -= sums.value * sums.value / total;
        ln_det += (sums.weight / site_precision).ln_1p();
    }
    let factor = Cholesky::new(matrix)?;
    let theta = factor.solve(&right);
    ln_det += factor.ln_determinant() - prior_precision.map(f64::ln).sum();
    let ln_weight = -0.5 * (ln_det + square - right.dot(&theta)) + ln_spread_prior(spread);
    let laws = evidence
        .iter()
        .map(|row| {
            law_of(
                row,
                &sites,
                (&factor, &theta),
                site_precision,
                weight_of(row),
            )
        })
        .map(|law| LnIngress {
            var: law.var + spread.reservoir.powi(2),
            ..law
        })
        .collect();
    Some((ln_weight, laws))
}

fn ln_spread_prior(spread: Spread) -> f64 {
    let half = |sd: f64, scale: f64| -0.5 * (sd / scale).powi(2);
    // the grids are roughly geometric: density times step goes with the sd itself
    half(spread.site, SPREAD_SCALE.0)
        + half(spread.service, SPREAD_SCALE.1)
        + half(spread.reservoir, SPREAD_SCALE.2)
        + (spread.site * spread.service * spread.reservoir).ln()
}

/// Columns of one reservoir: mean, mass, services.
fn columns(row: &Evidence, p: usize) -> DVector<f64> {
    DVector::from_fn(p, |col, _| match col {
        0 => 1.0,
        1 => row.ln_mass,
        _ => f64::from(u8::from(col == row.service + 2)),
    })
}

/// The pseudo-value less the vague mean.
fn centred(row: &Evidence) -> f64 {
    row.ln_g - VAGUE.mean - MASS_SLOPE.0 * row.ln_mass
}

/// Mean and variance of μ + βx + service + site for one reservoir, its own value taken out.
fn law_of(
    row: &Evidence,
    sites: &[SiteSums],
    (factor, theta): (&Cholesky<f64, Dyn>, &DVector<f64>),
    site_precision: f64,
    own_weight: f64,
) -> LnIngress {
    let x = columns(row, theta.len());
    let (site_mean, site_var, reach) = match sites.get(row.site) {
        Some(sums) => {
            let total = site_precision + sums.weight;
            (sums.value / total, 1.0 / total, &x - &sums.columns / total)
        }
        None => (0.0, 1.0 / site_precision, x.clone()),
    };
    let mean = site_mean + reach.dot(theta);
    let var = site_var + reach.dot(&factor.solve(&reach));
    let base = VAGUE.mean + MASS_SLOPE.0 * row.ln_mass;
    let precision = 1.0 / var - own_weight;
    if own_weight <= 0.0 || precision <= 1e-3 / var {
        return LnIngress {
            mean: base + mean,
            var,
        };
    }
    let without = (mean / var - own_weight * centred(row)) / precision;
    LnIngress {
        mean: base + without,
        var: 1.0 / precision,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn evidence(site: usize, ln_g: f64, var: f64) -> Evidence {
        Evidence {
            site,
            service: 0,
            ln_mass: 0.0,
            ln_g,
            var,
        }
    }

    #[test]
    fn without_data_the_prior_is_vague() {
        let law = fit_prior(&[evidence(0, 0.0, f64::INFINITY)], 1, 1)[0];
        assert!((law.mean - VAGUE.mean).abs() < 1e-9);
        assert!(law.var > VAGUE.var);
    }

    #[test]
    fn neighbours_speak_and_oneself_does_not() {
        let alike: Vec<Evidence> = (0..10)
            .map(|i| evidence(0, 2.0 + 0.01 * f64::from(i), 0.01))
            .collect();
        let laws = fit_prior(&alike, 1, 1);
        assert!(
            (laws[0].mean - 2.05).abs() < 0.1 && laws[0].var < 0.3,
            "{:?}",
            laws[0]
        );
        let mut changed = alike;
        changed[0].ln_g = 2.6;
        let moved = fit_prior(&changed, 1, 1)[0];
        // the spreads learn of it a little, the mean of the others does not
        assert!(
            (moved.mean - laws[0].mean).abs() < 0.05,
            "{moved:?} {:?}",
            laws[0]
        );
    }

    #[test]
    fn a_wet_site_lifts_its_own_reservoirs_most() {
        let mut rows: Vec<Evidence> = (0..8).map(|_| evidence(0, 3.0, 0.05)).collect();
        rows.extend((0..8).map(|_| evidence(1, 1.0, 0.05)));
        rows.push(evidence(0, 0.0, f64::INFINITY));
        rows.push(evidence(1, 0.0, f64::INFINITY));
        let laws = fit_prior(&rows, 2, 1);
        assert!(
            laws[16].mean > 2.5 && laws[17].mean < 1.5,
            "{:?} {:?}",
            laws[16],
            laws[17]
        );
    }
}
